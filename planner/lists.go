package planner

import (
	"context"

	"github.com/visitwright/visitwright/proto/requests"
	"github.com/visitwright/visitwright/store"
)

// list returns the caller and the page of a List request whose parent is the
// practice.
func (s *Service) list(ctx context.Context, r requests.Listing) (Caller, store.Page, error) {
	caller, err := s.who(ctx)
	if err != nil {
		return Caller{}, store.Page{}, err
	}
	if err := caller.Within("parent", r.GetParent()); err != nil {
		return Caller{}, store.Page{}, err
	}
	page, err := requests.Page(s.pager, r)
	return caller, page, s.fault(err, caller, nil)
}
