package planner

import (
	"context"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// CreateClinician makes a clinician, who is active.
func (s *Service) CreateClinician(ctx context.Context, r *vw.CreateClinicianRequest) (*vw.Clinician, error) {
	caller, err := s.writer(ctx, r)
	if err != nil {
		return nil, err
	}
	if err := caller.Within("parent", r.GetParent()); err != nil {
		return nil, err
	}
	c, err := s.clinicianFromProto(r.GetClinician())
	if err != nil {
		return nil, err
	}
	c.Active, c.Etag = true, ""
	if r.GetValidateOnly() {
		return clinicianToProto(caller.Practice, c)
	}
	kept, err := s.store.PutClinician(ctx, caller.Call, c)
	if err != nil {
		return nil, s.fault(err, caller, clinicianPaths)
	}
	return clinicianToProto(caller.Practice, kept)
}
