package main

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/PuerkitoBio/goquery"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// lowerMolar opens the case of most of these tests: 46, necrotic with a lesion.
func (r *deskRig) lowerMolar(apical string) string {
	r.t.Helper()
	return r.newCase("P-46", &vw.Case{Tooth: &vw.Tooth{Iso: "46"}, Diagnosis: &vw.Diagnosis{Pulpal: "necrosis", Apical: apical}})
}

const quietLesion, painfulLesion = "asymptomatic-apical-periodontitis", "symptomatic-apical-periodontitis"

// the form of an assessment, and that of an acceptance.
const assessForm, acceptForm = "form[data-preview]", "#accept form"

func TestAnAssessmentShowsWhatFollowsBeforeItIsKept(t *testing.T) {
	r := openDeskRig(t, nil, tuesday9)
	at := r.lowerMolar(quietLesion)
	v := r.signIn("clinician")
	p := v.mustGet(at + "/assess")
	if !p.has("46, lower right first molar") || p.value("pulpal") != "necrosis" || p.Find(`[name="answer.arch-position"]`).Length() > 0 {
		t.Errorf("the form begins with what the case says: %s", p.text())
	}
	typed := url.Values{"answer.root-curvature": {"10-to-30"}, "answer.canal-appearance": {"reduced"}, "sign.film-count": {"3"}, "sign.canal-disappears-mid-root": {"seen"},
		"fact": {"narrow-mesial-canals"}, "bear_minutes": {"120"}, "mouth_opening_mm": {"41"}}
	p = v.send(p, assessForm, typed, "do=show")
	result := strings.Join(strings.Fields(p.Find("#assess-result").Text()), " ")
	for _, want := range []string{"not kept yet", "Difficulty: high", "Root curvature", "questions are open", "have a further canal", "(about 47 %)", "35 of 100 teeth", "assumed", "MB, ML, D, DL"} {
		if p.status != http.StatusOK || !strings.Contains(result, want) {
			t.Errorf("status %d; %q is missing in %s", p.status, want, result)
		}
	}
	if svg := p.Find("#assess-result svg[role=img]"); svg.Find("title").Text() == "" || !strings.Contains(svg.Find("desc").Text(), "4 canals: 47 % now, 35 % usual") {
		t.Errorf("the picture does not say what it shows: %s", svg.Text())
	}
	for name := range typed {
		if name != "fact" && !strings.Contains(name, "answer.") && name != "sign.canal-disappears-mid-root" && p.value(name) != typed.Get(name) {
			t.Errorf("%s became %q", name, p.value(name))
		}
	}
	if kept, _ := r.as(store.RoleNurse).Planner.GetCase(t.Context(), &vw.GetCaseRequest{Name: r.practice + at}); kept.GetLatestAssessment() != "" {
		t.Error("a look was kept")
	}
	p = v.send(p, assessForm, nil, "do=keep")
	if !p.has("Kept as assessment 1") || !p.has("Difficulty: high") || p.Find(`#q-sign\.film-count`).AttrOr("value", "") != "3" {
		t.Errorf("%d %s", p.status, p.text())
	}
}

func TestAContradictionStandsBesideBothAnswersAndNothingIsKept(t *testing.T) {
	r := openDeskRig(t, nil, tuesday9)
	at := r.lowerMolar(quietLesion)
	v := r.signIn("nurse")
	p := v.send(v.mustGet(at+"/assess"), assessForm, url.Values{"sign.cbct-count": {"3"}, "sign.further-orifice": {"4"}}, "do=options")
	if p.status != http.StatusUnprocessableEntity || !strings.Contains(p.beside("sign.cbct-count"), "3 canals counted on CBCT") || !strings.Contains(p.beside("sign.further-orifice"), "orifice") {
		t.Fatalf("status %d, beside the counts: %q and %q", p.status, p.beside("sign.cbct-count"), p.beside("sign.further-orifice"))
	}
	for name, typed := range map[string]url.Values{
		"sign.film-count":  {"sign.film-count": {"9"}},
		"mouth_opening_mm": {"mouth_opening_mm": {"500"}},
		"bear_minutes":     {"bear_minutes": {"-5"}},
		"expected_canals":  {"expected_canals": {"many"}},
		"pulpal":           {"pulpal": {markup}},
	} {
		p := v.send(v.mustGet(at+"/assess"), assessForm, typed, "do=keep")
		if p.status != http.StatusUnprocessableEntity || p.beside(name) == "" {
			t.Errorf("%s: status %d, beside it %q", name, p.status, p.beside(name))
		}
	}
	p = v.send(v.mustGet(at+"/assess"), assessForm, url.Values{"answer.gag-reflex": {markup}, "sign.film-count": {"0"}}, "do=keep")
	if p.status != http.StatusUnprocessableEntity || p.Find("main [onerror]").Length() > 0 {
		t.Errorf("status %d", p.status)
	}
	kept, _ := r.as(store.RoleNurse).Planner.GetCase(t.Context(), &vw.GetCaseRequest{Name: r.practice + at})
	if kept.GetLatestAssessment() != "" {
		t.Error("a refused assessment was kept")
	}
}

func TestReceptionMayLookWhatFollowsAndKeepsNothing(t *testing.T) {
	r := openDeskRig(t, nil, tuesday9)
	at := r.lowerMolar(quietLesion)
	v := r.signIn("reception")
	p := v.mustGet(at + "/assess")
	if p.Find("button[value=keep]").Length() > 0 {
		t.Error("reception is offered to keep an assessment")
	}
	if p = v.send(p, assessForm, url.Values{"sign.film-count": {"3"}}, "do=show"); !p.has("Difficulty: moderate") {
		t.Error(p.text())
	}
	if p = v.send(p, assessForm, nil, "do=keep"); p.status != http.StatusUnprocessableEntity {
		t.Errorf("status %d", p.status)
	}
	if p = v.post(at+"/options/accept", url.Values{"option": {"one-visit"}}); p.status != http.StatusForbidden {
		t.Errorf("status %d", p.status)
	}
}

func TestAClinicianComparesOptionsAndAcceptsOneWithConsent(t *testing.T) {
	r := openDeskRig(t, nil, tuesday9)
	at := r.lowerMolar(quietLesion)
	v := r.signIn("clinician")
	if p := v.mustGet(at + "/options"); !p.has("There is no plan yet") || !p.has("Assess the tooth first") {
		t.Error(p.text())
	}
	if p := v.send(v.mustGet(at+"/options"), "#again form", nil, ""); p.status != http.StatusUnprocessableEntity || !p.has("Assess the tooth first: a plan rests on what was found") {
		t.Errorf("%d %s", p.status, p.text())
	}
	p := v.send(v.mustGet(at+"/assess"), assessForm, url.Values{"sign.film-count": {"3"}, "fact": {"narrow-mesial-canals"}}, "do=options")
	for _, want := range []string{"Recommended because:", "Side by side", "One visit recommended", "8 in 10 are complete after visit 1", "finish on time (", "If a further canal turns up", "DL", "Days are counted from visit 1",
		"calcium hydroxide needs 7 days to act", "from memory, not checked", "Worth knowing", "Odds of minutes are never a clinical go-ahead"} {
		if !p.has(want) {
			t.Errorf("%q is missing in %s", want, p.text())
		}
	}
	if n := p.Find("svg[role=img]").Length(); n < 6 {
		t.Errorf("%d pictures", n)
	}
	p.Find("svg").Each(func(_ int, s *goquery.Selection) {
		if s.Find("title").Text() == "" || len(s.Find("desc").Text()) < 20 || s.Find("[style]").Length() > 0 {
			t.Errorf("a picture without words or with a style: %s", s.Text())
		}
	})
	for name, typed := range map[string]url.Values{
		"consent_date": {"option": {"two-visits"}, "consent_giver": {"GIVER_PATIENT"}, "consent_form": {"written"}, "consent_date": {"2027-01-01"}},
		"consent_form": {"option": {"two-visits"}, "consent_giver": {"GIVER_PATIENT"}, "consent_form": {"by-nod"}},
		"option":       {"option": {"nine-visits"}},
	} {
		refused := v.send(v.mustGet(at+"/options"), acceptForm, typed, "")
		if refused.status != http.StatusUnprocessableEntity && refused.status != http.StatusNotFound || refused.status == http.StatusUnprocessableEntity && refused.beside(name) == "" {
			t.Errorf("%s: status %d %q", name, refused.status, refused.beside(name))
		}
	}
	p = v.send(p, acceptForm, url.Values{"option": {"two-visits"}, "consent_giver": {"GIVER_PATIENT"}, "consent_form": {"written"}, "consent_note": {markup}}, "")
	for _, want := range []string{"The option is accepted", "Accepted: Two visits", "consent given by the patient", "Book the visits of the plan", "planned"} {
		if !p.has(want) {
			t.Errorf("%q is missing in %s", want, p.text())
		}
	}
	p = v.mustGet(at + "/options/print")
	for _, want := range []string{"Your tooth: lower right first molar (46)", "We have agreed on: Two visits", "The nerve inside the tooth has died", "at least 7 days", "get emergency care"} {
		if !p.has(want) {
			t.Errorf("the handout lacks %q: %s", want, p.text())
		}
	}
	for _, word := range []string{"periodontitis", "necrosis", "quantile", "apical"} {
		if strings.Contains(strings.ToLower(p.Find("article").Text()), word) {
			t.Errorf("the handout says %q to a patient", word)
		}
	}
}

func TestAnOptionAdvisedAgainstIsAcceptedWithAReason(t *testing.T) {
	r := openDeskRig(t, nil, tuesday9)
	at := r.lowerMolar(painfulLesion)
	v := r.signIn("clinician")
	p := v.send(v.mustGet(at+"/assess"), assessForm, url.Values{"sign.film-count": {"3"}}, "do=options")
	if !p.has("Advises against") || !p.has("a rule advises against it: accepting needs your reason") {
		t.Fatal(p.text())
	}
	p = v.send(p, acceptForm, url.Values{"option": {"one-visit"}}, "")
	if p.status != http.StatusUnprocessableEntity || p.beside("override_reason") == "" {
		t.Fatalf("%d %s", p.status, p.text())
	}
	p = v.send(p, acceptForm, url.Values{"option": {"one-visit"}, "override_reason": {"leaves the country tomorrow"}}, "")
	if !p.has("The option is accepted") || !v.mustGet(at+"/options").has("taken because: leaves the country tomorrow") {
		t.Errorf("%d %s", p.status, p.text())
	}
}

func TestWhoAcceptsAnOldPlanIsShownTheNewOneAndWhatChanged(t *testing.T) {
	r := openDeskRig(t, nil, tuesday9)
	at := r.lowerMolar(quietLesion)
	v := r.signIn("clinician")
	first := v.send(v.mustGet(at+"/assess"), assessForm, url.Values{"sign.film-count": {"3"}}, "do=options")
	v.send(v.mustGet(at+"/assess"), assessForm, url.Values{"sign.cbct-count": {"4"}, "fact": {"narrow-mesial-canals"}}, "do=options")
	p := v.send(first, acceptForm, url.Values{"option": {"two-visits"}}, "")
	if p.status != http.StatusUnprocessableEntity || !p.has("changed the plan meanwhile") || !p.has("What changed since revision 1") || p.value("revision") != "2" {
		t.Fatalf("%d %s", p.status, p.text())
	}
	if p = v.send(p, acceptForm, nil, ""); !p.has("The option is accepted") {
		t.Errorf("%d %s", p.status, p.text())
	}
	if p = v.mustGet(at + "/options?revision=1"); !p.has("This is an earlier revision") || p.Find(acceptForm).Length() > 0 {
		t.Error("an earlier revision may be acted on")
	}
}

func TestAReviewIsReadByStrictAndLooseCriteriaAndSetsTheNext(t *testing.T) {
	r := openDeskRig(t, nil, tuesday9)
	at := r.lowerMolar(quietLesion)
	v := r.signIn("clinician")
	p := v.send(v.mustGet(at+"/review"), assessForm, url.Values{}, "do=keep")
	if p.status != http.StatusUnprocessableEntity || !p.has("not recorded as filled") {
		t.Errorf("a review of a tooth that nobody treated: %d %s", p.status, p.text())
	}
	if _, err := r.as(store.RoleClinician).FollowUp.RecordCare(t.Context(), &vw.RecordCareRequest{Case: r.practice + at, Date: &date.Date{Year: 2025, Month: 11, Day: 18},
		Left: &vw.RecordCareRequest_Filled{Filled: &vw.LeftFilled{CorePlaced: true, IndexBefore: 4}}}); err != nil {
		t.Fatal(err)
	}
	for field, typed := range map[string]url.Values{
		"radiograph_reason": {"index_now": {"1"}},
		"date":              {"date": {"2027-11-18"}, "index_now": {"1"}, "radiograph_reason": {"x"}},
		"index_now":         {"index_now": {"9"}, "radiograph_reason": {"x"}},
	} {
		p := v.send(v.mustGet(at+"/review"), assessForm, typed, "do=keep")
		if p.status != http.StatusUnprocessableEntity || p.beside(field) == "" {
			t.Errorf("%s: status %d %q %s", field, p.status, p.beside(field), p.text())
		}
	}
	healing := url.Values{"index_now": {"3"}, "radiograph_reason": {"the yearly review"}}
	p = v.send(v.mustGet(at+"/review"), assessForm, healing, "do=show")
	if p.status != http.StatusOK || !p.has("Strict criteria (healed)not met") || !p.has("Loose criteria (healed or healing)met") || p.has("The review is recorded") {
		t.Errorf("%d %s", p.status, p.text())
	}
	healed := url.Values{"index_now": {"1"}, "radiograph_reason": {"the yearly review"}}
	p = v.send(v.mustGet(at+"/review"), assessForm, healed, "do=keep")
	for _, want := range []string{"The review is recorded", "Healed", "Strict criteria (healed)met", "The series of reviews is complete"} {
		if !p.has(want) {
			t.Errorf("%q is missing in %s", want, p.text())
		}
	}
	if p = v.mustGet(at); !p.has("under review") && !p.has("filled") {
		t.Error(p.text())
	}
	if p = r.signIn("nurse").get(at + "/review"); p.status != http.StatusForbidden {
		t.Errorf("a nurse records a review: %d", p.status)
	}
}

func TestAGuardianConsentsForThePatientOnlyWhereThereIsOne(t *testing.T) {
	r := openDeskRig(t, nil, tuesday9)
	at := r.lowerMolar(quietLesion)
	v := r.signIn("clinician")
	p := v.send(v.mustGet(at+"/assess"), assessForm, url.Values{"sign.film-count": {"3"}}, "do=options")
	if p.Find("input[value=GIVER_GUARDIAN]").Length() > 0 {
		t.Error("nobody speaks for this patient")
	}
	patient := patientPath(t, r, "P-46")
	kept, err := r.as(store.RoleReception).Planner.GetPatient(t.Context(), &vw.GetPatientRequest{Name: r.practice + patient})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := r.as(store.RoleReception).Planner.UpdatePatient(t.Context(), &vw.UpdatePatientRequest{Patient: &vw.Patient{Name: kept.GetName(), Etag: kept.GetEtag(), Reference: kept.GetReference(),
		Guardian: &vw.Guardian{Label: proto.String("Invented Guardian")}}}); err != nil {
		t.Fatal(err)
	}
	if p = v.mustGet(at + "/options"); !p.has("Invented Guardian agrees for the patient") {
		t.Error(p.text())
	}
}

func TestARunningVisitLeadsTheClinicianToTheChairAndReceptionToItsAppointment(t *testing.T) {
	r := openDeskRig(t, nil, tuesday9)
	at := r.lowerMolar(quietLesion)
	v := r.signIn("clinician")
	v.send(v.mustGet(at+"/assess"), assessForm, url.Values{"sign.film-count": {"3"}}, "do=options")
	v.send(v.mustGet(at+"/options"), acceptForm, url.Values{"option": {"two-visits"}}, "")
	if _, err := r.as(store.RoleClinician).Chair.BeginVisit(t.Context(), &vw.BeginVisitRequest{Parent: r.practice + at, Part: &vw.VisitPart{Plan: r.practice + at + "/plans/1", Visit: 1},
		IdentityConfirmed: true, AlertsConfirmed: true}); err != nil {
		t.Fatal(err)
	}
	p := v.mustGet(at)
	if !p.has("A visit is running") || p.Find(`#case-next a[href$="/chair"]`).Length() != 1 || !p.has("running now") {
		t.Errorf("%s", p.text())
	}
	if p = r.signIn("reception").mustGet(at); !p.has("A visit is running") || p.Find(`main a[href$="/chair"]`).Length() != 0 {
		t.Errorf("reception is led to the chair: %s", p.text())
	}
	if p = r.signIn("reception").get("/cases/new"); p.at != "/patients" {
		t.Errorf("a case begins with its patient; one is at %s", p.at)
	}
	if p = v.mustGet(at + "/stop"); !p.has("A visit is running. End it first") {
		t.Error(p.text())
	}
}
