package desk

import (
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"google.golang.org/protobuf/types/known/fieldmaskpb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// patientForm is the form of a new or a changed patient.
type patientForm struct {
	Form *form
	Rows []alertRow
	// Back is where "back" leads; Etag is empty for a new patient.
	Back, Etag string
	// Changed says that somebody else changed the record meanwhile.
	Changed bool
	New     bool
}

// alertRow is one kind of alert, with a row of its own each time a patient has
// it.
type alertRow struct {
	ID, Kind, Title, Effect string
	Details                 []option
	On                      bool
}

// alertRows are the rows of the form: each kind once, and once more for each
// further alert of the same kind that is known.
func (q *ask) alertRows(named map[string]entries, f *form) []alertRow {
	on := map[string]bool{}
	for _, id := range f.All("alert") {
		on[id] = true
	}
	var rows []alertRow
	for _, e := range named["alerts"].list {
		for n := 1; n <= 32; n++ {
			id := e.GetId()
			if n > 1 {
				id += "." + strconv.Itoa(n)
				if !on[id] {
					break
				}
			}
			row := alertRow{ID: id, Kind: e.GetId(), Title: e.GetTitle(), Effect: e.GetExplanation(), On: on[id]}
			if details := named["alert-details"].belonging(e.GetId()); len(details) > 0 {
				row.Details = append(row.Details, option{Text: q.t("patient.detail-none")})
				for _, d := range details {
					row.Details = append(row.Details, option{Value: d.GetId(), Text: d.GetTitle()})
				}
			}
			rows = append(rows, row)
		}
	}
	return rows
}

func (q *ask) newPatientPage() (*page, error) {
	f := newForm(url.Values{})
	if text := strings.TrimSpace(q.form.Get("q")); asReference.MatchString(text) && !asPhone.MatchString(text) {
		f.Set("reference", text)
	} else if asPhone.MatchString(text) {
		f.Set("phone", text)
	} else if text != "" {
		f.Set("label", text)
	}
	return q.showPatientForm(&patientForm{Form: f, Back: "/patients", New: true}, 0)
}

func (q *ask) showPatientForm(p *patientForm, status int) (*page, error) {
	named, err := q.catalogues("alerts", "alert-details")
	if err != nil {
		return nil, err
	}
	p.Rows = q.alertRows(named, p.Form)
	title := q.t("patient.edit-title")
	if p.New {
		title = q.t("patient.new-title")
	}
	return &page{name: "patient-form", title: title, section: "patients", data: p, status: status}, nil
}

// patientFields are the fields of the form by their path in the request.
func patientFields(rows []string) map[string]string {
	out := map[string]string{}
	for _, name := range []string{"reference", "label", "phone", "address", "weight_kg", "birth_year"} {
		out["patient."+name] = name
	}
	for _, name := range []string{"label", "phone", "address", "relation"} {
		out["patient.guardian."+name] = "guardian_" + name
	}
	for i, id := range rows {
		at := fmt.Sprintf("patient.alerts[%d]", i)
		out[at] = "alert." + id
		out[at+".note"] = "alert_note." + id
		out[at+".first_date"] = "alert_from." + id
		out[at+".last_date"] = "alert_to." + id
		out[at+".detail"] = "alert_detail." + id
	}
	return out
}

// readPatient reads the form. The ids of the alert rows come in the order of
// the alerts.
func (q *ask) readPatient(f *form) (*vw.Patient, []string) {
	p := &vw.Patient{Reference: f.Get("reference"), Label: f.optional("label"), Phone: f.optional("phone"), Address: f.optional("address"),
		WeightKg: f.number(q, "weight_kg", 2, 350), BirthYear: f.whole(q, "birth_year", 1880, 2200), Etag: f.Get("etag")}
	if p.GetReference() == "" {
		f.wrong("reference", q.t("patient.reference-missing"))
	}
	g := &vw.Guardian{Label: f.optional("guardian_label"), Phone: f.optional("guardian_phone"), Relation: f.optional("guardian_relation"), Address: f.optional("guardian_address")}
	if g.Label != nil || g.Phone != nil || g.Relation != nil || g.Address != nil {
		p.Guardian = g
	}
	var rows []string
	for _, id := range f.All("alert") {
		kind, _, _ := strings.Cut(id, ".")
		rows = append(rows, id)
		p.Alerts = append(p.Alerts, &vw.Alert{Kind: kind, Detail: f.Get("alert_detail." + id), Note: f.Get("alert_note." + id),
			FirstDate: f.day(q, "alert_from."+id), LastDate: f.day(q, "alert_to."+id)})
	}
	return p, rows
}

func (q *ask) makePatient() (*page, error) {
	f := q.typed()
	patient, rows := q.readPatient(f)
	if f.ok() {
		made, err := q.planner().CreatePatient(q, &vw.CreatePatientRequest{Parent: q.practice, Patient: patient, RequestId: f.RequestID})
		if err == nil {
			if f.Get("then") == "case" {
				return goTo("/cases/new?patient=" + lastPart(made.GetName())), nil
			}
			return goTo("/patients/" + lastPart(made.GetName()) + "?done=made"), nil
		}
		if reasonOf(err) == "PATIENT_REFERENCE_TAKEN" {
			f.wrong("reference", q.t("patient.reference-taken"))
		} else if !f.refused(err, patientFields(rows)) {
			return nil, err
		}
	}
	return q.showPatientForm(&patientForm{Form: f, Back: "/patients", New: true}, http.StatusUnprocessableEntity)
}

// patientValues are the fields of the form as the record has them.
func (q *ask) patientValues(p *vw.Patient) url.Values {
	v := url.Values{"reference": {p.GetReference()}, "label": {p.GetLabel()}, "phone": {p.GetPhone()}, "address": {p.GetAddress()}, "etag": {p.GetEtag()},
		"guardian_label": {p.GetGuardian().GetLabel()}, "guardian_phone": {p.GetGuardian().GetPhone()},
		"guardian_relation": {p.GetGuardian().GetRelation()}, "guardian_address": {p.GetGuardian().GetAddress()}, "weight_kg": {""}, "birth_year": {""}}
	if p.WeightKg != nil {
		v.Set("weight_kg", strconv.FormatFloat(p.GetWeightKg(), 'f', -1, 64))
	}
	if p.BirthYear != nil {
		v.Set("birth_year", strconv.Itoa(int(p.GetBirthYear())))
	}
	seen := map[string]int{}
	for _, a := range p.GetAlerts() {
		seen[a.GetKind()]++
		id := a.GetKind()
		if n := seen[id]; n > 1 {
			id += "." + strconv.Itoa(n)
		}
		v.Add("alert", id)
		v.Set("alert_detail."+id, a.GetDetail())
		v.Set("alert_note."+id, a.GetNote())
		v.Set("alert_from."+id, q.words.ISODate(a.GetFirstDate()))
		v.Set("alert_to."+id, q.words.ISODate(a.GetLastDate()))
	}
	return v
}

func (q *ask) readPatientNow() (*vw.Patient, error) {
	return q.planner().GetPatient(q, &vw.GetPatientRequest{Name: q.name("patients", q.path("patient"))})
}

func (q *ask) editPatientPage() (*page, error) {
	p, err := q.readPatientNow()
	if err != nil {
		return nil, err
	}
	return q.showPatientForm(&patientForm{Form: newForm(q.patientValues(p)), Back: "/patients/" + q.path("patient"), Etag: p.GetEtag()}, 0)
}

func (q *ask) changePatient() (*page, error) {
	f := q.typed()
	patient, rows := q.readPatient(f)
	out := &patientForm{Form: f, Back: "/patients/" + q.path("patient"), Etag: f.Get("etag")}
	patient.Name = q.name("patients", q.path("patient"))
	if f.ok() {
		_, err := q.planner().UpdatePatient(q, &vw.UpdatePatientRequest{Patient: patient, RequestId: f.RequestID,
			UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"reference", "label", "phone", "address", "guardian", "alerts", "weight_kg", "birth_year"}}})
		switch {
		case err == nil:
			return goTo(out.Back + "?done=changed"), nil
		case conflict(err):
			now, err := q.readPatientNow()
			if err != nil {
				return nil, err
			}
			theirs := q.patientValues(now)
			f.compareAlerts(q, theirs)
			f.fresh(q, theirs)
			out.Changed, out.Etag = true, now.GetEtag()
		case reasonOf(err) == "PATIENT_REFERENCE_TAKEN":
			f.wrong("reference", q.t("patient.reference-taken"))
		case !f.refused(err, patientFields(rows)):
			return nil, err
		}
	}
	return q.showPatientForm(out, http.StatusUnprocessableEntity)
}

// compareAlerts says which alerts somebody else has set or taken away: a box
// that is not ticked has no value to compare.
func (f *form) compareAlerts(q *ask, theirs url.Values) {
	own, other := map[string]bool{}, map[string]bool{}
	for _, id := range f.All("alert") {
		own[id] = true
	}
	for _, id := range theirs["alert"] {
		other[id] = true
		if !own[id] {
			f.Theirs["alert."+id] = q.t("patient.alert-theirs-on")
		}
	}
	for id := range own {
		if !other[id] {
			f.Theirs["alert."+id] = q.t("patient.alert-theirs-off")
		}
	}
	delete(theirs, "alert")
}
