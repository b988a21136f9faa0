package planner

import (
	"context"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
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
	if q.IDs, err = caller.ids(names.PatientPattern, "filter.names", f.GetNames()); err != nil {
		return nil, err
	}
	set := 0
	for _, is := range []bool{q.Reference != "", q.Label != "", q.Phone != "", q.External != store.ExternalID{}, len(f.GetNames()) > 0} {
		if is {
			set++
		}
	}
	if set > 1 {
		return nil, fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_FIELD, "filter", "one of reference, label, phone, external_identifier and names")
	}
	if len(f.GetNames()) > 0 && len(q.IDs) == 0 {
		return &vw.ListPatientsResponse{}, nil
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
