package planner

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	"github.com/visitwright/visitwright/planner/chairside"
	"github.com/visitwright/visitwright/planner/proposal"
	"github.com/visitwright/visitwright/planner/window"
	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/requests"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/scheduler/followup"
	"github.com/visitwright/visitwright/store"
)

// causeWindowPassed is why a plan was made that nobody asked for (catalogue
// "plan-causes").
const causeWindowPassed = "window-passed"

// passedAtOnce is how many dates are taken from the store at a time.
const passedAtOnce = 50

// mostProblem is the longest reason that is kept, in bytes.
const mostProblem = 400

// OverdueStore is what planning overdue teeth anew needs of the store.
type OverdueStore interface {
	store.Replanning
	ReadCare(ctx context.Context, call store.Call, caseID string) (store.Care, error)
}

// ReplanOverdue makes a plan for each latest date that has passed: proposed,
// never accepted, with its reason and what it changes. Any number of replicas
// may run it: each date makes one plan. It returns how many dates it dealt with.
func (s *Service) ReplanOverdue(ctx context.Context) (int, error) {
	if s.overdue == nil {
		return 0, nil
	}
	total := 0
	for {
		list, err := s.overdue.PassedDates(ctx, passedAtOnce)
		if err != nil {
			return total, err
		}
		did := 0
		for _, d := range list {
			done, err := s.replanPassed(ctx, d)
			if err != nil {
				return total + did, err
			}
			if done {
				did++
			}
		}
		total += did
		if did == 0 || len(list) < passedAtOnce {
			return total, nil
		}
	}
}

// replanPassed deals with one date. It is false when another replica, or a
// person, was at the case at the same time: the next run looks again.
func (s *Service) replanPassed(ctx context.Context, d store.PassedDate) (bool, error) {
	caller := Caller{requests.Caller{Call: store.Call{Practice: d.Practice, Actor: "planner", Method: "ReplanOverdue"}}}
	o, err := s.passed(ctx, caller, d)
	if err == nil && o == nil {
		return s.overdue.KeepPassed(ctx, caller.Call, d, 0, "")
	}
	if err == nil {
		err = s.keepPassed(ctx, caller, d, *o)
	}
	var known *fault.Fault
	switch {
	case err == nil:
		return true, nil
	case ctx.Err() != nil:
		return false, ctx.Err()
	case errors.Is(err, store.ErrStaleEtag), errors.Is(err, store.ErrExists), errors.Is(err, store.ErrBusy):
		return false, nil
	case errors.Is(err, store.ErrUnavailable):
		return false, err
	case errors.As(err, &known):
		return s.overdue.KeepPassed(ctx, caller.Call, d, 0, problemOf(known))
	}
	// Whatever it was, a clinician sees that the plan is missing.
	return s.overdue.KeepPassed(ctx, caller.Call, d, 0, "the planner could not work with the record: look at the case")
}

// problemOf is why no plan could be made, in our own words.
func problemOf(f *fault.Fault) string {
	text := f.Text
	for _, field := range f.Fields {
		text += "; " + field.Path + ": " + field.Want
	}
	if len(text) > mostProblem {
		text = strings.ToValidUTF8(text[:mostProblem], "")
	}
	return strings.TrimPrefix(text, "; ")
}

// passedDate is one date with what the plan rests on.
type passedDate struct {
	rec      record
	assessed *vw.Assessment
	in       proposal.Input
	reason   string
}

// passed reads the case of a date; nil when the date asks for no new plan.
func (s *Service) passed(ctx context.Context, caller Caller, d store.PassedDate) (*passedDate, error) {
	care, err := s.overdue.ReadCare(ctx, caller.Call, d.CaseID)
	if err != nil {
		return nil, err
	}
	rec, err := s.read(ctx, caller, d.CaseID)
	if err != nil {
		return nil, err
	}
	if rec.kept.State == store.CaseClosed {
		return nil, nil
	}
	zone, err := civil.Embedded().Zone(rec.settings.GetZone())
	if err != nil {
		return nil, err
	}
	text, _ := strings.CutPrefix(d.Key, "return/")
	since, err := civil.ParseDate(text)
	if err != nil {
		return nil, fmt.Errorf("follow-up %q: %w", d.Key, err)
	}
	now := zone.Date(care.Now)
	out := &passedDate{rec: rec}
	recorded, err := leftOpen(care.Document, since)
	if err != nil {
		return nil, err
	}
	if out.assessed, err = s.assessment(ctx, caller, d.CaseID, 0); err != nil {
		return nil, err
	}
	if err := s.inputPassed(ctx, caller, out, recorded, since, zone); err != nil {
		return nil, err
	}
	w, err := s.windowPassed(out.in, recorded)
	if err != nil {
		return nil, s.fault(err, caller, inputPaths)
	}
	daysAgo := now.DaysSince(since)
	action, ok := actionOf(w, d.Step, daysAgo)
	if !ok || action.ID != proposal.ReDress && action.ID != proposal.CleanAgain {
		return nil, nil // within the dressing's own limit: a call, and the plan as it is
	}
	if served, err := s.servedSince(ctx, caller, rec.kept, zone, since.AddDays(action.AfterDay)); err != nil || served {
		return nil, err
	}
	out.in.Overdue = &proposal.Overdue{DaysAgo: daysAgo, Action: action.ID}
	if recorded != nil {
		out.in.Overdue.Stop, out.in.Overdue.Medicament, out.in.Overdue.Temporary, out.in.Overdue.SealMM = recorded.Stop, recorded.Medicament, recorded.Temporary, recorded.SealMM
	}
	out.in.Begun = nil // its clock ended with the first visit here
	out.reason = fmt.Sprintf("The latest day of the return visit, %s, has passed. %s", since.AddDays(w.Latest), d.Step)
	return out, nil
}

// actionOf is what the plan becomes: the action with the follow-up's words, or
// that of the day where the words were kept by a version that said it otherwise.
func actionOf(w window.Window, words string, day int) (window.Action, bool) {
	if i := slices.IndexFunc(w.Past, func(a window.Action) bool { return a.Text == words }); i >= 0 {
		return w.Past[i], true
	}
	return w.After(day)
}

// leftOpen is what was recorded about the visit that left the tooth open; nil
// when only the chair says it.
func leftOpen(document []byte, since civil.Date) (*followup.Open, error) {
	if len(document) == 0 {
		return nil, nil
	}
	var events []followup.Event
	if err := json.Unmarshal(document, &events); err != nil {
		return nil, fmt.Errorf("care document: %w", err)
	}
	for _, e := range slices.Backward(events) {
		if e.Kind == followup.Opened && e.On == since && e.Open != nil {
			return e.Open, nil
		}
	}
	return nil, nil
}

// inputPassed is what the plan is made from: the last visit in the chair, or
// what was recorded in its place.
func (s *Service) inputPassed(ctx context.Context, caller Caller, out *passedDate, recorded *followup.Open, since civil.Date, zone *civil.Zone) error {
	var err error
	if recorded == nil && s.chair != nil {
		o, err := s.chair.lastVisit(ctx, caller, out.rec.kept.ID)
		if err != nil {
			return err
		}
		if o != nil && o.state.Phase == chairside.Ended && zone.Date(o.state.Ended) == since {
			state, closing, _, err := s.chair.replanFrom(*o, "")
			if err != nil {
				return err
			}
			if out.in, err = s.chair.inputFrom(caller, *o, out.rec, state, closing); err != nil {
				return err
			}
			return s.chair.paceInto(ctx, caller, *o, &out.in)
		}
	}
	if recorded == nil || recorded.Stop == "" {
		return fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_FIELD, "left", "how the tooth was left: no visit in the chair says it")
	}
	if out.in, err = s.input(caller, out.rec, out.assessed.GetFindings()); err != nil {
		return s.fault(err, caller, inputPaths)
	}
	out.in.Pace, err = s.paceFor(ctx, caller, out.rec, out.in)
	return err
}

// windowPassed is the return window that has passed, as it was on its first day.
func (s *Service) windowPassed(in proposal.Input, recorded *followup.Open) (window.Window, error) {
	if in.From != nil {
		return proposal.Placed(in)
	}
	in.From = &proposal.From{Stop: recorded.Stop, Medicament: recorded.Medicament, Temporary: recorded.Temporary, SealMM: recorded.SealMM}
	in.Begun = nil
	return proposal.Placed(in)
}

// servedSince reports whether somebody has planned anew after a day: then the
// plan there is serves the date already.
func (s *Service) servedSince(ctx context.Context, caller Caller, of store.Case, zone *civil.Zone, day civil.Date) (bool, error) {
	if of.Revision == 0 {
		return false, nil
	}
	newest, err := s.revision(ctx, caller, of.ID, of.Revision)
	if err != nil {
		return false, err
	}
	return newest.Cause != causeWindowPassed && zone.Date(newest.CreateTime).After(day), nil
}

// keepPassed computes the plan and keeps it as the next revision.
func (s *Service) keepPassed(ctx context.Context, caller Caller, d store.PassedDate, o passedDate) error {
	plan, err := compute(ctx, s.computing, func() (proposal.Plan, error) { return proposal.Propose(o.in) })
	if err != nil {
		return s.fault(err, caller, inputPaths)
	}
	message, err := s.describe(caller, o.rec, o.assessed, plan)
	if err != nil {
		return err
	}
	message.Cause, message.CauseText, message.Pace = causeWindowPassed, o.reason, paceToProto(o.in.Pace)
	if base := o.rec.kept.Revision; base > 0 {
		before, err := s.plan(ctx, caller, o.rec.kept.ID, base, vw.PlanView_PLAN_VIEW_BASIC)
		if err != nil {
			return err
		}
		message.Changes = differences(before, message)
		for _, c := range message.GetChanges() {
			if c.GetBecause() == "" {
				c.Because = "the latest day has passed"
			}
		}
	}
	document, err := proto.MarshalOptions{Deterministic: true}.Marshal(message)
	if err != nil {
		return err
	}
	_, err = s.store.SavePlanRevision(ctx, caller.Call, store.NewPlanRevision{
		CaseID: d.CaseID, Base: o.rec.kept.Revision, AssessmentVersion: int(o.assessed.GetVersion()), Cause: causeWindowPassed, Recommended: plan.Recommended,
		ModelVersion: plan.Versions.Model, DataVersion: plan.Versions.Data, CalibrationVersion: plan.Versions.Calibration,
		Document: document, Visits: plannedVisits(plan), Passed: &d,
	})
	return err
}
