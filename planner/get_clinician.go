package planner

import (
	"context"

	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// GetClinician reads a clinician.
func (s *Service) GetClinician(ctx context.Context, r *vw.GetClinicianRequest) (*vw.Clinician, error) {
	caller, err := s.who(ctx)
	if err != nil {
		return nil, err
	}
	n, err := caller.One(names.ClinicianPattern, "name", r.GetName(), vw.ErrorReason_ERROR_REASON_CLINICIAN_NOT_FOUND)
	if err != nil {
		return nil, err
	}
	c, err := s.store.GetClinician(ctx, caller.Call, n.ID)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	return clinicianToProto(caller.Practice, c)
}
