package planner

import (
	"context"
	"errors"
	"math"

	"google.golang.org/protobuf/proto"

	"github.com/visitwright/visitwright/planner/proposal"
	"github.com/visitwright/visitwright/planner/tooth"
	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// causeProposal is why a plan was made that somebody asked for.
const causeProposal = "proposal"

// ProposePlan computes treatment options and keeps them as the next revision.
func (s *Service) ProposePlan(ctx context.Context, r *vw.ProposePlanRequest) (*vw.Plan, error) {
	caller, err := s.writer(ctx, r)
	if err != nil {
		return nil, err
	}
	id, err := caller.caseID("parent", r.GetParent())
	if err != nil {
		return nil, err
	}
	if err := caller.mayOnlyPreview(r.GetValidateOnly(), "a plan", store.RoleClinician, store.RoleNurse); err != nil {
		return nil, err
	}
	if r.GetFindings() != nil && !r.GetValidateOnly() {
		return nil, fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_FIELD, "findings", "nothing without validate_only: keep the findings with Assess first")
	}
	rec, err := s.read(ctx, caller, id)
	if err != nil {
		return nil, err
	}
	closed := fault.State(vw.ErrorReason_ERROR_REASON_CASE_CLOSED, r.GetParent(), "the case is closed: want an open case")
	if r.GetValidateOnly() && rec.kept.State == store.CaseClosed {
		return nil, closed
	}
	assessed, err := s.planFrom(ctx, caller, rec, id, r)
	if err != nil {
		if rec.kept.State == store.CaseClosed {
			return nil, closed // and an assessment would not be taken any more
		}
		return nil, err
	}
	if err := sameTooth(rec.kept, assessed.GetName(), assessed.GetTooth()); err != nil && rec.kept.Tooth != 0 {
		return nil, err
	}
	in, err := s.input(caller, rec, assessed.GetFindings())
	if err != nil {
		return nil, s.fault(err, caller, inputPaths)
	}
	in.MostVisits = int(r.GetMostVisits())
	if in.Pace, err = s.paceFor(ctx, caller, rec, in); err != nil {
		return nil, err
	}
	plan, err := compute(ctx, s.computing, func() (proposal.Plan, error) { return proposal.Propose(in) })
	if err != nil {
		return nil, s.fault(err, caller, inputPaths)
	}
	message, err := s.describe(caller, rec, assessed, plan)
	if err != nil {
		return nil, err
	}
	message.Pace = paceToProto(in.Pace)
	if r.GetValidateOnly() {
		message.State, message.CreateTime = vw.Plan_STATE_PREVIEW, nil
		return inView(message, r.GetView()), nil
	}
	document, err := proto.MarshalOptions{Deterministic: true}.Marshal(message)
	if err != nil {
		return nil, err
	}
	kept, err := s.store.SavePlanRevision(ctx, caller.Call, store.NewPlanRevision{
		CaseID: id, Base: rec.kept.Revision, AssessmentVersion: int(assessed.GetVersion()), Cause: causeProposal, Recommended: plan.Recommended,
		ModelVersion: plan.Versions.Model, DataVersion: plan.Versions.Data, CalibrationVersion: plan.Versions.Calibration,
		Document: document, Visits: plannedVisits(plan),
	})
	switch {
	case errors.Is(err, store.ErrStaleEtag):
		return nil, between(r.GetParent(), "plan").Because(err)
	case err != nil:
		return nil, s.fault(err, caller, inputPaths)
	}
	if kept.Revision <= rec.kept.Revision {
		// A repeated request: what was kept the first time is the answer.
		return s.plan(ctx, caller, id, kept.Revision, r.GetView())
	}
	nameRevision(message, caller.Practice, kept, kept.Revision)
	return inView(message, r.GetView()), nil
}

// planFrom is the assessment that the plan rests on.
func (s *Service) planFrom(ctx context.Context, caller Caller, rec record, caseID string, r *vw.ProposePlanRequest) (*vw.Assessment, error) {
	switch {
	case r.GetFindings() != nil:
		a, _, err := s.assess(caller, rec, r.GetFindings())
		return a, s.fault(err, caller, inputPaths)
	case r.GetAssessment() == "":
		return s.assessment(ctx, caller, caseID, 0)
	}
	n, err := caller.One(names.AssessmentPattern, "assessment", r.GetAssessment(), vw.ErrorReason_ERROR_REASON_ASSESSMENT_NOT_FOUND)
	if err != nil {
		return nil, err
	}
	if n.ID != caseID {
		return nil, fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_NAME, "assessment", "an assessment of the case in parent")
	}
	return s.assessment(ctx, caller, caseID, n.Number)
}

// describe is the message that is kept: the plan with the assessment as it was
// taken and who asked for it.
func (s *Service) describe(caller Caller, rec record, assessed *vw.Assessment, plan proposal.Plan) (*vw.Plan, error) {
	message := planToProto(plan)
	code := tooth.Code(rec.kept.Tooth)
	canals, err := forecastToProto(code, plan.Canals)
	if err != nil {
		return nil, err
	}
	message.Assessment = proto.CloneOf(assessed)
	message.Assessment.Canals = canals
	message.Assessment.Difficulty = difficultyToProto(plan.Difficulty, plan.ConsiderReferral)
	message.Case, message.Tooth = names.Case(caller.Practice, rec.kept.ID), toothToProto(code, rec.shown)
	message.ProposedBy, message.Cause = actorToProto(caller), causeProposal
	message.Versions.Settings = rec.settings.GetEtag()
	return message, nil
}

// plannedVisits are the visits of every option that can be done, as rows that
// diary and follow-ups can query.
func plannedVisits(p proposal.Plan) []store.PlannedVisit {
	var out []store.PlannedVisit
	for _, o := range p.Options {
		if !o.Feasible {
			continue
		}
		for _, v := range o.Visits {
			row := store.PlannedVisit{Option: o.ID, Visit: v.Number, Minutes: v.Length, IfNeeded: v.Number > max(1, o.Earliest),
				NeedPermille: int(math.Round(v.Needed.P * 1000))}
			if w := v.Window; w != nil && w.Needed && !w.Overdue && w.Earliest <= w.Latest {
				earliest, target, latest := w.Earliest, w.Target, w.Latest
				row.EarliestDays, row.TargetDays, row.LatestDays = &earliest, &target, &latest
			}
			out = append(out, row)
		}
	}
	return out
}
