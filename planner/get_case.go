package planner

import (
	"context"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// GetCase reads a case.
func (s *Service) GetCase(ctx context.Context, r *vw.GetCaseRequest) (*vw.Case, error) {
	caller, err := s.who(ctx)
	if err != nil {
		return nil, err
	}
	id, err := caller.caseID("name", r.GetName())
	if err != nil {
		return nil, err
	}
	c, err := s.store.GetCase(ctx, caller.Call, id)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	return s.showCase(ctx, caller, c)
}
