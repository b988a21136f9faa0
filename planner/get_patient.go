package planner

import (
	"context"

	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// GetPatient reads a patient.
func (s *Service) GetPatient(ctx context.Context, r *vw.GetPatientRequest) (*vw.Patient, error) {
	caller, err := s.who(ctx)
	if err != nil {
		return nil, err
	}
	n, err := caller.One(names.PatientPattern, "name", r.GetName(), vw.ErrorReason_ERROR_REASON_PATIENT_NOT_FOUND)
	if err != nil {
		return nil, err
	}
	p, err := s.store.GetPatient(ctx, caller.Call, n.ID)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	return patientToProto(caller.Practice, p), nil
}
