package planner

import (
	"context"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// ListCases lists cases, the newest first.
func (s *Service) ListCases(ctx context.Context, r *vw.ListCasesRequest) (*vw.ListCasesResponse, error) {
	caller, page, err := s.list(ctx, r)
	if err != nil {
		return nil, err
	}
	q := store.CaseQuery{OpenOnly: r.GetFilter().GetOpenOnly(), Page: page,
		External: store.ExternalID{System: r.GetFilter().GetExternalIdentifier().GetSystem(), Value: r.GetFilter().GetExternalIdentifier().GetValue()}}
	if name := r.GetFilter().GetPatient(); name != "" {
		n, err := caller.One(names.PatientPattern, "filter.patient", name, vw.ErrorReason_ERROR_REASON_PATIENT_NOT_FOUND)
		if err != nil {
			return nil, err
		}
		q.PatientID = n.ID
	}
	if q.IDs, err = caller.ids(names.CasePattern, "filter.names", r.GetFilter().GetNames()); err != nil {
		return nil, err
	}
	switch named := len(r.GetFilter().GetNames()) > 0; {
	case named && q.External != store.ExternalID{}:
		return nil, fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_FIELD, "filter", "one of names and external_identifier")
	case named && len(q.IDs) == 0:
		return &vw.ListCasesResponse{}, nil
	}
	found, next, err := s.store.ListCases(ctx, caller.Call, q)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	shown, err := s.notation.of(ctx, s, caller)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	out := &vw.ListCasesResponse{NextPageToken: s.pager.Token(r, next)}
	for _, c := range found {
		out.Cases = append(out.Cases, caseToProto(caller.Practice, c, shown))
	}
	return out, nil
}
