package scheduler

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/visitwright/visitwright/planner/proposal"
	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	"github.com/visitwright/visitwright/proto/requests"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// mostListed is the longest run of days of one list.
const mostListed = 400

// GetAppointment reads one appointment.
func (s *Diary) GetAppointment(ctx context.Context, r *vw.GetAppointmentRequest) (*vw.Appointment, error) {
	caller, err := s.who(ctx)
	if err != nil {
		return nil, err
	}
	a, err := s.kept(ctx, caller, "name", r.GetName())
	if err != nil {
		return nil, err
	}
	return appointmentToProto(caller.Practice, a), nil
}

// ListAppointments lists the appointments of some days by their start.
func (s *Diary) ListAppointments(ctx context.Context, r *vw.ListAppointmentsRequest) (*vw.ListAppointmentsResponse, error) {
	caller, page, err := s.list(ctx, r)
	if err != nil {
		return nil, err
	}
	days, err := rangeFromProto("days", r.GetDays(), mostListed-1)
	if err != nil {
		return nil, err
	}
	x, err := s.current(ctx, caller)
	if err != nil {
		return nil, err
	}
	q := store.AppointmentQuery{From: x.zone().Day(days.First).Start, To: x.zone().Day(days.Last).End, All: r.GetAllStates(), Page: page}
	if r.GetPatient() != "" {
		if q.PatientID, err = caller.patient("patient", r.GetPatient()); err != nil {
			return nil, err
		}
	}
	if r.GetCase() != "" {
		n, err := caller.One(names.CasePattern, "case", r.GetCase(), vw.ErrorReason_ERROR_REASON_CASE_NOT_FOUND)
		if err != nil {
			return nil, err
		}
		q.CaseID = n.ID
	}
	if r.GetResource() != "" {
		if q.Resource, err = s.ownerNow(ctx, caller, "resource", r.GetResource()); err != nil {
			return nil, err
		}
	}
	all, next, err := s.store.ListAppointments(ctx, caller.Call, q)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	out := &vw.ListAppointmentsResponse{NextPageToken: s.pager.Token(r, next)}
	for _, a := range all {
		if r.GetConflictsOnly() && len(a.Conflicts) == 0 || !matches(a, q) {
			continue
		}
		out.Appointments = append(out.Appointments, appointmentToProto(caller.Practice, a))
	}
	return out, nil
}

// matches applies what the store did not: it narrows by one of case, patient
// and resource.
func matches(a store.Appointment, q store.AppointmentQuery) bool {
	if q.PatientID != "" && a.PatientID != q.PatientID {
		return false
	}
	if q.CaseID != "" && !slices.ContainsFunc(a.Cases, func(v store.VisitOf) bool { return v.CaseID == q.CaseID }) {
		return false
	}
	return q.Resource == store.ResourceRef{} || slices.ContainsFunc(a.Spans, func(p store.Span) bool { return p.ResourceRef == q.Resource })
}

// ownerNow finds a clinician or a resource in the setup that is at hand, else in
// a fresh one: it may just have been made.
func (s *Diary) ownerNow(ctx context.Context, c Caller, field, name string) (store.ResourceRef, error) {
	x, err := s.lately(ctx, c.Reading())
	if err != nil {
		return store.ResourceRef{}, s.fault(err, c, nil)
	}
	ref, err := ownerFromProto(c, field, name, x.setup)
	if err == nil && ref != (store.ResourceRef{}) {
		return ref, nil
	}
	if x, err = s.snapshot(ctx, c.Reading()); err != nil {
		return store.ResourceRef{}, s.fault(err, c, nil)
	}
	ref, err = ownerFromProto(c, field, name, x.setup)
	if err == nil && ref == (store.ResourceRef{}) {
		err = invalidField(field, "a clinician or a resource")
	}
	return ref, err
}

// CancelAppointment cancels an appointment.
func (s *Diary) CancelAppointment(ctx context.Context, r *vw.CancelAppointmentRequest) (*vw.Appointment, error) {
	if !s.figures.knows("change-reasons", r.GetReason()) {
		return nil, unknownID("reason", "change-reasons")
	}
	return s.change(ctx, r, r.GetName(), store.StateChange{Etag: r.GetEtag(), To: store.StateCancelled, Reason: r.GetReason()}, r.GetValidateOnly())
}

// steps says from which states each step may be taken.
var steps = map[store.AppointmentState][]store.AppointmentState{
	store.StateCancelled:    {store.StateProvisional, store.StateBooked, store.StateArrived},
	store.StateArrived:      {store.StateBooked, store.StateDidNotAttend, store.StateInChair},
	store.StateInChair:      {store.StateBooked, store.StateArrived, store.StateLeft},
	store.StateLeft:         {store.StateArrived, store.StateInChair},
	store.StateDidNotAttend: {store.StateBooked},
	// Confirming is another call: this takes a mark back.
	store.StateBooked: {store.StateDidNotAttend, store.StateArrived},
}

// change takes one appointment to its next state.
func (s *Diary) change(ctx context.Context, r requests.Writing, name string, change store.StateChange, preview bool) (*vw.Appointment, error) {
	caller, err := s.writer(ctx, r)
	if err != nil {
		return nil, err
	}
	was, err := s.kept(ctx, caller, "name", name)
	if err != nil {
		return nil, err
	}
	// A repeated request finds the change made; the store gives its answer again.
	repeated := caller.RequestID != "" && was.Etag != change.Etag
	if !repeated {
		if err := step(was, name, change.To); err != nil {
			return nil, err
		}
	}
	if preview {
		if was.Etag != change.Etag {
			return nil, staleEtag(name)
		}
		was.State = change.To
		was.LateMinutes = max(was.LateMinutes, change.LateMinutes)
		return appointmentToProto(caller.Practice, was), nil
	}
	change.ID = was.ID
	a, err := s.store.ChangeAppointment(ctx, caller.Call, change)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	return appointmentToProto(caller.Practice, a), nil
}

func step(a store.Appointment, name string, to store.AppointmentState) error {
	if slices.Contains(steps[to], a.State) {
		return nil
	}
	switch {
	case a.State == store.StateExpired:
		return fault.State(vw.ErrorReason_ERROR_REASON_PROVISIONAL_EXPIRED, name, "the provisional booking has run out: look for places anew")
	case ended(a.State):
		return fault.State(vw.ErrorReason_ERROR_REASON_BOOKING_ENDED, name, "the appointment was cancelled or has taken place")
	case a.State == store.StateProvisional:
		return fault.State(vw.ErrorReason_ERROR_REASON_WRONG_BOOKING_STATE, name, "the booking is only provisional: confirm it first")
	}
	return fault.State(vw.ErrorReason_ERROR_REASON_WRONG_BOOKING_STATE, name, fmt.Sprintf("an appointment that is noted as %s cannot be noted as %s next", spoken(a.State), spoken(to)))
}

// spoken is a state as it is said.
func spoken(s store.AppointmentState) string { return strings.ReplaceAll(string(s), "_", " ") }

// RecordAttendance records that the patient arrived, sat down, left or did not
// attend. Minutes lost are answered with what is left.
func (s *Diary) RecordAttendance(ctx context.Context, r *vw.RecordAttendanceRequest) (*vw.Appointment, error) {
	to := stateFromProto(r.GetState())
	if r.GetLateMinutes() > 0 && to != store.StateArrived && to != store.StateInChair {
		return nil, invalidField("late_minutes", "0, except when the patient arrived or sat down")
	}
	out, err := s.change(ctx, r, r.GetName(), store.StateChange{Etag: r.GetEtag(), To: to, LateMinutes: int(r.GetLateMinutes())}, r.GetValidateOnly())
	if err != nil || r.GetLateMinutes() == 0 {
		return out, err
	}
	caller, err := s.who(ctx)
	if err != nil {
		return nil, err
	}
	out.LateOutlook, err = s.outlook(ctx, caller, out)
	return out, err
}

// replanBelow asks for a new plan of the visit when it is less likely than this
// to end within the minutes that are left.
const replanBelow = 0.5

// outlook says what is left of a visit after minutes were lost. It speaks of
// minutes alone: whether the canals may be filled is decided in the chair.
func (s *Diary) outlook(ctx context.Context, c Caller, a *vw.Appointment) (*vw.LateOutlook, error) {
	out := &vw.LateOutlook{MinutesLeft: max(0, a.GetPlace().GetMinutes()-a.GetLateMinutes())}
	sum := []float64{1}
	joint, ok, err := s.together(ctx, a.GetParts())
	if err != nil {
		return nil, err
	}
	parts := a.GetParts()
	if ok {
		sum, parts = fromZero(joint.GetChairMinutes()), nil
	}
	for _, p := range parts {
		n, err := c.One(names.PlanPattern, "plan", p.GetPlan(), vw.ErrorReason_ERROR_REASON_PLAN_NOT_FOUND)
		if err != nil {
			return nil, err
		}
		plan, _, err := s.planned(ctx, c, n.ID, n.Number)
		if err != nil {
			return nil, err
		}
		sum = convolve(sum, plan.chair[chairKey(p.GetOption(), int(p.GetVisit()))])
	}
	left := plural(int(out.MinutesLeft), "minute") + " are left"
	if out.MinutesLeft == 1 {
		left = "1 minute is left"
	}
	if len(a.GetParts()) == 0 || len(sum) == 0 {
		out.Replan = true
		out.Text = left + "; no plan tells how long the visit takes: the clinician decides"
		return out, nil
	}
	p := 0.0
	for minute, chance := range sum {
		if minute <= int(out.MinutesLeft) {
			p += chance
		}
	}
	p = min(p, 1)
	out.OnTime = &vw.Odds{Probability: p, Words: proposal.OddsOf(p, "finish on time").Words}
	out.Replan = p < replanBelow
	out.Text = left + ": " + out.OnTime.Words
	if out.Replan {
		out.Text += ". Ask the clinician to plan the visit anew for the time that is left"
	}
	return out, nil
}

// convolve is the law of the sum of two durations; nothing when one is unknown.
func convolve(a, b []float64) []float64 {
	if len(a) == 0 || len(b) == 0 {
		return nil
	}
	out := make([]float64, len(a)+len(b)-1)
	for i, p := range a {
		for j, q := range b {
			out[i+j] += p * q
		}
	}
	return out
}
