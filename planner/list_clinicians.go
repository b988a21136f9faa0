package planner

import (
	"context"

	"github.com/visitwright/visitwright/proto/requests"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// ListClinicians lists clinicians by title.
func (s *Service) ListClinicians(ctx context.Context, r *vw.ListCliniciansRequest) (*vw.ListCliniciansResponse, error) {
	caller, page, err := s.list(ctx, r)
	if err != nil {
		return nil, err
	}
	all, err := s.store.ListClinicians(ctx, caller.Call)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	part, next, err := requests.Cut(page, all)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	out := &vw.ListCliniciansResponse{NextPageToken: s.pager.Token(r, next)}
	for _, c := range part {
		shown, err := clinicianToProto(caller.Practice, c)
		if err != nil {
			return nil, err
		}
		out.Clinicians = append(out.Clinicians, shown)
	}
	return out, nil
}
