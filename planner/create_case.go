package planner

import (
	"context"

	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// CreateCase opens a case.
func (s *Service) CreateCase(ctx context.Context, r *vw.CreateCaseRequest) (*vw.Case, error) {
	caller, err := s.writer(ctx, r)
	if err != nil {
		return nil, err
	}
	if err := caller.Within("parent", r.GetParent()); err != nil {
		return nil, err
	}
	patient, err := caller.One(names.PatientPattern, "case.patient", r.GetCase().GetPatient(), vw.ErrorReason_ERROR_REASON_PATIENT_NOT_FOUND)
	if err != nil {
		return nil, err
	}
	c, err := s.caseFromProto(caller, r.GetCase())
	if err != nil {
		return nil, err
	}
	c.PatientID = patient.ID
	if err := s.suits(c.Protocol, c.Diagnosis); err != nil {
		return nil, s.fault(err, caller, casePaths)
	}
	if r.GetValidateOnly() {
		if _, err := s.store.GetPatient(ctx, caller.Call, patient.ID); err != nil {
			return nil, s.fault(err, caller, nil)
		}
		c.Etag, c.State = "", "referred"
		return s.showCase(ctx, caller, c)
	}
	kept, err := s.store.CreateCase(ctx, caller.Call, c)
	if err != nil {
		return nil, s.fault(err, caller, casePaths)
	}
	return s.showCase(ctx, caller, kept)
}
