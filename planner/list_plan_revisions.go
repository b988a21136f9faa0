package planner

import (
	"context"

	"github.com/visitwright/visitwright/proto/requests"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// mostPlansInPage keeps a page well below the size that a client takes.
const mostPlansInPage = 25

// ListPlanRevisions lists the plan revisions of a case, the newest first.
func (s *Service) ListPlanRevisions(ctx context.Context, r *vw.ListPlanRevisionsRequest) (*vw.ListPlanRevisionsResponse, error) {
	caller, err := s.who(ctx)
	if err != nil {
		return nil, err
	}
	id, err := caller.caseID("parent", r.GetParent())
	if err != nil {
		return nil, err
	}
	page, err := requests.Page(s.pager, r)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	// A plan is large: a page holds few, whatever was asked for.
	if page.Size == 0 || page.Size > mostPlansInPage {
		page.Size = mostPlansInPage
	}
	c, err := s.store.GetCase(ctx, caller.Call, id)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	listed, next, err := s.store.ListPlanRevisions(ctx, caller.Call, id, page)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	out := &vw.ListPlanRevisionsResponse{NextPageToken: s.pager.Token(r, next)}
	for _, revision := range listed {
		// The list carries no documents; each is read on its own.
		kept, err := s.revision(ctx, caller, id, revision.Revision)
		if err != nil {
			return nil, err
		}
		message, err := s.readPlan(ctx, caller, kept, max(c.Revision, kept.Revision))
		if err != nil {
			return nil, err
		}
		out.Plans = append(out.Plans, inView(message, vw.PlanView_PLAN_VIEW_BASIC))
	}
	return out, nil
}
