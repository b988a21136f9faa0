package scheduler

import (
	"context"
	"slices"
	"strings"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	"github.com/visitwright/visitwright/proto/requests"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/scheduler/civil/holidays"
	"github.com/visitwright/visitwright/scheduler/diary"
	"github.com/visitwright/visitwright/store"
)

// GetHours reads the working hours of one owner, who may have none.
func (s *Diary) GetHours(ctx context.Context, r *vw.GetHoursRequest) (*vw.Hours, error) {
	caller, err := s.who(ctx)
	if err != nil {
		return nil, err
	}
	setup, err := s.store.ReadSetup(ctx, caller.Call)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	owner, err := ownerFromProto(caller, "owner", r.GetOwner(), setup)
	if err != nil {
		return nil, err
	}
	return hoursToProto(caller.Practice, hoursIn(setup, owner)), nil
}

// ListHours lists the hours of whoever has rules of their own, the practice
// first: a day of the diary is drawn from one read, not from one for each room.
func (s *Diary) ListHours(ctx context.Context, r *vw.ListHoursRequest) (*vw.ListHoursResponse, error) {
	caller, page, err := s.list(ctx, r)
	if err != nil {
		return nil, err
	}
	setup, err := s.store.ReadSetup(ctx, caller.Call)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	all := slices.DeleteFunc(slices.Clone(setup.Hours), func(h store.Hours) bool { return len(h.Rules) == 0 })
	slices.SortFunc(all, func(a, b store.Hours) int {
		return strings.Compare(refName(caller.Practice, a.Owner), refName(caller.Practice, b.Owner))
	})
	part, next, err := requests.Cut(page, all)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	out := &vw.ListHoursResponse{NextPageToken: s.pager.Token(r, next)}
	for _, h := range part {
		out.Hours = append(out.Hours, hoursToProto(caller.Practice, h))
	}
	return out, nil
}

func hoursIn(setup store.DiarySetup, owner store.ResourceRef) store.Hours {
	if i := slices.IndexFunc(setup.Hours, func(h store.Hours) bool { return h.Owner == owner }); i >= 0 {
		return setup.Hours[i]
	}
	return store.Hours{Owner: owner}
}

var hoursPaths = fault.Paths{"rules": "hours.rules", "etag": "hours.etag", "owner": "hours.owner"}

// SetHours replaces the hours of one owner and says which appointments no
// longer fit.
func (s *Diary) SetHours(ctx context.Context, r *vw.SetHoursRequest) (*vw.SetHoursResponse, error) {
	caller, err := s.writer(ctx, r)
	if err != nil {
		return nil, err
	}
	before, err := s.store.ReadSetup(ctx, caller.Reading())
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	next := store.Hours{Etag: r.GetHours().GetEtag()}
	if next.Owner, err = ownerFromProto(caller, "hours.owner", r.GetHours().GetOwner(), before); err != nil {
		return nil, err
	}
	if next.Rules, err = hoursFromProto(r.GetHours()); err != nil {
		return nil, err
	}
	kept := hoursIn(before, next.Owner)
	if r.GetValidateOnly() && kept.Etag != next.Etag {
		return nil, staleEtag(r.GetHours().GetOwner())
	}
	after := before
	after.Hours = append(slices.DeleteFunc(slices.Clone(before.Hours), func(h store.Hours) bool { return h.Owner == next.Owner }), next)
	broken, err := s.broken(ctx, caller, before, after)
	if err != nil {
		return nil, err
	}
	if !r.GetValidateOnly() {
		if next, err = s.store.PutHours(ctx, caller.Call, next); err != nil {
			return nil, s.fault(err, caller, hoursPaths)
		}
	}
	return &vw.SetHoursResponse{Hours: hoursToProto(caller.Practice, next), BrokenAppointments: broken}, nil
}

// broken lists the appointments of the year ahead that a change of the setup
// leaves without something that they hold.
func (s *Diary) broken(ctx context.Context, c Caller, before, after store.DiarySetup) ([]*vw.Appointment, error) {
	var practices [2]*diary.Practice
	for i, setup := range []store.DiarySetup{before, after} {
		w, err := s.workedOf(setup)
		if err != nil {
			return nil, err
		}
		if practices[i], err = s.practiceOf(setup, w); err != nil {
			return nil, err
		}
	}
	today := practices[0].Zone.Date(s.now())
	days := civil.DateRange{First: today, Last: today.AddDays(horizon - 1)}
	all, err := s.appointmentsIn(ctx, c, days, store.AppointmentQuery{}, practices[0].Zone)
	if err != nil {
		return nil, err
	}
	known := (&snapshot{setup: before}).known()
	byID := make(map[string]store.Appointment, len(all))
	var bookings []diary.Booking
	for _, a := range all {
		byID[a.ID] = a
		b := diary.Booking{ID: a.ID, Chair: civil.Interval{Start: a.Start, End: a.End}}
		for _, p := range a.Spans {
			if known[p.ResourceRef] {
				b.Holds = append(b.Holds, diary.Hold{Resource: diary.Ref{Kind: kindToDiary[p.Kind], ID: p.ID}, Time: civil.Interval{Start: p.Start, End: p.End}})
			}
		}
		bookings = append(bookings, b)
	}
	found, err := diary.BrokenBy(practices[0], practices[1], today, horizon, bookings)
	if err != nil {
		return nil, err
	}
	var out []*vw.Appointment
	seen := map[string]bool{}
	for _, b := range found {
		if !seen[b.Booking] {
			seen[b.Booking] = true
			out = append(out, appointmentToProto(c.Practice, byID[b.Booking]))
		}
	}
	return out, nil
}

// appointmentsIn reads every page of what holds its resources on some local
// days.
func (s *Diary) appointmentsIn(ctx context.Context, c Caller, days civil.DateRange, q store.AppointmentQuery, z *civil.Zone) ([]store.Appointment, error) {
	q.From, q.To = z.Day(days.First).Start, z.Day(days.Last).End
	return s.appointmentsBetween(ctx, c, q)
}

func (s *Diary) appointmentsBetween(ctx context.Context, c Caller, q store.AppointmentQuery) ([]store.Appointment, error) {
	var all []store.Appointment
	q.Page = store.Page{Size: store.MaxPageSize}
	for {
		part, next, err := s.store.ListAppointments(ctx, c.Reading(), q)
		if err != nil {
			return nil, s.fault(err, c, nil)
		}
		all = append(all, part...)
		if next == "" {
			return all, nil
		}
		q.Page.After = next
	}
}

var absencePaths = fault.Paths{"owner": "absence.owner", "from_day": "absence.first_date", "to_day": "absence.last_date", "to_min": "absence.end_time", "note": "absence.note"}

// CreateAbsence takes somebody or something out of the diary, or closes the
// practice, and says which appointments no longer fit.
func (s *Diary) CreateAbsence(ctx context.Context, r *vw.CreateAbsenceRequest) (*vw.CreateAbsenceResponse, error) {
	caller, err := s.writer(ctx, r)
	if err == nil {
		err = caller.Within("parent", r.GetParent())
	}
	if err != nil {
		return nil, err
	}
	before, err := s.store.ReadSetup(ctx, caller.Reading())
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	made, err := s.absenceFromProto(caller, r.GetAbsence(), before)
	if err != nil {
		return nil, err
	}
	after := before
	after.Absences = append(slices.Clone(before.Absences), made)
	broken, err := s.broken(ctx, caller, before, after)
	if err != nil {
		return nil, err
	}
	if !r.GetValidateOnly() {
		if made, err = s.store.PutAbsence(ctx, caller.Call, made); err != nil {
			return nil, s.fault(err, caller, absencePaths)
		}
	}
	return &vw.CreateAbsenceResponse{Absence: absenceToProto(caller.Practice, made), BrokenAppointments: broken}, nil
}

// ListAbsences lists absences and closures by their first day.
func (s *Diary) ListAbsences(ctx context.Context, r *vw.ListAbsencesRequest) (*vw.ListAbsencesResponse, error) {
	caller, page, err := s.list(ctx, r)
	if err != nil {
		return nil, err
	}
	setup, err := s.store.ReadSetup(ctx, caller.Call)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	all := setup.Absences
	if r.GetDays() != nil {
		days, err := rangeFromProto("days", r.GetDays(), 10*366)
		if err != nil {
			return nil, err
		}
		all = slices.DeleteFunc(slices.Clone(all), func(a store.Absence) bool { return a.ToDay < days.First.String() || a.FromDay > days.Last.String() })
	}
	part, next, err := requests.Cut(page, all)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	out := &vw.ListAbsencesResponse{NextPageToken: s.pager.Token(r, next)}
	for _, a := range part {
		out.Absences = append(out.Absences, absenceToProto(caller.Practice, a))
	}
	return out, nil
}

// DeleteAbsence takes an absence or a closure back.
func (s *Diary) DeleteAbsence(ctx context.Context, r *vw.DeleteAbsenceRequest) (*vw.DeleteAbsenceResponse, error) {
	caller, err := s.writer(ctx, r)
	if err != nil {
		return nil, err
	}
	n, err := caller.One(names.AbsencePattern, "name", r.GetName(), vw.ErrorReason_ERROR_REASON_ABSENCE_NOT_FOUND)
	if err != nil {
		return nil, err
	}
	if r.GetEtag() != "" || r.GetValidateOnly() {
		setup, err := s.store.ReadSetup(ctx, caller.Reading())
		if err != nil {
			return nil, s.fault(err, caller, nil)
		}
		i := slices.IndexFunc(setup.Absences, func(a store.Absence) bool { return a.ID == n.ID })
		if i < 0 && r.GetValidateOnly() {
			return nil, fault.NotFound(vw.ErrorReason_ERROR_REASON_ABSENCE_NOT_FOUND, r.GetName())
		}
		// One that is gone may have been deleted by the first try of this request:
		// the store knows.
		if i >= 0 && r.GetEtag() != "" && setup.Absences[i].Etag != r.GetEtag() {
			return nil, staleEtag(r.GetName())
		}
	}
	if r.GetValidateOnly() {
		return &vw.DeleteAbsenceResponse{}, nil
	}
	if err := s.store.DeleteAbsence(ctx, caller.Call, n.ID); err != nil {
		return nil, s.fault(err, caller, nil)
	}
	return &vw.DeleteAbsenceResponse{}, nil
}

// ListHolidays suggests the public holidays of the practice's region.
func (s *Diary) ListHolidays(ctx context.Context, r *vw.ListHolidaysRequest) (*vw.ListHolidaysResponse, error) {
	caller, page, err := s.list(ctx, r)
	if err != nil {
		return nil, err
	}
	setup, err := s.store.ReadSetup(ctx, caller.Call)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	settings, _, err := s.completed(setup.Practice)
	if err != nil {
		return nil, err
	}
	if settings.GetHolidayRegion() == "" {
		return &vw.ListHolidaysResponse{}, nil
	}
	all, err := holidays.Suggest(settings.GetHolidayRegion(), int(r.GetYear()))
	if err != nil {
		return nil, invalidField("year", "a year for which the holidays of "+settings.GetHolidayRegion()+" are known").Because(err)
	}
	closed := func(d civil.Date) bool {
		return slices.ContainsFunc(setup.Absences, func(a store.Absence) bool {
			return a.Owner == store.ResourceRef{} && slices.ContainsFunc(closures(a), func(c civil.Closure) bool { return c.Part == nil && c.Days.Holds(d) })
		})
	}
	part, next, err := requests.Cut(page, all)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	out := &vw.ListHolidaysResponse{NextPageToken: s.pager.Token(r, next)}
	for _, h := range part {
		out.Holidays = append(out.Holidays, &vw.Holiday{Date: dateToProto(h.Date), Title: h.Name, Closed: closed(h.Date)})
	}
	return out, nil
}
