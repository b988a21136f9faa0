package desk

import (
	"slices"
	"strings"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/types/known/timestamppb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// storyDay is one day of a case with what happened or is to happen.
type storyDay struct {
	Date *date.Date
	// Gap is how long nothing happened before it, in words; Ahead a day to come,
	// First the first of those.
	Gap          string
	Ahead, First bool
	Told         []told
}

// told is one thing of a day.
type told struct {
	day              *date.Date
	order            int64
	Text, More, Path string
	// Lines are what happened in the chair.
	Lines []string
	Ahead bool
}

// story tells a case from its first call to its last review, one day after the
// other, and then what lies ahead.
func (q *ask) story(h *head, r *records) []storyDay {
	w, c := q.words, h.Case
	at := "/cases/" + lastPart(c.GetName())
	var all []told
	tell := func(t told) { all = append(all, t) }
	if day := c.GetReferral().GetReceiveDate(); day.GetDay() != 0 {
		tell(told{day: day, Text: w.T("case.told-referral"), More: c.GetReferral().GetQuestion()})
	}
	if b := c.GetTreatmentBegun(); b.GetVisitDate().GetDay() != 0 {
		tell(told{day: b.GetVisitDate(), Text: w.T("case.told-elsewhere"), More: b.GetNote()})
	}
	tell(told{day: w.DayOf(c.GetCreateTime()), order: w.inDay(c.GetCreateTime()), Text: w.T("case.told-opened")})
	for _, a := range slices.Backward(r.assessments) { // the lists come with the newest first
		more := w.T("case.told-level", w.Level(a.GetDifficulty().GetLevel()))
		tell(told{day: w.DayOf(a.GetCreateTime()), order: w.inDay(a.GetCreateTime()), Text: w.T("case.told-assessed", a.GetVersion()), More: more, Path: at + "/assess"})
	}
	for _, p := range slices.Backward(r.plans) {
		path := at + "/options?revision=" + lastPart(p.GetName())
		tell(told{day: w.DayOf(p.GetCreateTime()), order: w.inDay(p.GetCreateTime()), Text: w.T("case.told-plan", p.GetRevision()), More: w.Enum("case.cause", shortened(p.GetCause())), Path: path})
		if acc := p.GetAccepted(); acc != nil {
			more := w.T("case.no-consent-yet")
			if acc.GetConsent() != nil {
				more = w.T("case.consent-taken", w.Enum("case.giver", short(acc.GetConsent().GetGiver(), "GIVER_")))
			}
			tell(told{day: w.DayOf(acc.GetAcceptTime()), order: w.inDay(acc.GetAcceptTime()), Text: w.T("case.told-accepted", optionOf(p, acc.GetOption()).GetTitle()), More: more, Path: path})
		}
	}
	q.tellVisits(at, r, tell)
	for _, e := range r.events {
		tell(told{day: e.GetDate(), order: 1 << 40, Text: sentence(e.GetText())})
	}
	if c.GetEndDate().GetDay() != 0 {
		tell(told{day: c.GetEndDate(), order: 1 << 50, Text: w.T("case.told-closed", h.Named["closing-reasons"].Title(c.GetClosingReason()))})
	}
	if !h.Closed() {
		for _, f := range r.due {
			day := f.GetTargetDate()
			if day.GetDay() == 0 || w.before(day) {
				day = f.GetLatestDate()
			}
			if day.GetDay() == 0 || w.before(day) {
				continue // it stands with what comes next
			}
			more := f.GetReason()
			if f.GetLatestDate().GetDay() != 0 {
				more = w.T("case.told-due-until", w.Date(f.GetLatestDate()), f.GetReason())
			}
			tell(told{day: day, Text: w.Due(f.GetKind()), More: more, Ahead: true})
		}
	}
	return q.byDay(all)
}

// tellVisits tells each appointment once: as a visit when it took place.
func (q *ask) tellVisits(at string, r *records, tell func(told)) {
	w := q.words
	visited := map[string]bool{}
	chair := at + "/chair"
	if !q.is(clinical...) {
		chair = "" // the chair is not reception's
	}
	for _, v := range slices.Backward(r.visits) {
		visited[v.GetAppointment()] = true
		t := told{day: w.DayOf(v.GetBeginTime()), order: w.inDay(v.GetBeginTime()), Text: w.T("case.told-visit", lastPart(v.GetName()), v.GetTitle()), Path: chair}
		if v.GetPhase() == vw.ChairVisit_PHASE_ENDED {
			t.More = w.T("case.told-chair", w.Min(v.GetChairMinutes()), w.Min(v.GetAppointmentMinutes()))
		} else {
			t.More = w.T("case.told-running")
		}
		for _, e := range v.GetEvents() {
			t.Lines = append(t.Lines, e.GetTitle())
		}
		if why := v.GetClosing().GetForcedBecause(); why != "" {
			t.Lines = append(t.Lines, w.T("case.told-forced", why))
		}
		tell(t)
	}
	for _, a := range r.appointments {
		if visited[a.GetName()] {
			continue
		}
		day := a.GetPlace().GetStart().GetDate()
		clock := a.GetPlace().GetStart().GetTime()
		ahead := a.GetState() <= vw.Appointment_STATE_BOOKED && !w.before(day)
		tell(told{day: day, order: int64(minuteOf(clock)) * 60, Path: "/appointments/" + lastPart(a.GetName()), Ahead: ahead,
			Text: w.T("case.told-appointment", w.Clock(clock), w.Min(a.GetPlace().GetMinutes())), More: w.AppointmentState(a)})
	}
}

// inDay sorts what happened on one day: the second of the practice's day, as an
// appointment's time of day is.
func (w *words) inDay(t *timestamppb.Timestamp) int64 {
	at := t.AsTime().In(w.zone)
	return int64(at.Hour()*3600 + at.Minute()*60 + at.Second())
}

// byDay puts what was told under its days, in order, and says how long nothing
// happened between them.
func (q *ask) byDay(all []told) []storyDay {
	w := q.words
	slices.SortStableFunc(all, func(a, b told) int {
		if c := strings.Compare(w.ISODate(a.day), w.ISODate(b.day)); c != 0 {
			return c
		}
		return int(min(max(a.order-b.order, -1), 1))
	})
	var out []storyDay
	for _, t := range all {
		if t.day.GetDay() == 0 {
			continue
		}
		iso := w.ISODate(t.day)
		if n := len(out); n == 0 || w.ISODate(out[n-1].Date) != iso {
			day := storyDay{Date: t.day, Ahead: t.Ahead || iso > w.ISODate(w.Today())}
			if n > 0 {
				day.Gap = q.gap(w.daysBetween(out[n-1].Date, t.day))
			}
			if day.First = day.Ahead && (n == 0 || !out[n-1].Ahead); day.First {
				day.Gap = "" // today stands between them
			}
			out = append(out, day)
		}
		out[len(out)-1].Told = append(out[len(out)-1].Told, t)
	}
	return out
}

// gap says for how many days nothing happened, once that is worth a word.
func (q *ask) gap(days int) string {
	switch {
	case days < 14:
		return ""
	case days < 70:
		return q.t("case.gap-weeks", (days+3)/7)
	}
	return q.t("case.gap-months", (days+15)/30)
}
