package planner

import (
	"context"
	"errors"
	"fmt"

	"google.golang.org/protobuf/proto"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// GetPlan reads one plan revision.
func (s *Service) GetPlan(ctx context.Context, r *vw.GetPlanRequest) (*vw.Plan, error) {
	caller, err := s.who(ctx)
	if err != nil {
		return nil, err
	}
	n, err := caller.One(names.PlanPattern, "name", r.GetName(), vw.ErrorReason_ERROR_REASON_PLAN_NOT_FOUND)
	if err != nil {
		return nil, err
	}
	return s.plan(ctx, caller, n.ID, n.Number, r.GetView())
}

// plan reads one revision with its state.
func (s *Service) plan(ctx context.Context, caller Caller, caseID string, revision int, view vw.PlanView) (*vw.Plan, error) {
	call := caller.Reading()
	kept, err := s.revision(ctx, caller, caseID, revision)
	if err != nil {
		return nil, err
	}
	c, err := s.store.GetCase(ctx, call, caseID)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	message, err := s.readPlan(ctx, caller, kept, c.Revision)
	if err != nil {
		return nil, err
	}
	return inView(message, view), nil
}

func (s *Service) revision(ctx context.Context, caller Caller, caseID string, revision int) (store.PlanRevision, error) {
	kept, err := s.store.GetPlanRevision(ctx, caller.Reading(), caseID, revision)
	if errors.Is(err, store.ErrNotFound) {
		return kept, fault.NotFound(vw.ErrorReason_ERROR_REASON_PLAN_NOT_FOUND, names.Plan(caller.Practice, caseID, revision)).Because(err)
	}
	return kept, s.fault(err, caller, nil)
}

// readPlan reads a kept revision in full, its tooth as the practice writes teeth
// today. newest is the number of the newest revision of the case.
func (s *Service) readPlan(ctx context.Context, caller Caller, kept store.PlanRevision, newest int) (*vw.Plan, error) {
	shown, err := s.notation.of(ctx, s, caller)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	message := &vw.Plan{}
	if err := proto.Unmarshal(kept.Document, message); err != nil {
		return nil, fmt.Errorf("plan document: %w", err)
	}
	nameRevision(message, caller.Practice, kept, newest)
	showTooth(message.GetTooth(), shown)
	showTooth(message.GetAssessment().GetTooth(), shown)
	return message, nil
}

// nameRevision adds what is not part of the kept document.
func nameRevision(message *vw.Plan, practice string, kept store.PlanRevision, newest int) {
	message.Name, message.Revision, message.CreateTime = names.Plan(practice, kept.CaseID, kept.Revision), int64(kept.Revision), instant(kept.CreateTime)
	message.Accepted = acceptanceToProto(practice, kept.Acceptance)
	switch {
	case kept.Revision < newest:
		message.State = vw.Plan_STATE_SUPERSEDED
	case kept.Acceptance != nil:
		message.State = vw.Plan_STATE_ACCEPTED
	default:
		message.State = vw.Plan_STATE_PROPOSED
	}
	message.Etag = planEtag(kept, newest)
}

// planEtag changes when an option is accepted and when a later revision takes
// the plan's place.
func planEtag(kept store.PlanRevision, newest int) string {
	accepted := int64(0)
	if kept.Acceptance != nil {
		accepted = kept.Acceptance.CreateTime.UnixMicro()
	}
	superseded := 0
	if kept.Revision < newest {
		superseded = 1
	}
	return fmt.Sprintf(`"%d-%d-%x"`, kept.Revision, superseded, accepted)
}

// inView takes away what the basic view does not send: the workings and the
// cells of distributions.
func inView(p *vw.Plan, view vw.PlanView) *vw.Plan {
	if view == vw.PlanView_PLAN_VIEW_FULL {
		return p
	}
	p.Workings = nil
	for _, o := range p.GetOptions() {
		withoutCells(o.GetTotalMinutes())
		for _, v := range o.GetVisits() {
			withoutCells(v.GetChairMinutes())
		}
	}
	return p
}

func withoutCells(d *vw.Distribution) {
	if d != nil {
		d.Probabilities = nil
	}
}
