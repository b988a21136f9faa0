package planner

import (
	"context"

	"github.com/visitwright/visitwright/proto/fault"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// ListPatients lists patients by their references.
func (s *Service) ListPatients(ctx context.Context, r *vw.ListPatientsRequest) (*vw.ListPatientsResponse, error) {
	caller, page, err := s.list(ctx, r)
	if err != nil {
		return nil, err
	}
	f := r.GetFilter()
	q := store.PatientQuery{Reference: f.GetReference(), Label: f.GetLabel(), Phone: f.GetPhone(), Page: page,
		External: store.ExternalID{System: f.GetExternalIdentifier().GetSystem(), Value: f.GetExternalIdentifier().GetValue()}}
	set := 0
	for _, is := range []bool{q.Reference != "", q.Label != "", q.Phone != "", q.External != store.ExternalID{}} {
		if is {
			set++
		}
	}
	if set > 1 {
		return nil, fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_FIELD, "filter", "one of reference, label, phone and external_identifier")
	}
	found, next, err := s.store.SearchPatients(ctx, caller.Call, q)
	if err != nil {
		return nil, s.fault(err, caller, patientPaths)
	}
	out := &vw.ListPatientsResponse{NextPageToken: s.pager.Token(r, next)}
	for _, p := range found {
		out.Patients = append(out.Patients, patientToProto(caller.Practice, p))
	}
	return out, nil
}
