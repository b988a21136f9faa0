package planner

import (
	"context"
	"strconv"

	"github.com/visitwright/visitwright/proto/names"
	"github.com/visitwright/visitwright/proto/requests"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// ListAssessments lists the assessments of a case, the newest first.
func (s *Service) ListAssessments(ctx context.Context, r *vw.ListAssessmentsRequest) (*vw.ListAssessmentsResponse, error) {
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
	c, err := s.store.GetCase(ctx, caller.Call, id)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	// Versions are numbered without gaps, and only ever added: the cursor is the
	// version with which the page begins.
	from := c.Assessment
	if page.After != "" {
		if from, err = strconv.Atoi(page.After); err != nil || from < 1 || from > c.Assessment {
			return nil, s.fault(names.ErrPageToken, caller, nil)
		}
	}
	out := &vw.ListAssessmentsResponse{}
	rest := max(0, from-page.Most())
	for version := from; version > rest; version-- {
		a, err := s.assessment(ctx, caller, id, version)
		if err != nil {
			return nil, err
		}
		out.Assessments = append(out.Assessments, a)
	}
	if rest > 0 {
		out.NextPageToken = s.pager.Token(r, strconv.Itoa(rest))
	}
	return out, nil
}
