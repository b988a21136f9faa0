package planner

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"github.com/visitwright/visitwright/planner/calibration"
	"github.com/visitwright/visitwright/planner/chairside"
	"github.com/visitwright/visitwright/planner/proposal"
	"github.com/visitwright/visitwright/planner/visits"
	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/store"
)

// Why a plan was made anew, by catalogue id (catalogue "plan-causes").
const (
	causeChairEvent = "chair-event"
	causeVisitEnded = "visit-ended"
)

// ReplanVisit plans the rest of the treatment from the tooth as it stands.
func (s *ChairService) ReplanVisit(ctx context.Context, r *vw.ReplanVisitRequest) (*vw.ReplanVisitResponse, error) {
	caller, err := s.writer(ctx, r)
	if err != nil {
		return nil, err
	}
	if err := caller.mayOnlyPreview(r.GetValidateOnly(), "a plan", store.RoleClinician, store.RoleNurse); err != nil {
		return nil, err
	}
	o, err := s.visit(ctx, caller, r.GetName())
	if err != nil {
		return nil, err
	}
	rec, err := s.read(ctx, caller, o.kept.CaseID)
	if err != nil {
		return nil, err
	}
	if rec.kept.State == store.CaseClosed {
		return nil, fault.State(vw.ErrorReason_ERROR_REASON_CASE_CLOSED, names.Case(caller.Practice, rec.kept.ID), "the case is closed: want an open case")
	}
	state, closing, cause, err := s.replanFrom(o, r.GetStop())
	if err != nil {
		return nil, err
	}
	out := &vw.ReplanVisitResponse{}
	if out.ReturnWindow, err = s.windowOf(caller, o, rec); err != nil {
		return nil, err
	}
	if state.Stage >= len(o.plan.Model.Stages) {
		out.Complete = true
		out.Differences = []string{"The treatment is complete: no further visit of it is needed."}
		out.Bookings, err = s.effects(ctx, caller, o, rec, nil, nil)
		return out, err
	}
	in, err := s.inputFrom(caller, o, rec, state, closing)
	if err != nil {
		return nil, err
	}
	if err := s.paceInto(ctx, caller, o, &in); err != nil {
		return nil, err
	}
	plan, err := compute(ctx, s.computing, func() (proposal.Plan, error) { return proposal.Propose(in) })
	if err != nil {
		return nil, s.fault(err, caller, closingPaths)
	}
	message, err := s.describe(caller, rec, o.of.message.GetAssessment(), plan)
	if err != nil {
		return nil, err
	}
	message.Cause, message.Pace = cause, paceToProto(in.Pace)
	if err := s.keepReplan(ctx, caller, r, rec, plan, message); err != nil {
		return nil, err
	}
	out.Differences = s.replanDifferences(o, in, plan)
	option, _ := plan.Option(plan.Recommended)
	if out.Bookings, err = s.effects(ctx, caller, o, rec, &option, message); err != nil {
		return nil, err
	}
	out.Plan = inView(message, vw.PlanView_PLAN_VIEW_BASIC)
	return out, nil
}

// keepReplan keeps the new revision, unless it is a preview.
func (s *ChairService) keepReplan(ctx context.Context, caller Caller, r *vw.ReplanVisitRequest, rec record, plan proposal.Plan, message *vw.Plan) error {
	if r.GetValidateOnly() {
		message.State = vw.Plan_STATE_PREVIEW
		return nil
	}
	document, err := proto.MarshalOptions{Deterministic: true}.Marshal(message)
	if err != nil {
		return err
	}
	kept, err := s.store.SavePlanRevision(ctx, caller.Call, store.NewPlanRevision{
		CaseID: rec.kept.ID, Base: rec.kept.Revision, AssessmentVersion: int(message.GetAssessment().GetVersion()), Cause: message.GetCause(), Recommended: plan.Recommended,
		ModelVersion: plan.Versions.Model, DataVersion: plan.Versions.Data, CalibrationVersion: plan.Versions.Calibration, Document: document, Visits: plannedVisits(plan),
	})
	switch {
	case errors.Is(err, store.ErrStaleEtag):
		return fault.Stale(vw.ErrorReason_ERROR_REASON_CONCURRENT_CHANGE, names.Case(caller.Practice, rec.kept.ID), "another plan was made meanwhile: read it first").Because(err)
	case err != nil:
		return s.fault(err, caller, nil)
	case kept.Revision <= rec.kept.Revision: // a repeated request: the first answer
		first, err := s.plan(ctx, caller, rec.kept.ID, kept.Revision, vw.PlanView_PLAN_VIEW_FULL)
		if err != nil {
			return err
		}
		proto.Reset(message)
		proto.Merge(message, first)
		return nil
	}
	nameRevision(message, caller.Practice, kept, kept.Revision)
	return nil
}

// replanFrom is the state from which the rest is planned.
func (s *ChairService) replanFrom(o openVisit, stop string) (visits.State, *chairside.Closing, string, error) {
	if o.state.Phase == chairside.Ended {
		state := o.state.State
		state.Found = located(o)
		if state.Stage == 0 {
			state.Found = 0
		}
		return state, o.state.Closing, causeVisitEnded, nil
	}
	state := o.state.State
	if stop != "" {
		at := slices.IndexFunc(o.plan.Model.Stops, func(x visits.Stop) bool { return x.ID == stop })
		if at < 0 {
			return state, nil, "", unknownID("stop", "stops")
		}
		if at < state.Stage {
			return state, nil, "", fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_FIELD, "stop", "a stopping point that can still be reached")
		}
		state.Stage, state.Canal = at, 0
	}
	state.Found = located(o)
	if state.Stage == 0 {
		state.Found = 0
	}
	return state, nil, causeChairEvent, nil
}

func located(o openVisit) int { return len(o.plan.LocatedCanals(o.state)) }

// paceInto adds what logged visits say about minutes: those of this tooth and
// of others like it.
func (s *ChairService) paceInto(ctx context.Context, caller Caller, o openVisit, in *proposal.Input) error {
	var err error
	if in.Pace, err = s.paceOf(ctx, caller, in.Protocol, classOf(o), o.kept.Clinician, o.kept.CaseID); err != nil {
		return err
	}
	return s.casePace(ctx, caller, o, in)
}

// casePace adds what the visits of this tooth say about its own factor. The
// running visit counts too, as far as its pieces are done.
func (s *ChairService) casePace(ctx context.Context, caller Caller, o openVisit, in *proposal.Input) error {
	listed, _, err := s.chair.ListChairVisits(ctx, caller.Reading(), o.kept.CaseID, store.Page{})
	if err != nil {
		return s.fault(err, caller, nil)
	}
	var log []calibration.Visit
	for _, kept := range listed {
		v, err := s.open(ctx, caller, kept)
		if err != nil {
			return err
		}
		if seen, ok := s.observed(v); ok {
			// Against the plan with the pace of clinician and practice, not of the tooth.
			for i := range seen.Finished {
				seen.Finished[i].LogRatio -= in.Pace.LogApplied()
			}
			log = append(log, seen)
		}
	}
	if len(log) == 0 {
		return nil
	}
	shipped := visits.Factor{}
	if f, ok := s.shipped.Figure("factors.spread.case_log_sd"); ok {
		shipped.CaseLogSD = f.Value
	}
	if f, ok := s.shipped.Figure("factors.spread.visit_log_sd"); ok {
		shipped.VisitLogSD = f.Value
	}
	if in.Pace.Visits > 0 && in.Pace.Spread > 0 {
		share := in.Pace.Spread / math.Hypot(shipped.CaseLogSD, shipped.VisitLogSD)
		shipped.CaseLogSD, shipped.VisitLogSD = shipped.CaseLogSD*share, shipped.VisitLogSD*share
	}
	in.Pace.CaseLogSpeed, in.Pace.CaseLogSD = chairside.CasePace(log, shipped)
	in.Pace.CaseVisits = len(log)
	return nil
}

// replanDifferences spells out what changed, with its reason.
func (s *ChairService) replanDifferences(o openVisit, in proposal.Input, plan proposal.Plan) []string {
	var lines []string
	because := s.becauseOf(o, in)
	after, ok := plan.Option(plan.Recommended)
	if !ok {
		return []string{"Nothing can be planned: " + plan.Recommendation}
	}
	before := o.of.optionMessage(o.kept.Option)
	number := o.kept.Number
	done := o.kept.Planned
	for i, v := range after.Visits {
		if i > 0 && v.Needed.P < worthTelling {
			break
		}
		was := plannedMinutes(before, done+1+i)
		what := fmt.Sprintf("Visit %d", number+1+i)
		if v.Needed.P < 0.995 {
			what += " (" + strings.TrimSuffix(v.Needed.Words, " need this visit") + " need it)"
		}
		switch {
		case was == 0:
			lines = append(lines, fmt.Sprintf("%s: %d minutes, which the plan before did not have, because %s.", what, v.Length, because))
		case was != v.Length:
			lines = append(lines, fmt.Sprintf("%s: from %d to %d minutes, because %s.", what, was, v.Length, because))
		default:
			lines = append(lines, fmt.Sprintf("%s: stays at %d minutes.", what, was))
		}
	}
	for i := len(after.Visits); ; i++ {
		was := plannedMinutes(before, done+1+i)
		if was == 0 {
			break
		}
		lines = append(lines, fmt.Sprintf("Visit %d of %d minutes: no longer planned.", number+1+i, was))
	}
	if w := after.Visits[0].Window; w != nil && w.Needed {
		lines = append(lines, fmt.Sprintf("Return after %d to %d days, best after %d: from what was placed.", w.Earliest, w.Latest, w.Target))
	}
	return lines
}

// worthTelling is the chance from which a visit in case is told of. It is a
// matter of layout.
const worthTelling = 0.1

func (p chairPlan) optionMessage(id string) *vw.TreatmentOption {
	for _, o := range p.message.GetOptions() {
		if o.GetId() == id {
			return o
		}
	}
	return nil
}

func plannedMinutes(o *vw.TreatmentOption, number int) int {
	for _, v := range o.GetVisits() {
		if int(v.GetNumber()) == number && v.GetNeeded().GetProbability() >= worthTelling {
			return int(v.GetAppointmentMinutes())
		}
	}
	return 0
}

// becauseOf is why the rest differs from what was planned.
func (s *ChairService) becauseOf(o openVisit, in proposal.Input) string {
	var parts []string
	for _, m := range o.state.Events {
		if e, err := chairside.FindEvent(m.Event); err == nil {
			parts = append(parts, eventWords(e, m))
		}
	}
	for _, c := range o.state.Canals {
		if c.State == chairside.GivenUp {
			parts = append(parts, c.Name+" was given up")
		}
	}
	if f := math.Exp(in.Pace.CaseLogSpeed); in.Pace.CaseVisits > 0 && math.Abs(f-1) >= 0.05 {
		word := "slower"
		if f < 1 {
			word, f = "quicker", 2-f
		}
		parts = append(parts, fmt.Sprintf("the work on this tooth went about %.0f %% %s than planned", (f-1)*100, word))
	}
	if len(parts) == 0 {
		stage := o.state.State.Stage
		if stage < len(o.plan.Model.Stages) {
			return "the tooth was left with " + o.of.title(o.plan.Model.Stages[stage].ID) + " still to do"
		}
		return "what was done is known now"
	}
	return strings.Join(parts, "; ")
}

// bookingsOf are the appointments of a case after an instant, by their start.
func (s *ChairService) bookingsOf(ctx context.Context, caller Caller, caseID string, after time.Time, all bool) ([]store.Appointment, error) {
	q := store.AppointmentQuery{CaseID: caseID, From: after, To: after.Add(400 * 24 * time.Hour), All: all, Page: store.Page{Size: store.MaxPageSize}}
	listed, _, err := s.chair.ListAppointments(ctx, caller.Reading(), q)
	return listed, s.fault(err, caller, nil)
}

// effects says what the new plan does to what is booked. A nil option means
// that nothing is left to do.
func (s *ChairService) effects(ctx context.Context, caller Caller, o openVisit, rec record, option *proposal.Option, message *vw.Plan) ([]*vw.BookingEffect, error) {
	from := o.state.Last
	listed, err := s.bookingsOf(ctx, caller, o.kept.CaseID, from, false)
	if err != nil {
		return nil, err
	}
	zone, err := civil.Embedded().Zone(rec.settings.GetZone())
	if err != nil {
		return nil, err
	}
	var out []*vw.BookingEffect
	i := 0
	for _, a := range listed {
		if a.ID == o.kept.Appointment || a.Start.Before(from) || (a.State != store.StateBooked && a.State != store.StateProvisional) {
			continue
		}
		e := &vw.BookingEffect{Appointment: names.Appointment(caller.Practice, a.ID), BookedMinutes: int32(a.End.Sub(a.Start).Minutes())}
		when := a.Start.In(zone.Location()).Format("2006-01-02 15:04")
		if option == nil || i >= len(option.Visits) || (i > 0 && option.Visits[i].Needed.P < worthTelling) {
			e.Effect, e.Text = vw.BookingEffect_EFFECT_NOT_NEEDED, when+": no longer needed. Cancel it, or keep it for the restoration."
			out = append(out, e)
			continue
		}
		v := option.Visits[i]
		e.NeededMinutes = int32(v.Length)
		e.Part = &vw.VisitPart{Plan: message.GetName(), Option: option.ID, Visit: int32(v.Number)}
		i++
		days := zone.Date(a.Start).DaysSince(zone.Date(from))
		switch {
		case v.Number == 1 && v.Window != nil && v.Window.Needed && !v.Window.Contains(days):
			e.Effect = vw.BookingEffect_EFFECT_OUTSIDE_WINDOW
			e.Text = fmt.Sprintf("%s: day %d lies outside the window of %d to %d days. Find another place.", when, days, v.Window.Earliest, v.Window.Latest)
		case e.BookedMinutes < e.NeededMinutes:
			e.Effect = vw.BookingEffect_EFFECT_TOO_SHORT
			e.Text = fmt.Sprintf("%s: %d minutes are booked and %d are needed. Lengthen it or find another place.", when, e.BookedMinutes, e.NeededMinutes)
		default:
			e.Effect = vw.BookingEffect_EFFECT_ENOUGH
			e.Text = fmt.Sprintf("%s: %d minutes are enough (%d needed).", when, e.BookedMinutes, e.NeededMinutes)
		}
		out = append(out, e)
	}
	return out, nil
}
