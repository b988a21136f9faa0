package planner

import (
	"context"

	"github.com/visitwright/visitwright/proto/fault"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// CreatePatient makes a patient.
func (s *Service) CreatePatient(ctx context.Context, r *vw.CreatePatientRequest) (*vw.Patient, error) {
	caller, err := s.writer(ctx, r)
	if err != nil {
		return nil, err
	}
	if err := caller.Within("parent", r.GetParent()); err != nil {
		return nil, err
	}
	p, err := patientFromProto(r.GetPatient())
	if err != nil {
		return nil, err
	}
	if r.GetValidateOnly() {
		p.Etag = ""
		return patientToProto(caller.Practice, p), s.fault(s.referenceFree(ctx, caller, p.Reference), caller, patientPaths)
	}
	kept, err := s.store.CreatePatient(ctx, caller.Call, p)
	if err != nil {
		return nil, s.fault(err, caller, patientPaths)
	}
	return patientToProto(caller.Practice, kept), nil
}

// referenceFree is what a preview can say beforehand: whether another patient
// has the reference at the moment.
func (s *Service) referenceFree(ctx context.Context, caller Caller, reference string) error {
	found, _, err := s.store.SearchPatients(ctx, caller.Call, store.PatientQuery{Reference: reference, Page: store.Page{Size: 1}})
	if err != nil {
		return err
	}
	for _, p := range found {
		if p.Reference == reference {
			return fault.Exists(vw.ErrorReason_ERROR_REASON_PATIENT_REFERENCE_TAKEN, "patient.reference", "a reference that no other patient of the practice has")
		}
	}
	return nil
}
