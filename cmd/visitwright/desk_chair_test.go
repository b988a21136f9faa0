package main

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/fieldmaskpb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// chairRig is the demo's case on the desk: 46 with three canals expected, two
// visits accepted, the patient's year of birth on record.
func chairRig(t *testing.T) (r *deskRig, caseID string) {
	t.Helper()
	h := newHome(t)
	caseID = h.furnish()
	r = openDeskRig(t, h, monday)
	t.Cleanup(func() {
		if t.Failed() {
			for line := range strings.SplitSeq(r.log.String(), "\n") {
				if strings.Contains(line, "level=ERROR") {
					t.Log(line)
				}
			}
		}
	})
	c := r.as(store.RoleReception)
	patients, err := c.Planner.ListPatients(t.Context(), &vw.ListPatientsRequest{Parent: r.practice})
	if err != nil {
		t.Fatal(err)
	}
	patient, year := patients.GetPatients()[0], int32(1971)
	patient.BirthYear, patient.Alerts = &year, []*vw.Alert{{Kind: "latex"}, {Kind: "anticoagulant"}}
	if _, err := c.Planner.UpdatePatient(t.Context(), &vw.UpdatePatientRequest{Patient: patient, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"birth_year", "alerts"}}}); err != nil {
		t.Fatal(err)
	}
	return r, caseID
}

// minute moves the clock to a minute of the visit that began on monday. The
// people are at work meanwhile.
func (r *deskRig) minute(m int, at ...*deskVisitor) {
	r.t.Helper()
	for to := monday.Add(time.Duration(m) * time.Minute); r.clock.read().Before(to); {
		r.clock.move(min(5*time.Minute, to.Sub(r.clock.read())))
		for _, v := range at {
			v.post("/stay", nil)
		}
	}
}

// confirmed is everything that must be said before a visit begins.
func confirmed() url.Values {
	return url.Values{"second": {"1971"}, "tooth_named": {"yes"}, "alert.0": {"yes"}, "alert.1": {"yes"}, "history": {"yes"}, "minutes": {"90"}}
}

func TestAVisitBeginsOnTheDeskOnlyOnceEverythingIsConfirmed(t *testing.T) {
	r, id := chairRig(t)
	v := r.signIn("nurse")
	at := "/cases/" + id + "/chair"
	begin := v.mustGet(at)
	if strings.Contains(begin.text(), "1971") || begin.Find("[value='1971']").Length() > 0 {
		t.Errorf("the page shows what the second identifier is compared with: %s", begin.text())
	}
	for name, c := range map[string]struct{ field, typed, says string }{
		"another year of birth":   {"second", "1972", "does not agree with the record"},
		"no year of birth":        {"second", "", "type the answer"},
		"markup":                  {"second", markup, "does not agree with the record"},
		"a year in more digits":   {"second", "001971", "does not agree with the record"},
		"the tooth not named":     {"tooth_named", "", "Name the tooth"},
		"one alert not read out":  {"alert.1", "", "Read this alert out"},
		"health not asked about":  {"history", "", "Ask, and tick this"},
		"no minutes of any visit": {"minutes", "0", "whole number from 1 to 960"},
	} {
		t.Run(name, func(t *testing.T) {
			typed := confirmed()
			typed[c.field] = []string{c.typed}
			p := v.send(begin, "main form", typed, "")
			if p.status != http.StatusUnprocessableEntity || !strings.Contains(p.beside(c.field), c.says) {
				t.Errorf("status %d, beside %s: %q", p.status, c.field, p.beside(c.field))
			}
			if c.field != "second" && p.value("second") != "1971" {
				t.Error("what was typed is lost")
			}
			if p.Find("main script, main [onerror]").Length() > 0 || strings.Contains(p.text(), "1971") {
				t.Errorf("the page gives the record away, or markup was made: %s", p.text())
			}
		})
	}
	if !v.mustGet(at).has("Begin the visit") {
		t.Error("a visit was begun")
	}
	p := v.send(begin, "main form", confirmed(), "")
	if p.at != at+"/1" || !p.has("46, lower right first molar") {
		t.Fatalf("at %s: %s", p.at, p.text())
	}
	if again := v.send(begin, "main form", confirmed(), ""); again.at != at+"/1" {
		t.Errorf("begun twice leads to %s", again.at)
	}
}

func TestWithoutASecondIdentifierReferenceAndNameAreComparedAloud(t *testing.T) {
	h := newHome(t)
	id := h.furnish()
	r := openDeskRig(t, h, monday)
	v := r.signIn("clinician")
	p := v.mustGet("/cases/" + id + "/chair")
	if !p.has("holds no second identifier") {
		t.Fatal(p.text())
	}
	typed := url.Values{"tooth_named": {"yes"}, "history": {"yes"}}
	if p := v.send(p, "main form", typed, ""); p.beside("second") == "" {
		t.Errorf("nothing was compared: %s", p.text())
	}
	typed.Set("second", "yes")
	if p := v.send(p, "main form", typed, ""); !strings.HasSuffix(p.at, "/chair/1") {
		t.Errorf("at %s: %s", p.at, p.text())
	}
}

// The demo's case, tapped on the desk without script.
func TestTheDemoCaseIsPlayedThroughOnTheDesk(t *testing.T) {
	r, id := chairRig(t)
	v := r.signIn("clinician")
	at := "/cases/" + id + "/chair"
	v.send(v.mustGet(at), "main form", confirmed(), "")
	at += "/1"
	minute := func(m int) { t.Helper(); r.minute(m, v) }
	says := func(p *deskPage, texts ...string) {
		t.Helper()
		for _, want := range texts {
			if !p.has(want) {
				t.Errorf("%s does not say %q: %s", p.at, want, p.text())
			}
		}
	}
	work := v.mustGet(at)
	says(work, "Time fits: 8 in 10. Not answered: dry", "identity, medical history and consent checked", "finish today", "not answered")
	if work.has("Ready to fill: every") {
		t.Error("odds were taken for a permission")
	}

	minute(2)
	p := v.send(v.mustGet(at+"?view=numb"), `form[action$="/give"]`, url.Values{"cartridges": {"2"}}, "")
	says(p, "2 of lidocaine", "At most 6 whole cartridges more", "227 mg of 299 mg", "4.4 mg/kg x 68 kg")

	minute(22)
	stage := v.mustGet(at).Find(`button[name="stage"]`).First().AttrOr("value", "")
	p = v.send(v.mustGet(at), `form[action$="/step"]`, nil, "") // nothing pressed: refused, nothing kept
	if p.status != http.StatusUnprocessableEntity {
		t.Errorf("no step: %d", p.status)
	}
	p = v.post(at+"/stage", url.Values{"request_id": {"7f9f3f6e-5b8e-4d0b-9a51-0f53f6d0a001"}, "stage": {stage}})
	says(p, "scouting, coronal flare and glide path")

	minute(40)
	p = v.send(v.mustGet(at+"?view=canals"), `#canal-2 form`, url.Values{"zero_mm": {"20,5"}, "reference_point": {"D cusp"}, "patent": {"yes"}, "file_size": {"35"}, "file_taper": {"4"}}, "")
	says(p, "20.5", "20.0", "D cusp", "35/.04")

	minute(45)
	p = v.send(v.mustGet(at+"?view=events"), `#event-blocked-canal form`, url.Values{"canal": {"MB"}, "third": {"apical"}}, "")
	says(p, "blocked or calcified canal: MB, apical third", "First: Small stiff files", "Consent is asked for again", "See what changes")

	minute(50)
	p = v.send(v.mustGet(at+"?view=events"), `#event-further-canal form`, url.Values{"canal": {"DL"}}, "")
	says(p, "further canal found: DL", "Time fits: 1 in 10")
	minute(55)
	p = v.send(v.mustGet(at+"?view=events"), `#event-canals-join form`, url.Values{"canal": {"DL"}, "partner": {"D"}, "third": {"apical"}}, "")
	says(p, "two canals join: DL into D, apical third")

	minute(56)
	p = v.post(at+"/check", url.Values{"request_id": {"7f9f3f6e-5b8e-4d0b-9a51-0f53f6d0a002"}, "answer": {"dry|no"}})
	says(p, "Forbids: a canal does not dry", "Not in this visit")
	p = v.send(p, `#next form[action$="/undo"]`, nil, "mark="+p.Find(`#next button[name="mark"]`).AttrOr("value", ""))
	if p.has("a canal does not dry") {
		t.Errorf("what was taken back still counts: %s", p.text())
	}

	minute(60)
	plan := v.mustGet(at + "/plan")
	says(plan, "Visit 2", "minutes, because", "Nothing is booked ahead")

	minute(80)
	shut := v.mustGet(at + "?view=close")
	typed := url.Values{"medicament": {"calcium-hydroxide"}, "temporary": {"double-seal"}, "seal_mm": {"4"}, "forced_because": {"no time left"}}
	says(v.send(shut, `form[action$="/close"]`, typed, "do=show"), "not before", "not after")
	p = v.send(shut, `form[action$="/close"]`, typed, "do=end")
	says(p, "The visit is closed", "What changes", "not after")
	p = v.send(p, `form[action$="/plan"]`, nil, "do=keep")
	says(p, "Kept as revision 2")
	says(v.mustGet(at), "no time left", "calcium hydroxide", "Seal 4.0 mm")
}
