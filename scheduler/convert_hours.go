package scheduler

import (
	"fmt"
	"strings"

	"google.golang.org/genproto/googleapis/type/dayofweek"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/scheduler/diary"
	"github.com/visitwright/visitwright/store"
)

// ownerFromProto reads whose hours or absence it is. kinds tells rooms, nurses
// and equipment apart.
func ownerFromProto(c Caller, field, name string, setup store.DiarySetup) (store.ResourceRef, error) {
	switch {
	case strings.Contains(name, "/clinicians/"):
		n, err := c.One(names.ClinicianPattern, field, name, vw.ErrorReason_ERROR_REASON_CLINICIAN_NOT_FOUND)
		if err != nil {
			return store.ResourceRef{}, err
		}
		for _, x := range setup.Clinicians {
			if x.ID == n.ID {
				return store.ResourceRef{Kind: store.KindClinician, ID: n.ID}, nil
			}
		}
		return store.ResourceRef{}, fault.NotFound(vw.ErrorReason_ERROR_REASON_CLINICIAN_NOT_FOUND, name)
	case strings.Contains(name, "/resources/"):
		n, err := c.One(names.ResourcePattern, field, name, vw.ErrorReason_ERROR_REASON_RESOURCE_NOT_FOUND)
		if err != nil {
			return store.ResourceRef{}, err
		}
		if kind := kindOf(setup, n.ID); kind != "" {
			return store.ResourceRef{Kind: kind, ID: n.ID}, nil
		}
		return store.ResourceRef{}, fault.NotFound(vw.ErrorReason_ERROR_REASON_RESOURCE_NOT_FOUND, name)
	}
	return store.ResourceRef{}, c.Within(field, name)
}

func hoursToProto(practice string, h store.Hours) *vw.Hours {
	out := &vw.Hours{Owner: refName(practice, h.Owner), Etag: h.Etag}
	for _, r := range h.Rules {
		from, _ := civil.ParseDate(r.From) // "" is the zero date, which stays absent
		to, _ := civil.ParseDate(r.To)
		out.Rules = append(out.Rules, &vw.HoursRule{Weekday: dayofweek.DayOfWeek(r.Weekday),
			StartTime: timeToProto(civil.TimeOfDay(r.StartMinute)), EndTime: timeToProto(civil.TimeOfDay(r.EndMinute)),
			EveryWeeks: int32(r.EveryWeeks), InWeek: int32(r.InWeek), FirstDate: dateToProto(from), LastDate: dateToProto(to)})
	}
	return out
}

func hoursFromProto(h *vw.Hours) ([]store.HoursRule, error) {
	var out []store.HoursRule
	for i, r := range h.GetRules() {
		field := fmt.Sprintf("hours.rules[%d]", i)
		rule := store.HoursRule{Weekday: int(r.GetWeekday()), EveryWeeks: max(1, int(r.GetEveryWeeks())), InWeek: int(r.GetInWeek())}
		from, err := timeFromProto(field+".start_time", r.GetStartTime())
		if err != nil {
			return nil, err
		}
		to, err := timeFromProto(field+".end_time", r.GetEndTime())
		if err != nil {
			return nil, err
		}
		rule.StartMinute, rule.EndMinute = from.Minutes(), to.Minutes()
		first, err := dateFromProto(field+".first_date", r.GetFirstDate())
		if err != nil {
			return nil, err
		}
		last, err := dateFromProto(field+".last_date", r.GetLastDate())
		if err != nil {
			return nil, err
		}
		switch {
		case rule.StartMinute >= rule.EndMinute:
			return nil, fault.Invalid(vw.ErrorReason_ERROR_REASON_END_BEFORE_START, field+".end_time", "a time after start_time")
		case rule.StartMinute%diary.Grid != 0 || rule.EndMinute%diary.Grid != 0:
			return nil, invalidField(field+".start_time", fmt.Sprintf("times on the grid of %d minutes", diary.Grid))
		case rule.InWeek >= rule.EveryWeeks:
			return nil, invalidField(field+".in_week", "0 to every_weeks - 1")
		case !first.IsZero() && !last.IsZero() && last.Before(first):
			return nil, fault.Invalid(vw.ErrorReason_ERROR_REASON_END_BEFORE_START, field+".last_date", "a day that is not before first_date")
		}
		if !first.IsZero() {
			rule.From = first.String()
		}
		if !last.IsZero() {
			rule.To = last.String()
		}
		for j, o := range out {
			if overlap(rule, o) {
				return nil, fault.Invalid(vw.ErrorReason_ERROR_REASON_HOURS_OVERLAP, field, fmt.Sprintf("a span that does not overlap rules[%d] on the same day", j))
			}
		}
		out = append(out, rule)
	}
	if _, err := timetable(out); err != nil {
		return nil, invalidField("hours.rules", err.Error()).Because(err)
	}
	return out, nil
}

// overlap reports whether two rules can hold at one moment of one day.
func overlap(a, b store.HoursRule) bool {
	if a.Weekday != b.Weekday || a.StartMinute >= b.EndMinute || b.StartMinute >= a.EndMinute {
		return false
	}
	if a.To != "" && b.From != "" && a.To < b.From || b.To != "" && a.From != "" && b.To < a.From {
		return false
	}
	// Two cycles meet when their weeks agree modulo the greatest common divisor.
	return (a.InWeek-b.InWeek)%gcd(a.EveryWeeks, b.EveryWeeks) == 0
}

func absenceToProto(practice string, a store.Absence) *vw.Absence {
	first, _ := civil.ParseDate(a.FromDay) // kept days are valid
	last, _ := civil.ParseDate(a.ToDay)
	out := &vw.Absence{Owner: refName(practice, a.Owner), FirstDate: dateToProto(first), LastDate: dateToProto(last), Kind: a.Kind, Note: a.Note,
		CreateTime: instant(a.CreateTime), Etag: a.Etag, StartTime: timeToProto(civil.TimeOfDay(a.FromMin)), EndTime: timeToProto(civil.TimeOfDay(a.ToMin))}
	if a.ID != "" {
		out.Name = names.Absence(practice, a.ID)
	}
	return out
}

// mostAbsence is the longest absence in days: whoever is away longer has left.
const mostAbsence = 2 * 366

func (s *Diary) absenceFromProto(c Caller, a *vw.Absence, setup store.DiarySetup) (store.Absence, error) {
	owner, err := ownerFromProto(c, "absence.owner", a.GetOwner(), setup)
	if err != nil {
		return store.Absence{}, err
	}
	days, err := rangeFromProto("absence", &vw.DateRange{FirstDate: a.GetFirstDate(), LastDate: a.GetLastDate()}, mostAbsence)
	if err != nil {
		return store.Absence{}, err
	}
	out := store.Absence{Owner: owner, FromDay: days.First.String(), ToDay: days.Last.String(), ToMin: int(civil.EndOfDay), Kind: a.GetKind(), Note: a.GetNote()}
	if !s.figures.knows("absence-kinds", out.Kind) {
		return out, unknownID("absence.kind", "absence-kinds")
	}
	if t := a.GetStartTime(); t != nil {
		at, err := timeFromProto("absence.start_time", t)
		if err != nil {
			return out, err
		}
		if out.FromMin = at.Minutes(); at == civil.EndOfDay {
			return out, invalidField("absence.start_time", "a time of day from 00:00 to 23:59")
		}
	}
	if t := a.GetEndTime(); t != nil {
		at, err := timeFromProto("absence.end_time", t)
		if err != nil {
			return out, err
		}
		if out.ToMin = at.Minutes(); at == 0 {
			return out, invalidField("absence.end_time", "a time of day from 00:01 to 24:00")
		}
	}
	if days.First == days.Last && out.FromMin >= out.ToMin {
		return out, fault.Invalid(vw.ErrorReason_ERROR_REASON_END_BEFORE_START, "absence.end_time", "a time after start_time")
	}
	return out, nil
}
