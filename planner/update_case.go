package planner

import (
	"context"

	"github.com/visitwright/visitwright/proto/fault"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// UpdateCase changes what is known of a case.
func (s *Service) UpdateCase(ctx context.Context, r *vw.UpdateCaseRequest) (*vw.Case, error) {
	caller, err := s.writer(ctx, r)
	if err != nil {
		return nil, err
	}
	id, err := caller.caseID("case.name", r.GetCase().GetName())
	if err != nil {
		return nil, err
	}
	if err := etagNeeded("case.etag", r.GetCase().GetEtag()); err != nil {
		return nil, err
	}
	set, err := masked(r.GetUpdateMask(), r.GetCase(), "tooth", "diagnosis", "referral", "clinician", "treatment_begun", "root_development", "protocol", "external_identifiers")
	if err != nil {
		return nil, err
	}
	want, err := s.caseFromProto(caller, r.GetCase())
	if err != nil {
		return nil, err
	}
	// Diagnosis, root and protocol belong together, and so do the parts of the
	// document; the etag makes sure that what is read here is what is changed.
	kept, err := s.store.GetCase(ctx, caller.Reading(), id)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	next, err := s.mergeCase(set, kept, want, r.GetCase())
	if err != nil {
		return nil, s.fault(err, caller, casePaths)
	}
	if r.GetValidateOnly() {
		if kept.Etag != want.Etag {
			return nil, fault.Stale(vw.ErrorReason_ERROR_REASON_ETAG_MISMATCH, r.GetCase().GetName(), "changed by somebody else since it was read")
		}
		return s.showCase(ctx, caller, next)
	}
	change := store.CaseUpdate{
		ID: id, Etag: want.Etag, Tooth: pick(set, "tooth", next.Tooth), Clinician: pick(set, "clinician", next.Clinician),
		Protocol: pick(set, "protocol", next.Protocol), RootDevelopment: pick(set, "root_development", next.RootDevelopment),
		Referral: pick(set, "referral", next.Referral), BegunElsewhere: pick(set, "treatment_begun", next.BegunElsewhere),
		ExternalIDs: pick(set, "external_identifiers", next.ExternalIDs),
	}
	if set.any("diagnosis", "root_development") {
		change.Diagnosis = &next.Diagnosis
	}
	if set.any("diagnosis", "treatment_begun") {
		change.Document = &next.Document
	}
	changed, err := s.store.UpdateCase(ctx, caller.Call, change)
	if err != nil {
		return nil, s.fault(err, caller, casePaths)
	}
	return s.showCase(ctx, caller, changed)
}

// mergeCase is the case as it will be.
func (s *Service) mergeCase(set fields, kept, want store.Case, request *vw.Case) (store.Case, error) {
	before := readCaseDocument(kept.Document)
	diagnosis, stop := before.GetDiagnosis(), before.GetTreatmentBegun().GetStop()
	if set["tooth"] {
		kept.Tooth = want.Tooth
	}
	if set["clinician"] {
		kept.Clinician = want.Clinician
	}
	if set["protocol"] {
		kept.Protocol = want.Protocol
	}
	if set["root_development"] {
		kept.RootDevelopment = want.RootDevelopment
	}
	if set["referral"] {
		kept.Referral = want.Referral
	}
	if set["external_identifiers"] {
		kept.ExternalIDs = want.ExternalIDs
	}
	if set["treatment_begun"] {
		kept.BegunElsewhere, stop = want.BegunElsewhere, request.GetTreatmentBegun().GetStop()
	}
	if set["diagnosis"] {
		diagnosis = request.GetDiagnosis()
	}
	if set.any("diagnosis", "root_development") {
		id, err := s.diagnosisID("case.diagnosis", diagnosis, kept.RootDevelopment == "open-apex")
		if err != nil {
			return store.Case{}, err
		}
		kept.Diagnosis = id
	}
	document, err := caseDocument(diagnosis, stop)
	if err != nil {
		return store.Case{}, err
	}
	kept.Document = document
	return kept, s.suits(kept.Protocol, kept.Diagnosis)
}
