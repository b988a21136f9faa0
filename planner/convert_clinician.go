package planner

import (
	"encoding/json"
	"fmt"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

var clinicianPaths = fault.Paths{
	"external_ids": "clinician.external_identifiers", "name": "clinician.title", "protocols": "clinician.protocols", "etag": "clinician.etag",
}

// clinicianSettings is the store's document of a clinician.
type clinicianSettings struct {
	ShowReferral bool   `json:"show_consider_referral,omitempty"`
	ReferralFrom string `json:"consider_referral_from,omitempty"` // "moderate" or "high"
	PartlyStops  bool   `json:"accepts_partly_stops,omitempty"`
}

func readClinicianSettings(document []byte) (clinicianSettings, error) {
	var out clinicianSettings
	if len(document) == 0 {
		return out, nil
	}
	if err := json.Unmarshal(document, &out); err != nil {
		return out, fmt.Errorf("settings of a clinician: %w", err)
	}
	return out, nil
}

// clinicianFromProto reads what a client may say of a clinician.
func (s *Service) clinicianFromProto(c *vw.Clinician) (store.Clinician, error) {
	for i, id := range c.GetProtocols() {
		if _, err := s.shipped.Protocol(id); err != nil {
			return store.Clinician{}, unknownID(fmt.Sprintf("clinician.protocols[%d]", i), "protocols").Because(err)
		}
	}
	document, err := json.Marshal(clinicianSettings{
		ShowReferral: c.GetShowConsiderReferral(), ReferralFrom: string(levelFromProto(c.GetConsiderReferralFrom())), PartlyStops: c.GetAcceptsPartlyStops(),
	})
	if err != nil {
		return store.Clinician{}, err
	}
	return store.Clinician{Name: c.GetTitle(), Protocols: c.GetProtocols(), Settings: document, Active: c.GetActive(),
		ExternalIDs: externalFromProto(c.GetExternalIdentifiers()), Etag: c.GetEtag()}, nil
}

func clinicianToProto(practice string, c store.Clinician) (*vw.Clinician, error) {
	settings, err := readClinicianSettings(c.Settings)
	if err != nil {
		return nil, err
	}
	out := &vw.Clinician{
		Title: c.Name, Protocols: c.Protocols, Active: c.Active, ShowConsiderReferral: settings.ShowReferral,
		ConsiderReferralFrom: levelsToProto[settings.ReferralFrom], AcceptsPartlyStops: settings.PartlyStops,
		ExternalIdentifiers: externalToProto(c.ExternalIDs), CreateTime: instant(c.CreateTime), UpdateTime: instant(c.UpdateTime), Etag: c.Etag,
	}
	if c.ID != "" {
		out.Name = names.Clinician(practice, c.ID)
	}
	return out, nil
}
