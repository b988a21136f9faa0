package planner

import (
	"fmt"
	"math"

	"google.golang.org/protobuf/proto"

	"github.com/visitwright/visitwright/planner/proposal"
	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// patientPaths says where in a request the store's fields of a patient stand.
var patientPaths = fault.Paths{
	"reference": "patient.reference", "external_ids": "patient.external_identifiers", "weight_grams": "patient.weight_kg",
	"alerts": "patient.alerts", "etag": "patient.etag", "label": "filter.label", "phone": "filter.phone",
}

// patientFromProto reads what a client may say of a patient.
func patientFromProto(p *vw.Patient) (store.Patient, error) {
	alerts, err := alertsFromProto(p.GetAlerts())
	if err != nil {
		return store.Patient{}, err
	}
	out := store.Patient{
		Reference: p.GetReference(),
		Contact:   store.Contact{Label: p.GetLabel(), Phone: p.GetPhone(), Address: p.GetAddress(), Guardian: guardianFromProto(p.GetGuardian())},
		BirthYear: int(p.GetBirthYear()), Alerts: alerts, ExternalIDs: externalFromProto(p.GetExternalIdentifiers()), Etag: p.GetEtag(),
	}
	if p.WeightKg != nil {
		if kg := p.GetWeightKg(); math.IsNaN(kg) || kg < 2 || kg > 350 {
			return store.Patient{}, fault.Invalid(vw.ErrorReason_ERROR_REASON_IMPOSSIBLE_FIGURE, "patient.weight_kg", "2 to 350 kg, or nothing when it is not known")
		}
		out.WeightGrams = int(math.Round(p.GetWeightKg() * 1000))
	}
	return out, nil
}

func patientToProto(practice string, p store.Patient) *vw.Patient {
	out := &vw.Patient{
		Reference: p.Reference, Label: some(p.Contact.Label), Phone: some(p.Contact.Phone), Address: some(p.Contact.Address),
		Guardian: guardianToProto(p.Contact.Guardian), Alerts: alertsToProto(p.Alerts),
		ExternalIdentifiers: externalToProto(p.ExternalIDs), Etag: p.Etag, CreateTime: instant(p.CreateTime), UpdateTime: instant(p.UpdateTime),
	}
	if p.ID != "" {
		out.Name = names.Patient(practice, p.ID)
	}
	if p.WeightGrams > 0 {
		out.WeightKg = proto.Float64(float64(p.WeightGrams) / 1000)
	}
	if p.BirthYear > 0 {
		out.BirthYear = proto.Int32(int32(p.BirthYear))
	}
	return out
}

// some is an optional text; nil when there is none.
func some(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}

func guardianFromProto(g *vw.Guardian) *store.Guardian {
	if g == nil || g.GetLabel() == "" && g.GetPhone() == "" && g.GetRelation() == "" && g.GetAddress() == "" {
		return nil
	}
	return &store.Guardian{Label: g.GetLabel(), Phone: g.GetPhone(), Relation: g.GetRelation(), Address: g.GetAddress()}
}

func guardianToProto(g *store.Guardian) *vw.Guardian {
	if g == nil {
		return nil
	}
	return &vw.Guardian{Label: some(g.Label), Phone: some(g.Phone), Relation: some(g.Relation), Address: some(g.Address)}
}

func alertsFromProto(alerts []*vw.Alert) ([]store.Alert, error) {
	var out []store.Alert
	for i, a := range alerts {
		at := fmt.Sprintf("patient.alerts[%d]", i)
		if !knownAlert(a.GetKind()) {
			return nil, unknownID(at+".kind", "alerts")
		}
		since, err := dayFromProto(at+".first_date", a.GetFirstDate())
		if err != nil {
			return nil, err
		}
		until, err := dayFromProto(at+".last_date", a.GetLastDate())
		if err != nil {
			return nil, err
		}
		if since != "" && until != "" && until < since { // ISO dates compare as text
			return nil, fault.Invalid(vw.ErrorReason_ERROR_REASON_END_BEFORE_START, at+".last_date", "a day not before first_date")
		}
		out = append(out, store.Alert{Kind: a.GetKind(), Detail: a.GetDetail(), Since: since, Until: until, Note: a.GetNote()})
	}
	return out, nil
}

func alertsToProto(alerts []store.Alert) []*vw.Alert {
	var out []*vw.Alert
	for _, a := range alerts {
		out = append(out, &vw.Alert{Kind: a.Kind, Detail: a.Detail, FirstDate: dayToProto(a.Since), LastDate: dayToProto(a.Until), Note: a.Note})
	}
	return out
}

func knownAlert(kind string) bool {
	for _, a := range proposal.Alerts() {
		if a.ID == kind {
			return true
		}
	}
	return false
}

// unknownID says that an id is not in its catalogue.
func unknownID(path, catalogue string) *fault.Fault {
	return fault.Invalid(vw.ErrorReason_ERROR_REASON_UNKNOWN_CATALOGUE_ID, path, "an id of the catalogue \""+catalogue+"\"; ListCatalogueEntries lists them").
		With("catalogue", catalogue)
}
