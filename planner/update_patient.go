package planner

import (
	"context"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// contactFields are kept together by the store, so that an update of one needs
// the others as they are.
var contactFields = []string{"label", "phone", "address", "guardian"}

// UpdatePatient changes a patient.
func (s *Service) UpdatePatient(ctx context.Context, r *vw.UpdatePatientRequest) (*vw.Patient, error) {
	caller, err := s.writer(ctx, r)
	if err != nil {
		return nil, err
	}
	n, err := caller.One(names.PatientPattern, "patient.name", r.GetPatient().GetName(), vw.ErrorReason_ERROR_REASON_PATIENT_NOT_FOUND)
	if err != nil {
		return nil, err
	}
	if err := etagNeeded("patient.etag", r.GetPatient().GetEtag()); err != nil {
		return nil, err
	}
	set, err := masked(r.GetUpdateMask(), r.GetPatient(), "reference", "label", "phone", "address", "guardian", "alerts", "weight_kg", "birth_year", "external_identifiers")
	if err != nil {
		return nil, err
	}
	want, err := patientFromProto(r.GetPatient())
	if err != nil {
		return nil, err
	}
	change := store.PatientUpdate{
		ID: n.ID, Etag: want.Etag,
		Reference: pick(set, "reference", want.Reference), WeightGrams: pick(set, "weight_kg", want.WeightGrams),
		BirthYear: pick(set, "birth_year", want.BirthYear), Alerts: pick(set, "alerts", want.Alerts),
		ExternalIDs: pick(set, "external_identifiers", want.ExternalIDs),
	}
	if set.any(contactFields...) || r.GetValidateOnly() {
		// The etag makes sure that what is read here is what is changed below; a
		// repeated request has its answer from the store all the same.
		kept, err := s.store.GetPatient(ctx, caller.Call, n.ID)
		if err != nil {
			return nil, s.fault(err, caller, nil)
		}
		contact := mergeContact(set, kept.Contact, want.Contact)
		if r.GetValidateOnly() {
			if kept.Etag != want.Etag {
				return nil, fault.Stale(vw.ErrorReason_ERROR_REASON_ETAG_MISMATCH, r.GetPatient().GetName(), "changed by somebody else since it was read")
			}
			return patientToProto(caller.Practice, previewPatient(set, kept, want, contact)), nil
		}
		if set.any(contactFields...) {
			change.Contact = &contact
		}
	}
	kept, err := s.store.UpdatePatient(ctx, caller.Call, change)
	if err != nil {
		return nil, s.fault(err, caller, patientPaths)
	}
	return patientToProto(caller.Practice, kept), nil
}

func mergeContact(set fields, kept, want store.Contact) store.Contact {
	if set["label"] {
		kept.Label = want.Label
	}
	if set["phone"] {
		kept.Phone = want.Phone
	}
	if set["address"] {
		kept.Address = want.Address
	}
	if set["guardian"] {
		kept.Guardian = want.Guardian
	}
	return kept
}

func previewPatient(set fields, kept, want store.Patient, contact store.Contact) store.Patient {
	kept.Contact = contact
	if set["reference"] {
		kept.Reference = want.Reference
	}
	if set["weight_kg"] {
		kept.WeightGrams = want.WeightGrams
	}
	if set["birth_year"] {
		kept.BirthYear = want.BirthYear
	}
	if set["alerts"] {
		kept.Alerts = want.Alerts
	}
	if set["external_identifiers"] {
		kept.ExternalIDs = want.ExternalIDs
	}
	return kept
}
