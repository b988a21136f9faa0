package main

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// markup is what somebody hostile types into a field.
const markup = `<script>alert("x")</script><img src=x onerror=alert(1)>`

// value is what stands in a field of a page.
func (p *deskPage) value(name string) string {
	field := p.Find(`[name="` + name + `"]`).First()
	if field.Is("select") {
		return field.Find("option[selected]").AttrOr("value", "")
	}
	if field.Is("textarea") {
		return field.Text()
	}
	return field.AttrOr("value", "")
}

// beside is the message beside a field.
func (p *deskPage) beside(name string) string {
	field := p.Find(`[name="` + name + `"]`).First()
	for _, around := range []string{".field", ".question", ".alert-row"} {
		if said := strings.TrimSpace(field.Closest(around).Find(".say-wrong").First().Text()); said != "" {
			return said
		}
	}
	return ""
}

func TestReceptionKeepsAPatientWithAlertsAndBeginsACase(t *testing.T) {
	r := openDeskRig(t, nil, tuesday9)
	v := r.signIn("reception")
	p := v.send(v.mustGet("/patients/new?q=Amsel+Invented"), `main form`, url.Values{"reference": {"P-77"}, "birth_year": {"1980"}, "weight_kg": {"71,5"}, "phone": {"030 555 0199"},
		"alert": {"latex", "antibiotic-course"}, "alert_to.antibiotic-course": {"2026-11-29"}, "guardian_label": {"Invented Guardian"}}, "then=case")
	if !strings.HasPrefix(p.at, "/cases/new?patient=") || !p.has("Amsel Invented (P-77)") {
		t.Fatalf("at %s: %s", p.at, p.text())
	}
	p = v.send(p, `main form[method=post]`, url.Values{"tooth": {"46"}, "pulpal": {"necrosis"}, "apical": {"asymptomatic-apical-periodontitis"},
		"from": {"the practice across the road"}, "receive_date": {"2026-11-20"}, "urgency": {"URGENCY_SOON"}, "provisional": {"yes"}}, "")
	for _, want := range []string{"46, lower right first molar", "referred", "pulp necrosis", "provisional, from the letter", "Latex allergy", "Assess the tooth", "Book a consultation", "Referral received"} {
		if !p.has(want) {
			t.Errorf("the case page does not say %q: %s", want, p.text())
		}
	}
	for query, found := range map[string]bool{"P-77": true, "p-7": true, "Amsel": true, "amse": true, "0305550199": true, "550199": true, "Meise": false, "5": false} {
		page := v.mustGet("/patients?q=" + url.QueryEscape(query))
		if page.has("Amsel Invented") != found {
			t.Errorf("looking for %q finds the patient: %v, want %v", query, !found, found)
		}
		if found && !page.has("46, lower right first molar") {
			t.Errorf("looking for %q does not show the tooth", query)
		}
	}
}

func TestAPatientFormSaysWhatIsWrongBesideTheFieldAndKeepsNothing(t *testing.T) {
	r := openDeskRig(t, nil, tuesday9)
	v := r.signIn("reception")
	v.send(v.mustGet("/patients/new"), "main form", url.Values{"reference": {"P-1"}}, "")
	for name, c := range map[string]struct {
		typed url.Values
		field string
	}{
		"nothing":                    {url.Values{"reference": {""}}, "reference"},
		"a reference that is a name": {url.Values{"reference": {markup}}, "reference"},
		"a reference that is taken":  {url.Values{"reference": {"P-1"}}, "reference"},
		"a weight of 700 kg":         {url.Values{"reference": {"P-2"}, "weight_kg": {"700"}}, "weight_kg"},
		"a weight in words":          {url.Values{"reference": {"P-2"}, "weight_kg": {"heavy"}}, "weight_kg"},
		"a year before any":          {url.Values{"reference": {"P-2"}, "birth_year": {"1492"}}, "birth_year"},
		"a label that is a book":     {url.Values{"reference": {"P-2"}, "label": {strings.Repeat("long ", 2000)}}, "label"},
		"a course that ends before it begins": {url.Values{"reference": {"P-2"}, "alert": {"antibiotic-course"}, "alert_from.antibiotic-course": {"2026-11-20"},
			"alert_to.antibiotic-course": {"2026-11-10"}}, "alert_to.antibiotic-course"},
		"a day that is none": {url.Values{"reference": {"P-2"}, "alert": {"pregnancy"}, "alert_to.pregnancy": {"2027-02-31"}}, "alert_to.pregnancy"},
	} {
		t.Run(name, func(t *testing.T) {
			p := v.send(v.mustGet("/patients/new"), "main form", c.typed, "")
			if p.status != http.StatusUnprocessableEntity || p.beside(c.field) == "" {
				t.Fatalf("status %d, beside %s: %q\n%s", p.status, c.field, p.beside(c.field), p.text())
			}
			for field, typed := range c.typed {
				if got := p.value(field); field != "alert" && got != strings.TrimSpace(typed[0]) && got != typed[0] {
					t.Errorf("%s was typed as %.40q and is now %.40q", field, typed[0], got)
				}
			}
			if p.Find("main script, main [onerror]").Length() > 0 {
				t.Error("what was typed became markup")
			}
		})
	}
	if p := v.mustGet("/patients"); p.Find(".people-list > li").Length() != 1 {
		t.Errorf("something was kept: %s", p.text())
	}
}

// Whoever goes back in the browser sends a form again that was done already.
func TestAFormThatWasDoneAndIsFilledInAnewIsKeptAtTheNextTry(t *testing.T) {
	r := openDeskRig(t, nil, tuesday9)
	v := r.signIn("reception")
	form := v.mustGet("/patients/new")
	v.send(form, "main form", url.Values{"reference": {"P-1"}}, "")
	p := v.send(form, "main form", url.Values{"reference": {"P-2"}}, "")
	if p.status != http.StatusUnprocessableEntity || p.value("reference") != "P-2" {
		t.Fatalf("status %d at %s: %s", p.status, p.at, p.text())
	}
	if p = v.send(p, "main form", url.Values{}, ""); !p.has("P-2") || !strings.Contains(p.at, "?done=made") {
		t.Errorf("sent again it is not kept, at %s: %s", p.at, p.text())
	}
}

func TestMarkupInALabelIsShownAsItWasTyped(t *testing.T) {
	r := openDeskRig(t, nil, tuesday9)
	v := r.signIn("reception")
	p := v.send(v.mustGet("/patients/new"), "main form", url.Values{"reference": {"P-1"}, "label": {markup}}, "")
	if !p.has(markup) || p.Find("main script, main [onerror], title script").Length() > 0 {
		t.Errorf("the label became markup: %s", p.text())
	}
}

func TestTwoWhoChangeOnePatientSeeBothVersions(t *testing.T) {
	r := openDeskRig(t, nil, tuesday9)
	one, other := r.signIn("reception"), r.signIn("nurse")
	one.send(one.mustGet("/patients/new"), "main form", url.Values{"reference": {"P-1"}, "phone": {"1111111"}, "alert": {"latex"}}, "")
	at := patientPath(t, r, "P-1")
	first, second := one.mustGet(at+"/edit"), other.mustGet(at+"/edit")
	other.send(second, "main form", url.Values{"phone": {"2222222"}, "alert": {"latex", "pregnancy"}}, "")
	p := one.send(first, "main form", url.Values{"phone": {"3333333"}}, "")
	if p.status != http.StatusUnprocessableEntity || p.value("phone") != "3333333" || !p.has("meanwhile entered: 2222222") || !p.has("has meanwhile ticked this") {
		t.Fatalf("both versions must be shown: %s", p.text())
	}
	p = one.send(p, "main form", url.Values{}, "")
	if p.status != http.StatusOK || !p.has("3333333") || p.has("Pregnancy") {
		t.Errorf("whoever has seen both and saves again means it: status %d %s", p.status, p.text())
	}
}

func TestPatientsOfAnotherPracticeAreNotThere(t *testing.T) {
	r := openDeskRig(t, nil, tuesday9)
	v := r.signIn("reception")
	for _, path := range []string{"/patients/01jxxxxxxxxxxxxxxxxxxxxxxx", "/patients/01jxxxxxxxxxxxxxxxxxxxxxxx/edit", "/cases/01jxxxxxxxxxxxxxxxxxxxxxxx", "/cases/01jxxxxxxxxxxxxxxxxxxxxxxx/stop",
		"/cases/new?patient=01jxxxxxxxxxxxxxxxxxxxxxxx", "/patients/%3Cscript%3E", "/cases/..%2F..%2Fpractices"} {
		if p := v.get(path); p.status != http.StatusNotFound && p.status != http.StatusBadRequest {
			t.Errorf("%s: status %d", path, p.status)
		}
	}
	if p := r.signIn("manager").get("/patients"); p.status != http.StatusForbidden {
		t.Errorf("the manager sees patients: %d", p.status)
	}
}

func TestMessagesAreSentOnlyAfterConsentWithItsDay(t *testing.T) {
	r := openDeskRig(t, nil, tuesday9)
	v := r.signIn("reception")
	v.send(v.mustGet("/patients/new"), "main form", url.Values{"reference": {"P-1"}, "address": {"invented@example.org"}}, "")
	at := patientPath(t, r, "P-1")
	p := v.send(v.mustGet(at), "#wishes form", url.Values{"channel": {"email"}}, "")
	if p.status != http.StatusUnprocessableEntity || p.beside("consent_date") == "" {
		t.Fatalf("e-mail without a day of consent: %d %s", p.status, p.text())
	}
	p = v.send(p, "#wishes form", url.Values{"consent_date": {"2026-11-24"}}, "")
	if !p.has("What the patient wishes is kept.") {
		t.Fatal(p.text())
	}
	wishes, err := r.as(store.RoleReception).FollowUp.GetContactWishes(t.Context(), &vw.GetContactWishesRequest{Patient: r.practice + at})
	if err != nil || wishes.GetChannel() != "email" {
		t.Errorf("%v %v", wishes, err)
	}
}

// patientPath is the address of a patient by reference.
func patientPath(t *testing.T, r *deskRig, reference string) string {
	t.Helper()
	found, err := r.as(store.RoleReception).Planner.ListPatients(t.Context(), &vw.ListPatientsRequest{Parent: r.practice, Filter: &vw.PatientFilter{Reference: reference}})
	if err != nil || len(found.GetPatients()) != 1 {
		t.Fatal(found, err)
	}
	return strings.TrimPrefix(found.GetPatients()[0].GetName(), r.practice)
}

// newCase opens a case through the service and returns its address.
func (r *deskRig) newCase(reference string, c *vw.Case) string {
	r.t.Helper()
	reception := r.as(store.RoleReception)
	patient, err := reception.Planner.CreatePatient(r.t.Context(), &vw.CreatePatientRequest{Parent: r.practice,
		Patient: &vw.Patient{Reference: reference, Label: proto.String("Invented Finch"), BirthYear: proto.Int32(1979), WeightKg: proto.Float64(72)}})
	if err != nil {
		r.t.Fatal(err)
	}
	c.Patient = patient.GetName()
	made, err := reception.Planner.CreateCase(r.t.Context(), &vw.CreateCaseRequest{Parent: r.practice, Case: c})
	if err != nil {
		r.t.Fatal(err)
	}
	return strings.TrimPrefix(made.GetName(), r.practice)
}

func TestACaseIsChangedAndClosedAndSaysWhatEndsWithIt(t *testing.T) {
	r := openDeskRig(t, nil, tuesday9)
	at := r.newCase("P-1", &vw.Case{})
	v := r.signIn("reception")
	p := v.mustGet(at)
	if !p.has("tooth not yet identified") || !p.has("Name the tooth") {
		t.Errorf("a case may begin without a tooth: %s", p.text())
	}
	first := v.mustGet(at + "/edit")
	p = v.send(v.mustGet(at+"/edit"), "main form[method=post]", url.Values{"tooth": {"36"}, "begun": {"yes"}, "visit_date": {"2026-11-10"}, "dressing": {"calcium-hydroxide"}}, "")
	if !p.has("36, lower left first molar") || !p.has("Treatment begun elsewhere") {
		t.Fatalf("%d %s", p.status, p.text())
	}
	p = v.send(first, "main form[method=post]", url.Values{"tooth": {"26"}}, "")
	if p.status != http.StatusUnprocessableEntity || p.value("tooth") != "26" || !p.has("meanwhile entered: 36, lower left first molar") {
		t.Fatalf("both teeth must be shown in words: %s", p.text())
	}
	if p = v.send(v.mustGet(at+"/edit"), "main form[method=post]", url.Values{"visit_date": {"2027-01-01"}}, ""); p.beside("visit_date") == "" {
		t.Errorf("a visit elsewhere that is still to come: %s", p.text())
	}
	stop := v.mustGet(at + "/stop")
	if stop.Find("input[value=extracted]").Length() > 0 {
		t.Error("reception is offered a clinician's decision")
	}
	if p = v.send(stop, "main form[method=post]", url.Values{}, ""); p.status != http.StatusUnprocessableEntity || !p.has("Choose why the case ends") {
		t.Errorf("%d %s", p.status, p.text())
	}
	p = v.send(p, "main form[method=post]", url.Values{"reason": {"declined"}, "note": {markup}}, "")
	if !p.has("The case is closed") || !p.has("Closed: declined") {
		t.Errorf("%d %s", p.status, p.text())
	}
}
