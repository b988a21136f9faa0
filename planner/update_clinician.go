package planner

import (
	"context"
	"slices"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// ownPreferences are what a clinician may change of their own record.
var ownPreferences = []string{"show_consider_referral", "consider_referral_from", "accepts_partly_stops"}

// UpdateClinician changes a clinician.
func (s *Service) UpdateClinician(ctx context.Context, r *vw.UpdateClinicianRequest) (*vw.Clinician, error) {
	caller, err := s.writer(ctx, r)
	if err != nil {
		return nil, err
	}
	want := r.GetClinician()
	n, err := caller.One(names.ClinicianPattern, "clinician.name", want.GetName(), vw.ErrorReason_ERROR_REASON_CLINICIAN_NOT_FOUND)
	if err != nil {
		return nil, err
	}
	if err := etagNeeded("clinician.etag", want.GetEtag()); err != nil {
		return nil, err
	}
	set, err := masked(r.GetUpdateMask(), want, append([]string{"title", "protocols", "active", "external_identifiers"}, ownPreferences...)...)
	if err != nil {
		return nil, err
	}
	if caller.Role != store.RoleManager {
		for name := range set {
			if caller.Clinician != n.ID || !slices.Contains(ownPreferences, name) {
				return nil, fault.Denied(vw.ErrorReason_ERROR_REASON_ROLE_NOT_ALLOWED,
					"a manager changes clinicians; a clinician may change show_consider_referral, consider_referral_from and accepts_partly_stops of their own record")
			}
		}
	}
	kept, err := s.store.GetClinician(ctx, caller.Reading(), n.ID)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	next, err := clinicianToProto(caller.Practice, kept)
	if err != nil {
		return nil, err
	}
	overlay(next, want, set)
	if r.GetValidateOnly() && kept.Etag != want.GetEtag() {
		return nil, fault.Stale(vw.ErrorReason_ERROR_REASON_ETAG_MISMATCH, want.GetName(), "changed by somebody else since it was read")
	}
	change, err := s.clinicianFromProto(next)
	if err != nil || r.GetValidateOnly() {
		return next, err
	}
	change.ID, change.Etag = n.ID, want.GetEtag()
	changed, err := s.store.PutClinician(ctx, caller.Call, change)
	if err != nil {
		return nil, s.fault(err, caller, clinicianPaths)
	}
	return clinicianToProto(caller.Practice, changed)
}
