package planner

import (
	"context"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// ComparePlans spells out what differs between two revisions of one case.
func (s *Service) ComparePlans(ctx context.Context, r *vw.ComparePlansRequest) (*vw.PlanDifference, error) {
	caller, err := s.who(ctx)
	if err != nil {
		return nil, err
	}
	from, err := caller.One(names.PlanPattern, "from_plan", r.GetFromPlan(), vw.ErrorReason_ERROR_REASON_PLAN_NOT_FOUND)
	if err != nil {
		return nil, err
	}
	to, err := caller.One(names.PlanPattern, "to_plan", r.GetToPlan(), vw.ErrorReason_ERROR_REASON_PLAN_NOT_FOUND)
	if err != nil {
		return nil, err
	}
	if from.ID != to.ID {
		return nil, fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_NAME, "to_plan", "a plan of the same case as from_plan")
	}
	before, err := s.plan(ctx, caller, from.ID, from.Number, vw.PlanView_PLAN_VIEW_BASIC)
	if err != nil {
		return nil, err
	}
	after, err := s.plan(ctx, caller, to.ID, to.Number, vw.PlanView_PLAN_VIEW_BASIC)
	if err != nil {
		return nil, err
	}
	return &vw.PlanDifference{FromPlan: before.GetName(), ToPlan: after.GetName(), Changes: differences(before, after)}, nil
}
