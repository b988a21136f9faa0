package planner

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"slices"
	"time"

	"github.com/visitwright/visitwright/planner/calibration"
	"github.com/visitwright/visitwright/planner/chairside"
	"github.com/visitwright/visitwright/planner/proposal"
	"github.com/visitwright/visitwright/planner/visits"
	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// EndVisit ends a visit with what was placed.
func (s *ChairService) EndVisit(ctx context.Context, r *vw.EndVisitRequest) (*vw.ChairVisit, error) {
	caller, err := s.writer(ctx, r)
	if err != nil {
		return nil, err
	}
	closing, err := s.closingFromProto(r.GetClosing(), "closing")
	if err != nil {
		return nil, err
	}
	end := chairside.Mark{ID: derivedMarkID(caller.RequestID, "end"), Kind: chairside.End, Closing: &closing, At: s.moment(time.Time{})}
	if r.GetEndTime() != nil {
		end.At = s.moment(r.GetEndTime().AsTime())
	}
	if err := s.notAhead(end.At, "end_time"); err != nil {
		return nil, err
	}
	o, rec, err := s.end(ctx, caller, r.GetName(), []chairside.Mark{end}, r.GetValidateOnly(), nil)
	if err != nil {
		return nil, err
	}
	return s.show(ctx, caller, o, rec)
}

// end keeps the marks that end a visit, with what follows for the case.
func (s *ChairService) end(ctx context.Context, caller Caller, name string, marks []chairside.Mark, preview bool, more func(*store.NewChairMarks)) (openVisit, record, error) {
	for try := 0; ; try++ {
		o, err := s.visit(ctx, caller, name)
		if err != nil {
			return o, record{}, err
		}
		rec, err := s.read(ctx, caller, o.kept.CaseID)
		if err != nil {
			return o, rec, err
		}
		if len(o.unknownMarks(marks)) == 0 { // this very call, sent again
			return o, rec, nil
		}
		next, err := s.fold(o, marks, "closing")
		if err != nil {
			return o, rec, err
		}
		// A closing without a window would be no closing: it is worked out first.
		if _, err := s.windowOf(caller, next, rec); err != nil {
			return o, rec, err
		}
		leftAs(marks, s.stopOf(next, next.state.State), next.state.EndsCase)
		if preview {
			return next, rec, nil
		}
		var state store.CaseState
		if next.state.State.Stage >= len(next.plan.Model.Stages) && rec.kept.State != store.CaseClosed && s.treats(next) {
			state = store.CaseFilled
		}
		kept, err := keptMarks(marks)
		if err != nil {
			return o, rec, err
		}
		add := store.NewChairMarks{CaseID: o.kept.CaseID, Visit: o.kept.Number, Base: len(o.kept.Marks), Marks: kept, CaseState: state, Observation: s.observation(next)}
		if more != nil {
			more(&add)
		}
		_, err = s.chair.AddChairMarks(ctx, caller.Call, add)
		if errors.Is(err, store.ErrStaleEtag) && try < chairTries {
			continue
		}
		if err != nil {
			return o, rec, s.chairFault(err, caller, o.kept.CaseID)
		}
		s.solvers.forget(o.key(caller)) // an ended visit asks nothing more
		if next, err = s.visit(ctx, caller, name); err != nil {
			return o, rec, err
		}
		rec, err = s.read(ctx, caller, o.kept.CaseID)
		return next, rec, err
	}
}

// leftAs writes into the mark that ends a visit how it leaves the tooth, so that
// nobody has to guess it from the dressing.
func leftAs(marks []chairside.Mark, stop, ends string) {
	for i := range marks {
		if marks[i].Kind == chairside.End && marks[i].Closing != nil {
			marks[i].Closing.Stop, marks[i].Closing.Ends = stop, cmp.Or(marks[i].Closing.Ends, ends)
		}
	}
}

// treats reports whether the visit's protocol treats the tooth to its end. One
// that is a single visit between (relief, a further dressing, an investigation)
// leaves the treatment still to be done.
func (s *ChairService) treats(o openVisit) bool {
	p, err := s.shipped.Protocol(o.plan.Model.Protocol)
	return err == nil && p.Kind == "treatment"
}

// windowOf is the return window after an ended visit, from what was really
// placed; nil when no clock runs.
func (s *ChairService) windowOf(caller Caller, o openVisit, rec record) (*vw.ReturnWindow, error) {
	if o.state.Phase != chairside.Ended {
		return nil, nil
	}
	in, err := s.inputFrom(caller, o, rec, o.state.State, o.state.Closing)
	if err != nil {
		return nil, err
	}
	w, err := proposal.Placed(in)
	if err != nil {
		return nil, s.fault(err, caller, closingPaths)
	}
	return windowToProto(&w, "visit-"+whole(int32(o.kept.Number)), in.From.Stop), nil
}

var closingPaths = fault.Paths{"medicament": "closing.medicament", "temporary": "closing.temporary", "seal_mm": "closing.seal_mm"}

// inputFrom is what the rest of the treatment is planned from. A nil closing
// stands for what the practice usually places.
func (s *ChairService) inputFrom(caller Caller, o openVisit, rec record, state visits.State, closing *chairside.Closing) (proposal.Input, error) {
	in, err := s.input(caller, rec, o.of.message.GetAssessment().GetFindings())
	if err != nil {
		return in, s.fault(err, caller, inputPaths)
	}
	in.Protocol = o.of.message.GetProtocol()
	in.ExpectedCanals = o.plan.Model.Canals.Expected
	v := o.state
	in.From = &proposal.From{State: state, Stop: s.stopOf(o, state)}
	in.From.Canals = canalWork(v, o.plan)
	in.From.Symptoms = v.Answers.Quiet == chairside.No || slices.ContainsFunc(v.Events, func(m chairside.Mark) bool { return m.Event == "pain-or-swelling" })
	if closing == nil {
		usual, err := s.usualClosing(o, rec)
		if err != nil {
			return in, err
		}
		closing = &usual
	}
	in.From.Medicament, in.From.Temporary, in.From.SealMM = closing.Medicament, closing.Temporary, closing.SealMM
	return in, nil
}

// stopOf is the catalogue's state of the tooth: part of the canals of a stage
// done is another state than none.
func (s *ChairService) stopOf(o openVisit, state visits.State) string {
	id := o.plan.Model.Stops[min(state.Stage, len(o.plan.Model.Stops)-1)].ID
	stop, err := s.shipped.Stop(id)
	if err == nil && stop.Partly != "" && (state.Canal > 0 || partlyWorked(o, state)) {
		return stop.Partly
	}
	return id
}

// partlyWorked: canals were entered in the stage that is not done.
func partlyWorked(o openVisit, state visits.State) bool {
	if state.Stage >= len(o.plan.Model.Stages) {
		return false
	}
	id := o.plan.Model.Stages[state.Stage].ID
	return slices.ContainsFunc(o.state.Work, func(w chairside.Work) bool { return w.Stage == id && w.Canal != "" })
}

// canalWork is what is left to do on canals that take less than usual.
func canalWork(v chairside.Visit, p chairside.Plan) []proposal.CanalWork {
	var out []proposal.CanalWork
	for rank, c := range p.LocatedCanals(v) {
		switch {
		case c.State == chairside.GivenUp:
			out = append(out, proposal.CanalWork{Rank: rank})
		case c.Joins != "":
			share, steps := chairside.JoinShare(c.Third)
			out = append(out, proposal.CanalWork{Rank: rank, Share: share, Steps: steps})
		}
	}
	return out
}

// observation is what an ended visit says about speed; nil when it says
// nothing.
func (s *ChairService) observation(o openVisit) *store.Observation {
	v, ok := s.observed(o)
	if !ok {
		return nil
	}
	document, err := json.Marshal(v)
	if err != nil {
		return nil
	}
	return &store.Observation{CaseID: o.kept.CaseID, Visit: o.kept.Number, Protocol: o.plan.Model.Protocol, ToothClass: classOf(o),
		Clinician: o.kept.Clinician, End: o.state.Ended, Document: string(document)}
}

func (s *ChairService) observed(o openVisit) (calibration.Visit, bool) {
	who := o.kept.Clinician
	if who == "" {
		who = nobody
	}
	return o.plan.Observe(o.state, who, o.of.applied)
}

// nobody stands for a clinician who was not named: the visit counts for the
// practice.
const nobody = "-"

func classOf(o openVisit) string {
	if !o.of.tooth.Valid() {
		return ""
	}
	return string(o.of.tooth.Class())
}

// StopTreatment stops the treatment in one action: relief and seal, bookings
// cancelled, report.
func (s *ChairService) StopTreatment(ctx context.Context, r *vw.StopTreatmentRequest) (*vw.StopTreatmentResponse, error) {
	caller, err := s.writer(ctx, r)
	if err != nil {
		return nil, err
	}
	event, err := chairside.FindEvent(r.GetEvent())
	if err != nil {
		return nil, unknownID("event", "chair-events").Because(err)
	}
	if event.NeedsCanal || event.NeedsThird || event.CanalEffect == chairside.EffectLocated {
		return nil, fault.Invalid(vw.ErrorReason_ERROR_REASON_MARK_DOES_NOT_FIT, "event", "an event about the whole tooth or the patient, for example not-restorable or crack-or-root-fracture")
	}
	closing, err := s.closingFromProto(r.GetClosing(), "closing")
	if err != nil {
		return nil, err
	}
	if closing.Forced == "" {
		closing.Forced = event.Name
	}
	closing.Ends = event.Name
	at := s.moment(time.Time{})
	if r.GetEndTime() != nil {
		at = s.moment(r.GetEndTime().AsTime())
	}
	if err := s.notAhead(at, "end_time"); err != nil {
		return nil, err
	}
	marks := []chairside.Mark{
		{ID: derivedMarkID(caller.RequestID, "event"), At: at, Kind: chairside.Happened, Event: event.ID},
		{ID: derivedMarkID(caller.RequestID, "end"), At: at, Kind: chairside.End, Closing: &closing},
	}
	var reason closingReason
	if r.GetClosingReason() != "" {
		var known bool
		if reason, known = closingByID(r.GetClosingReason()); !known {
			return nil, unknownID("closing_reason", "closing-reasons")
		}
	}
	o, rec, err := s.end(ctx, caller, r.GetName(), marks, r.GetValidateOnly(), func(add *store.NewChairMarks) {
		add.CancelBookings = true
		if reason.id != "" {
			add.CaseState = ""
			add.Close = &store.CaseClosing{ID: add.CaseID, Reason: closingFromProto(reason.id), Note: r.GetNote()}
		}
	})
	if err != nil {
		return nil, err
	}
	out := &vw.StopTreatmentResponse{}
	if out.Report, err = s.report(o, rec, event, r.GetNote(), reason.id != ""); err != nil {
		return nil, err
	}
	if out.Visit, err = s.show(ctx, caller, o, rec); err != nil {
		return nil, err
	}
	if out.Case, err = s.showCase(ctx, caller, rec.kept); err != nil {
		return nil, err
	}
	// What was cancelled, or with a preview what would be.
	bookings, err := s.bookingsOf(ctx, caller, o.kept.CaseID, o.state.Ended, true)
	if err != nil {
		return nil, err
	}
	for _, a := range bookings {
		if a.ID != o.kept.Appointment && (r.GetValidateOnly() || a.State == store.StateCancelled) {
			out.CancelledAppointments = append(out.CancelledAppointments, names.Appointment(caller.Practice, a.ID))
		}
	}
	return out, nil
}
