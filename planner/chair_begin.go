package planner

import (
	"context"
	"encoding/json"
	"errors"

	"github.com/visitwright/visitwright/planner/chairside"
	"github.com/visitwright/visitwright/planner/visits"
	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// BeginVisit begins a visit, with identity and alerts confirmed.
func (s *ChairService) BeginVisit(ctx context.Context, r *vw.BeginVisitRequest) (*vw.ChairVisit, error) {
	caller, err := s.writer(ctx, r)
	if err != nil {
		return nil, err
	}
	id, err := caller.caseID("parent", r.GetParent())
	if err != nil {
		return nil, err
	}
	if !r.GetIdentityConfirmed() || !r.GetAlertsConfirmed() {
		return nil, fault.InvalidFields(vw.ErrorReason_ERROR_REASON_IDENTITY_NOT_CONFIRMED, "identity and alerts are confirmed before a visit begins", missingConfirmations(r)...)
	}
	rec, err := s.read(ctx, caller, id)
	if err != nil {
		return nil, err
	}
	if rec.kept.State == store.CaseClosed {
		return nil, fault.State(vw.ErrorReason_ERROR_REASON_CASE_CLOSED, r.GetParent(), "the case is closed: want an open case")
	}
	before, err := s.lastVisit(ctx, caller, id)
	if err != nil {
		return nil, err
	}
	if before != nil && before.state.Phase != chairside.Ended {
		if caller.RequestID != "" && before.kept.Marks[0].ID == derivedMarkID(caller.RequestID, "begin") { // this very call, sent again
			return s.show(ctx, caller, *before, rec)
		}
		return nil, fault.State(vw.ErrorReason_ERROR_REASON_VISIT_RUNNING, before.name(caller), "this visit has not ended: end it first")
	}
	wanted, planned, err := s.visitToBegin(ctx, caller, rec, before, r)
	if err != nil {
		return nil, err
	}
	begin := chairside.Mark{ID: derivedMarkID(caller.RequestID, "begin"), At: s.moment(r.GetBeginTime().AsTime()), Kind: chairside.Begin, Identity: true, Alerts: true}
	if r.GetBeginTime() == nil {
		begin.At = s.moment(s.now())
	}
	if err := s.notAhead(begin.At, "begin_time"); err != nil {
		return nil, err
	}
	if before != nil && begin.At.Before(before.state.Ended) {
		return nil, fault.Invalid(vw.ErrorReason_ERROR_REASON_MARK_DOES_NOT_FIT, "begin_time", "a time after the end of the visit before")
	}
	if wanted.Begin, err = keptMark(begin); err != nil {
		return nil, err
	}
	o := openVisit{of: planned, marks: []chairside.Mark{begin}}
	o.kept = store.ChairVisit{CaseID: id, Number: 1, Revision: wanted.Revision, Option: wanted.Option, Planned: wanted.Planned, Appointment: wanted.Appointment,
		Clinician: wanted.Clinician, Minutes: wanted.Minutes, Document: wanted.Document}
	if before != nil {
		o.kept.Number = before.kept.Number + 1
	}
	if !r.GetValidateOnly() {
		if o.kept, err = s.chair.BeginChairVisit(ctx, caller.Call, wanted); err != nil {
			return nil, s.chairFault(err, caller, id)
		}
	}
	if o, err = s.reopen(o); err != nil {
		return nil, err
	}
	return s.show(ctx, caller, o, rec)
}

func missingConfirmations(r *vw.BeginVisitRequest) []fault.Field {
	var out []fault.Field
	if !r.GetIdentityConfirmed() {
		out = append(out, fault.Field{Path: "identity_confirmed", Want: "a second identifier compared, and the tooth named in words"})
	}
	if !r.GetAlertsConfirmed() {
		out = append(out, fault.Field{Path: "alerts_confirmed", Want: "the alerts read out and confirmed"})
	}
	return out
}

// lastVisit is the newest visit of a case; nil before the first.
func (s *ChairService) lastVisit(ctx context.Context, caller Caller, caseID string) (*openVisit, error) {
	kept, err := s.chair.GetChairVisit(ctx, caller.Reading(), caseID, 0)
	if errors.Is(err, store.ErrNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	o, err := s.open(ctx, caller, kept)
	return &o, err
}

// lastOf is the newest visit of a case by one protocol; nil when there is none.
func (s *ChairService) lastOf(ctx context.Context, caller Caller, newest *openVisit, protocol string) (*openVisit, error) {
	for o := newest; ; {
		if o.plan.Model.Protocol == protocol {
			return o, nil
		}
		if o.kept.Number == 1 {
			return nil, nil
		}
		kept, err := s.chair.GetChairVisit(ctx, caller.Reading(), o.kept.CaseID, o.kept.Number-1)
		if err != nil {
			return nil, s.fault(err, caller, nil)
		}
		earlier, err := s.open(ctx, caller, kept)
		if err != nil {
			return nil, err
		}
		o = &earlier
	}
}

// visitToBegin works out which visit of which plan this is, and how the tooth
// stands before it.
func (s *ChairService) visitToBegin(ctx context.Context, caller Caller, rec record, before *openVisit, r *vw.BeginVisitRequest) (store.NewChairVisit, chairPlan, error) {
	out := store.NewChairVisit{CaseID: rec.kept.ID, Revision: rec.kept.Revision, Option: r.GetPart().GetOption(), Planned: int(r.GetPart().GetVisit()),
		Clinician: caller.Clinician, Minutes: int(r.GetAppointmentMinutes())}
	if out.Clinician == "" {
		out.Clinician = rec.kept.Clinician
	}
	if name := r.GetPart().GetPlan(); name != "" {
		n, err := caller.One(names.PlanPattern, "part.plan", name, vw.ErrorReason_ERROR_REASON_PLAN_NOT_FOUND)
		if err != nil {
			return out, chairPlan{}, err
		}
		if n.ID != rec.kept.ID {
			return out, chairPlan{}, fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_NAME, "part.plan", "a plan of the case in parent")
		}
		if n.Number != rec.kept.Revision {
			return out, chairPlan{}, superseded(name)
		}
	}
	if out.Revision == 0 {
		return out, chairPlan{}, fault.NotFound(vw.ErrorReason_ERROR_REASON_PLAN_NOT_FOUND, names.Case(caller.Practice, rec.kept.ID)+"/plans/1")
	}
	kept, err := s.revision(ctx, caller, rec.kept.ID, out.Revision)
	if err != nil {
		return out, chairPlan{}, err
	}
	message, err := s.readPlan(ctx, caller, kept, rec.kept.Revision)
	if err != nil {
		return out, chairPlan{}, err
	}
	if err := sameTooth(rec.kept, message.GetName(), message.GetTooth()); err != nil {
		return out, chairPlan{}, err
	}
	if out.Option == "" {
		out.Option = message.GetAccepted().GetOption()
	}
	if out.Option == "" {
		out.Option = message.GetRecommendedOption()
	}
	if err := mayBegin(message, out.Option); err != nil {
		return out, chairPlan{}, err
	}
	plan, err := s.planOf(ctx, caller, rec.kept.ID, out.Revision, out.Option)
	if err != nil {
		return out, plan, err
	}
	document := visitDocument{Begin: plan.plan.Model.Begin}
	next := 1
	if before != nil {
		// How the tooth stands is what the last visit of this protocol left: a visit
		// of another one, relief or a further dressing, has stages of its own.
		if before, err = s.lastOf(ctx, caller, before, plan.plan.Model.Protocol); err != nil {
			return out, plan, err
		}
	}
	if before != nil {
		document = visitDocument{Begin: before.state.State, Canals: before.state.Canals}
		if before.kept.Revision == out.Revision {
			next = before.kept.Planned + 1
		}
		if again := plan.plan.Model.Begin; message.GetCause() == causeWindowPassed && before.kept.Revision < out.Revision && again.Stage < document.Begin.Stage {
			// What was cleaned before the latest day passed no longer counts.
			document.Begin = visits.State{Stage: again.Stage, Found: document.Begin.Found}
		}
		if document.Begin.Stage >= len(plan.plan.Model.Stages) {
			return out, plan, fault.State(vw.ErrorReason_ERROR_REASON_NO_FEASIBLE_OPTION, before.name(caller), "the treatment is complete: want a plan for something that is left")
		}
	}
	if out.Planned == 0 {
		out.Planned = min(next, plan.plan.Model.Horizon)
	}
	if out.Planned > plan.plan.Model.Horizon {
		return out, plan, fault.NotFound(vw.ErrorReason_ERROR_REASON_VISIT_NOT_FOUND, message.GetName())
	}
	if out.Document, err = json.Marshal(document); err != nil {
		return out, plan, err
	}
	return out, plan, s.minutesOf(ctx, caller, &out, rec, message, r)
}

// mayBegin refuses at the chair what accepting would refuse: naming an option
// goes round no rule, and round no reason that a clinician owes.
func mayBegin(p *vw.Plan, option string) error {
	because := ""
	if option == p.GetAccepted().GetOption() || option == p.GetRecommendedOption() {
		because = "accepted, or recommended in spite of the rule"
	}
	err := acceptable(p, option, because)
	if f := (*fault.Fault)(nil); errors.As(err, &f) && f.Reason == vw.ErrorReason_ERROR_REASON_INVALID_FIELD {
		return fault.Invalid(f.Reason, "part.option", "an option that a clinician has accepted with the reason: a rule advises against this one")
	}
	return err
}

// minutesOf fills in how long the visit may take: what is said, the
// appointment's, or the plan's.
func (s *ChairService) minutesOf(ctx context.Context, caller Caller, out *store.NewChairVisit, rec record, message *vw.Plan, r *vw.BeginVisitRequest) error {
	if name := r.GetAppointment(); name != "" {
		n, err := caller.One(names.AppointmentPattern, "appointment", name, vw.ErrorReason_ERROR_REASON_APPOINTMENT_NOT_FOUND)
		if err != nil {
			return err
		}
		a, err := s.chair.GetAppointment(ctx, caller.Reading(), n.ID)
		if errors.Is(err, store.ErrNotFound) {
			return fault.NotFound(vw.ErrorReason_ERROR_REASON_APPOINTMENT_NOT_FOUND, name).Because(err)
		}
		if err != nil {
			return s.fault(err, caller, nil)
		}
		if a.PatientID != "" && a.PatientID != rec.kept.PatientID {
			return fault.State(vw.ErrorReason_ERROR_REASON_DIFFERENT_PATIENTS, name, "the appointment is another patient's")
		}
		out.Appointment = n.ID
		if out.Minutes == 0 {
			out.Minutes = int(a.End.Sub(a.Start).Minutes())
		}
	}
	if out.Minutes > 0 {
		return nil
	}
	for _, o := range message.GetOptions() {
		if o.GetId() != out.Option {
			continue
		}
		for _, v := range o.GetVisits() {
			if int(v.GetNumber()) == out.Planned {
				out.Minutes = int(v.GetAppointmentMinutes())
			}
		}
	}
	if out.Minutes == 0 {
		return fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_FIELD, "appointment_minutes", "the minutes that there are: the plan has no length for this visit")
	}
	return nil
}

// reopen reads a visit again from what it holds.
func (s *ChairService) reopen(o openVisit) (openVisit, error) {
	var document visitDocument
	if err := json.Unmarshal(o.kept.Document, &document); err != nil {
		return o, err
	}
	o.plan = o.of.visit(o.kept, document)
	if len(o.kept.Marks) > 0 {
		o.marks = nil
		for _, m := range o.kept.Marks {
			mark, err := markFromKept(m)
			if err != nil {
				return o, err
			}
			o.marks = append(o.marks, mark)
		}
	}
	var err error
	o.state, err = chairside.Read(o.plan, o.marks)
	return o, err
}

// chairFault says what stood in the way of a write to a visit.
func (s *ChairService) chairFault(err error, caller Caller, caseID string) error {
	var problem *store.Problem
	switch {
	case errors.Is(err, store.ErrStaleEtag):
		return fault.Stale(vw.ErrorReason_ERROR_REASON_CONCURRENT_CHANGE, names.Case(caller.Practice, caseID), "others wrote at the same time: try again").Because(err)
	case errors.Is(err, store.ErrWrongState) && errors.As(err, &problem) && problem.Field == "visit":
		return fault.State(vw.ErrorReason_ERROR_REASON_VISIT_RUNNING, names.Case(caller.Practice, caseID), "another visit of the case has not ended: end it first").Because(err)
	case errors.Is(err, store.ErrWrongState):
		return fault.State(vw.ErrorReason_ERROR_REASON_CASE_CLOSED, names.Case(caller.Practice, caseID), "the case is closed, or the visit is full").Because(err)
	case errors.Is(err, store.ErrRequestIDReused):
		return fault.Invalid(vw.ErrorReason_ERROR_REASON_REQUEST_ID_REUSED, "marks", "a new id for a new entry: this one stands for another").Because(err)
	}
	return s.fault(err, caller, fault.Paths{"clinician": "clinician", "appointment": "appointment"})
}
