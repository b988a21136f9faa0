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
	if begin.has("is not opened before the patient has agreed") {
		t.Errorf("consent was given: %s", begin.text())
	}
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

func TestWhoBeginsAVisitBeforeThePatientHasAgreedIsToldSo(t *testing.T) {
	r, id := chairRig(t)
	r.mustAt(monday, "propose", id)
	if p := r.signIn("nurse").mustGet("/cases/" + id + "/chair"); !p.has("No option of the newest plan is accepted, and no consent to it is recorded") {
		t.Errorf("the newest plan waits for its acceptance: %s", p.text())
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
	ended := v.mustGet(at)
	says(ended, "no time left", "calcium hydroxide", "Seal 4.0 mm")
	if p := v.send(ended, "#log form", url.Values{"chair_minutes": {"0"}}, ""); p.status != http.StatusUnprocessableEntity || !p.has("Say why the log is changed") || p.beside("chair_minutes") == "" {
		t.Errorf("a log of no minutes: %d %s", p.status, p.text())
	}
	says(v.send(ended, "#log form", url.Values{"chair_minutes": {"84"}, "reason": {"the end was tapped early"}}, ""), "84 min in the chair", "The log is corrected")
}

func TestWhatDoesNotFitAVisitIsSaidBesideTheFieldAndNothingIsKept(t *testing.T) {
	r, id := chairRig(t)
	v := r.signIn("nurse")
	at := "/cases/" + id + "/chair"
	v.send(v.mustGet(at), "main form", confirmed(), "")
	at += "/1"
	r.minute(10, v)
	entries := v.mustGet(at + "?view=entries").Find(".entries > li").Length()
	for name, c := range map[string]struct {
		view, form string
		typed      url.Values
		says       string
	}{
		"a length of 60 mm":                     {"?view=canals", "#canal-0 form", url.Values{"zero_mm": {"60"}}, "5 to 40 mm"},
		"a length in words":                     {"?view=canals", "#canal-0 form", url.Values{"working_length_mm": {markup}}, "Enter a number"},
		"a file that is none":                   {"?view=canals", "#canal-0 form", url.Values{"file_size": {"3"}}, "6 to 140"},
		"a state that is none":                  {"?view=canals", "#canal-0 form", url.Values{"state": {"polished"}}, "Expected, located"},
		"a reference point that is a book":      {"?view=canals", "#canal-0 form", url.Values{"reference_point": {strings.Repeat("long ", 60)}}, "60"},
		"a ledge in no third":                   {"?view=events", "#event-ledge form", url.Values{"canal": {"MB"}}, "Coronal, middle or apical"},
		"a ledge in no canal":                   {"?view=events", "#event-ledge form", url.Values{"third": {"apical"}}, "One of [MB ML D]"},
		"a canal that joins itself":             {"?view=events", "#event-canals-join form", url.Values{"canal": {"MB"}, "partner": {"MB"}, "third": {"apical"}}, "the canal it joins"},
		"a further canal of no name":            {"?view=events", "#event-further-canal form", url.Values{"canal": {""}}, "The name of the canal that was found"},
		"a further canal named in markup":       {"?view=events", "#event-further-canal form", url.Values{"canal": {markup}}, ""},
		"forty cartridges":                      {"?view=numb", `form[action$="/give"]`, url.Values{"cartridges": {"40"}}, "Enter a number from 0.1 to 20"},
		"no cartridges":                         {"?view=numb", `form[action$="/give"]`, url.Values{"cartridges": {""}}, "above 0, at most 20"},
		"a solution of our own making":          {"?view=numb", `form[action$="/give"]`, url.Values{"cartridges": {"1"}, "solution": {"moonshine|x|y|z|w"}}, "Choose one of the entries"},
		"a radiograph without justification":    {"?view=numb", `form[action$="/film"]`, url.Values{"justification": {" "}}, "Say why the radiograph is needed"},
		"consent to nothing":                    {"?view=numb", `form[action$="/consent"]`, url.Values{"covers": {""}}, "Say what the patient agreed to"},
		"an event before the visit":             {"?view=events", "#event-perforation form", url.Values{"at": {"07:30"}}, "before the visit began"},
		"an event ahead":                        {"?view=events", "#event-perforation form", url.Values{"at": {"11:00"}}, "has not come yet"},
		"a time that is none":                   {"?view=events", "#event-perforation form", url.Values{"at": {"25:61"}}, "Enter a time of day"},
		"a seal of half a metre":                {"?view=close", `form[action$="/close"]`, url.Values{"seal_mm": {"500"}}, "Enter a number from 0 to 20"},
		"a dressing that is none":               {"?view=close", `form[action$="/close"]`, url.Values{"medicament": {"snake-oil"}, "do": {"end"}}, "catalogue"},
		"a reason to stop that is a long story": {"?view=close", `form[action$="/close"]`, url.Values{"forced_because": {strings.Repeat("story ", 80)}, "do": {"end"}}, "300"},
	} {
		t.Run(name, func(t *testing.T) {
			p := v.send(v.mustGet(at+c.view), c.form, c.typed, "")
			if p.status != http.StatusUnprocessableEntity || !p.has(c.says) {
				t.Errorf("status %d, want %q said: %s", p.status, c.says, p.text())
			}
			if p.Find("main script, main [onerror]").Length() > 0 {
				t.Error("what was typed became markup")
			}
			for field, typed := range c.typed {
				if field == "zero_mm" || field == "cartridges" || field == "forced_because" {
					if got := p.Find(`[name="`+field+`"]`).First().AttrOr("value", ""); strings.TrimSpace(got) != strings.TrimSpace(typed[0]) {
						t.Errorf("%s was typed as %.20q and is now %.20q", field, typed[0], got)
					}
				}
			}
		})
	}
	for _, wrong := range []string{"/step", "/stage", "/check", "/undo", "/retime"} {
		if p := v.post(at+wrong, url.Values{"step": {"no-such|XX"}, "stage": {"no-such"}, "answer": {"dry|perhaps"}, "mark": {"no-such"}, "at": {"08:05"}}); p.status != http.StatusUnprocessableEntity {
			t.Errorf("%s: status %d: %s", wrong, p.status, p.text())
		}
	}
	for path, want := range map[string]int{"/cases/" + id + "/chair/2": http.StatusNotFound, "/cases/" + id + "/chair/0": http.StatusNotFound, "/cases/" + id + "/chair/x": http.StatusNotFound,
		"/cases/01jxxxxxxxxxxxxxxxxxxxxxxx/chair": http.StatusNotFound, at + "?view=nonsense": http.StatusNotFound, at + "/stop": http.StatusForbidden} {
		if p := v.get(path); p.status != want {
			t.Errorf("%s: status %d, want %d", path, p.status, want)
		}
	}
	if p := r.signIn("reception").get(at); p.status != http.StatusForbidden {
		t.Errorf("reception stands at the chair: %d", p.status)
	}
	if now := v.mustGet(at + "?view=entries").Find(".entries > li").Length(); now != entries {
		t.Errorf("%d entries became %d", entries, now)
	}
}

func TestAnEntryThatComesLateStandsWhereItBelongsAndItsTimeCanBeCorrected(t *testing.T) {
	r, id := chairRig(t)
	v := r.signIn("clinician")
	at := "/cases/" + id + "/chair"
	v.send(v.mustGet(at), "main form", confirmed(), "")
	at += "/1"
	r.minute(12, v)
	p := v.send(v.mustGet(at), `#next form[action$="/step"]`, url.Values{"at": {"08:04"}}, "step="+v.mustGet(at).Find("#next button.giant").AttrOr("value", ""))
	if p.status != http.StatusOK {
		t.Fatalf("a late entry: %d %s", p.status, p.text())
	}
	entries := v.mustGet(at + "?view=entries")
	if first := entries.Find(".entries > li").First().Text(); !strings.Contains(first, "08:04") || !strings.Contains(first, "entered later") {
		t.Fatalf("the entry reads %q", first)
	}
	p = v.send(entries, `.entries form[action$="/retime"]`, url.Values{"at": {"08:06"}}, "mark="+entries.Find(`.entries form[action$="/retime"] button`).AttrOr("value", ""))
	if !p.has("The time is corrected") {
		t.Errorf("%d %s", p.status, p.text())
	}
	double := v.mustGet(at)
	step := double.Find("#next button.giant").AttrOr("value", "")
	for range 2 {
		if p := v.send(double, `#next form[action$="/step"]`, nil, "step="+step); p.status != http.StatusOK {
			t.Errorf("the same tap twice: %d %s", p.status, p.text())
		}
	}
	if n := strings.Count(v.mustGet(at+"?view=entries").Find(".entries").Text(), "local anaesthetic given"); n != 1 {
		t.Errorf("tapped twice, kept %d times", n)
	}
}

func TestATreatmentIsStoppedAsOneActionWithItsReport(t *testing.T) {
	r, id := chairRig(t)
	booking := r.bookBoth(id)
	v := r.signIn("clinician")
	at := "/cases/" + id + "/chair"
	v.send(v.mustGet(at), "main form", confirmed(), "")
	stop := v.mustGet(at + "/1/stop")
	if p := v.send(stop, "main form", nil, "do=stop"); p.status != http.StatusUnprocessableEntity || !p.has("Say why the treatment stops") {
		t.Fatalf("stopped for nothing: %d", p.status)
	}
	typed := url.Values{"event": {"crack-or-root-fracture"}, "temporary": {"double-seal"}, "note": {"a crack across the floor; extraction agreed"}}
	p := v.send(stop, "main form", typed, "do=show")
	if !p.has("Cancelled with it") || !p.has("Treatment stopped: crack or root fracture") || p.Find("#appointments, .panel .rows li").Length() == 0 {
		t.Fatalf("the preview: %s", p.text())
	}
	if !v.mustGet(at + "/1").has("min used") {
		t.Fatal("a preview stopped the treatment")
	}
	p = v.send(p, "main form", nil, "do=stop")
	if !strings.Contains(p.at, "/report?kind=stop") || !p.has("The treatment is stopped") {
		t.Fatalf("at %s: %s", p.at, p.text())
	}
	second, err := r.as(store.RoleReception).Diary.GetAppointment(t.Context(), &vw.GetAppointmentRequest{Name: booking.GetAppointments()[1].GetName()})
	if err != nil || second.GetState() != vw.Appointment_STATE_CANCELLED {
		t.Errorf("the second appointment is %v %v", second.GetState(), err)
	}
}
