package desk

import (
	"fmt"
	"net/http"
	"net/url"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// caseForm is the form of a new or a changed case.
type caseForm struct {
	Form    *form
	Patient *vw.Patient
	Case    *vw.Case
	Back    string
	Etag    string
	Changed bool
	New     bool

	Teeth, Pulpal, Apical, Protocols, Clinicians []option
	Urgencies, Parties, Roots                    []option
	Dressings, Temporaries, Stops                []option
	ShowBegun, ShowMore                          bool
}

// caseFormNames are the catalogues of the form.
var caseFormNames = []string{"pulpal-diagnoses", "apical-diagnoses", "protocols", "medicaments", "temporaries", "stops"}

var (
	urgencies = []vw.Referral_Urgency{vw.Referral_URGENCY_UNSPECIFIED, vw.Referral_URGENCY_ROUTINE, vw.Referral_URGENCY_SOON, vw.Referral_URGENCY_EMERGENCY}
	parties   = []vw.Party{vw.Party_PARTY_UNSPECIFIED, vw.Party_PARTY_THIS_PRACTICE, vw.Party_PARTY_REFERRER}
	roots     = []vw.RootDevelopment{vw.RootDevelopment_ROOT_DEVELOPMENT_UNSPECIFIED, vw.RootDevelopment_ROOT_DEVELOPMENT_MATURE,
		vw.RootDevelopment_ROOT_DEVELOPMENT_OPEN_APEX, vw.RootDevelopment_ROOT_DEVELOPMENT_UNKNOWN}
)

func (q *ask) showCaseForm(p *caseForm, status int) (*page, error) {
	named, err := q.catalogues(caseFormNames...)
	if err != nil {
		return nil, err
	}
	treating, err := q.clinicians()
	if err != nil {
		return nil, err
	}
	p.Teeth = q.teeth()
	p.Pulpal, p.Apical = named["pulpal-diagnoses"].options(q.t("case.not-known-yet")), named["apical-diagnoses"].options(q.t("case.not-known-yet"))
	p.Protocols = named["protocols"].options(q.t("case.protocol-by-assessment"))
	p.Dressings, p.Temporaries, p.Stops = q.orUnknown(named["medicaments"]), q.orUnknown(named["temporaries"]), q.orUnknown(named["stops"])
	p.Clinicians = []option{{Text: q.t("case.nobody-yet")}}
	for _, c := range treating {
		if c.GetActive() || c.GetName() == p.Form.Get("clinician") {
			p.Clinicians = append(p.Clinicians, option{Value: c.GetName(), Text: c.GetTitle()})
		}
	}
	for _, u := range urgencies {
		p.Urgencies = append(p.Urgencies, option{Value: enumValue(u), Text: q.words.Enum("case.urgency", short(u, "URGENCY_"))})
	}
	for _, party := range parties {
		p.Parties = append(p.Parties, option{Value: enumValue(party), Text: q.words.Enum("case.party", short(party, "PARTY_"))})
	}
	for _, r := range roots {
		p.Roots = append(p.Roots, option{Value: enumValue(r), Text: q.words.Enum("case.root", short(r, "ROOT_DEVELOPMENT_"))})
	}
	f := p.Form
	p.ShowBegun = f.On("begun")
	p.ShowMore = f.Get("root")+f.Get("protocol") != "" || f.Wrong["protocol"] != ""
	p.sayChoices()
	title := q.t("case.edit-title")
	if p.New {
		title = q.t("case.new-title")
	}
	return &page{name: "case-form", title: title, section: "patients", data: p, status: status}, nil
}

// enumValue is an enum value in a form; the unspecified one is empty.
func enumValue(v interface {
	protoreflect.Enum
	fmt.Stringer
}) string {
	if v.Number() == 0 {
		return ""
	}
	return v.String()
}

// orUnknown are the choices of a catalogue, what nobody knows first.
func (q *ask) orUnknown(e entries) []option {
	out := []option{{Value: "unknown", Text: q.t("case.nobody-knows")}}
	for _, o := range e.options("") {
		if o.Value != "unknown" {
			out = append(out, o)
		}
	}
	return out
}

func (q *ask) newCasePage() (*page, error) {
	if q.form.Get("patient") == "" {
		return goTo("/patients"), nil // a case begins with its patient
	}
	patient, err := q.planner().GetPatient(q, &vw.GetPatientRequest{Name: q.name("patients", q.form.Get("patient"))})
	if err != nil {
		return nil, err
	}
	f := newForm(url.Values{"patient": {q.form.Get("patient")}, "dressing": {"unknown"}, "temporary": {"unknown"}, "stop": {"unknown"}})
	if own := q.me.GetClinician(); own != "" {
		f.Set("clinician", own)
	}
	return q.showCaseForm(&caseForm{Form: f, Patient: patient, New: true, Back: "/patients/" + lastPart(patient.GetName())}, 0)
}

// caseFields are the fields of the form by their path in the request.
var caseFields = map[string]string{
	"case.tooth": "tooth", "case.diagnosis.pulpal": "pulpal", "case.diagnosis.apical": "apical", "case.diagnosis": "pulpal",
	"case.referral.from": "from", "case.referral.question": "question", "case.referral.receive_date": "receive_date", "case.referral": "from",
	"case.clinician": "clinician", "case.root_development": "root", "case.protocol": "protocol",
	"case.treatment_begun.visit_date": "visit_date", "case.treatment_begun.dressing": "dressing", "case.treatment_begun.temporary": "temporary",
	"case.treatment_begun.stop": "stop", "case.treatment_begun.note": "begun_note",
}

// readCase reads the form.
func (q *ask) readCase(f *form) *vw.Case {
	c := &vw.Case{Clinician: f.Get("clinician"), Protocol: f.Get("protocol"), Etag: f.Get("etag"),
		RootDevelopment: vw.RootDevelopment(vw.RootDevelopment_value[f.Get("root")])}
	if iso := f.chosen(q, "tooth", q.teeth()); iso != "" {
		c.Tooth = &vw.Tooth{Iso: iso}
	}
	if f.Get("pulpal")+f.Get("apical") != "" {
		c.Diagnosis = &vw.Diagnosis{Pulpal: f.Get("pulpal"), Apical: f.Get("apical"), Provisional: f.On("provisional")}
	}
	r := &vw.Referral{From: f.Get("from"), Question: f.Get("question"), Urgency: vw.Referral_Urgency(vw.Referral_Urgency_value[f.Get("urgency")]),
		Restores: vw.Party(vw.Party_value[f.Get("restores")]), Reviews: vw.Party(vw.Party_value[f.Get("reviews")]),
		ProvisionalFromLetter: f.On("provisional"), ReceiveDate: f.day(q, "receive_date")}
	if r.GetFrom()+r.GetQuestion() != "" || r.GetReceiveDate() != nil || r.GetUrgency() != 0 || r.GetRestores() != 0 || r.GetReviews() != 0 || r.GetProvisionalFromLetter() {
		c.Referral = r
	}
	if f.On("begun") {
		c.TreatmentBegun = &vw.TreatmentBegun{VisitDate: f.day(q, "visit_date"), Dressing: f.Get("dressing"), Temporary: f.Get("temporary"), Stop: f.Get("stop"), Note: f.Get("begun_note")}
		if d := c.GetTreatmentBegun().GetVisitDate(); d != nil && q.words.ISODate(d) > q.words.ISODate(q.words.Today()) {
			f.wrong("visit_date", q.t("case.visit-date-ahead"))
		}
	}
	return c
}

func (q *ask) makeCase() (*page, error) {
	f := q.typed()
	patient, err := q.planner().GetPatient(q, &vw.GetPatientRequest{Name: q.name("patients", f.Get("patient"))})
	if err != nil {
		return nil, err
	}
	c := q.readCase(f)
	c.Patient = patient.GetName()
	if f.ok() {
		made, err := q.planner().CreateCase(q, &vw.CreateCaseRequest{Parent: q.practice, Case: c, RequestId: f.RequestID})
		if err == nil {
			return goTo("/cases/" + lastPart(made.GetName()) + "?done=made"), nil
		}
		if !f.refused(err, caseFields) {
			return nil, err
		}
	}
	return q.showCaseForm(&caseForm{Form: f, Patient: patient, New: true, Back: "/patients/" + lastPart(patient.GetName())}, http.StatusUnprocessableEntity)
}

// caseValues are the fields of the form as the record has them.
func (q *ask) caseValues(c *vw.Case) url.Values {
	d, r, b := c.GetDiagnosis(), c.GetReferral(), c.GetTreatmentBegun()
	v := url.Values{"tooth": {c.GetTooth().GetIso()}, "pulpal": {d.GetPulpal()}, "apical": {d.GetApical()}, "clinician": {c.GetClinician()}, "protocol": {c.GetProtocol()},
		"root": {enumValue(c.GetRootDevelopment())}, "from": {r.GetFrom()}, "question": {r.GetQuestion()}, "urgency": {enumValue(r.GetUrgency())},
		"restores": {enumValue(r.GetRestores())}, "reviews": {enumValue(r.GetReviews())}, "receive_date": {q.words.ISODate(r.GetReceiveDate())},
		"dressing": {"unknown"}, "temporary": {"unknown"}, "stop": {"unknown"}, "begun_note": {b.GetNote()}, "visit_date": {q.words.ISODate(b.GetVisitDate())}, "etag": {c.GetEtag()}}
	if r.GetProvisionalFromLetter() || d.GetProvisional() {
		v.Set("provisional", "yes")
	}
	if b != nil {
		v.Set("begun", "yes")
		v.Set("dressing", b.GetDressing())
		v.Set("temporary", b.GetTemporary())
		v.Set("stop", b.GetStop())
	}
	return v
}

func (q *ask) editCasePage() (*page, error) {
	h, err := q.readHead("edit")
	if err != nil {
		return nil, err
	}
	return q.showCaseForm(&caseForm{Form: newForm(q.caseValues(h.Case)), Patient: h.Patient, Case: h.Case, Etag: h.Case.GetEtag(), Back: "/cases/" + q.path("case")}, 0)
}

func (q *ask) changeCase() (*page, error) {
	f := q.typed()
	h, err := q.readHead("edit")
	if err != nil {
		return nil, err
	}
	c := q.readCase(f)
	c.Name = h.Case.GetName()
	out := &caseForm{Form: f, Patient: h.Patient, Case: h.Case, Etag: f.Get("etag"), Back: "/cases/" + q.path("case")}
	if f.ok() {
		_, err := q.planner().UpdateCase(q, &vw.UpdateCaseRequest{Case: c, RequestId: f.RequestID, UpdateMask: &fieldmaskpb.FieldMask{
			Paths: []string{"tooth", "diagnosis", "referral", "clinician", "treatment_begun", "root_development", "protocol"}}})
		switch {
		case err == nil:
			return goTo(out.Back + "?done=changed"), nil
		case conflict(err):
			theirs := q.caseValues(h.Case)
			for _, field := range []string{"begun", "provisional"} {
				if (theirs.Get(field) != "") != f.On(field) {
					f.Theirs[field] = q.t("case.box-differs")
				}
				delete(theirs, field)
			}
			f.fresh(q, theirs)
			out.Changed, out.Etag = true, h.Case.GetEtag()
		case !f.refused(err, caseFields):
			return nil, err
		}
	}
	return q.showCaseForm(out, http.StatusUnprocessableEntity)
}

// sayChoices puts the words of a choice in the place of its value, where
// somebody else chose another one.
func (p *caseForm) sayChoices() {
	for field, of := range map[string][]option{"tooth": p.Teeth, "pulpal": p.Pulpal, "apical": p.Apical, "protocol": p.Protocols,
		"clinician": p.Clinicians, "urgency": p.Urgencies, "restores": p.Parties, "reviews": p.Parties, "root": p.Roots,
		"dressing": p.Dressings, "temporary": p.Temporaries, "stop": p.Stops} {
		theirs, differs := p.Form.Theirs[field]
		for _, o := range of {
			if differs && o.Value == theirs {
				p.Form.Theirs[field] = o.Text
			}
		}
	}
}
