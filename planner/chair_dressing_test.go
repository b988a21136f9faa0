package planner_test

import (
	"strings"
	"testing"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// An allergy that is learnt with the patient in the chair: what was placed is
// recorded as it was, and the entry says what it goes against; nothing that the
// allergy rules out is put forward.
func TestADressingThatAnAlertRulesOutIsWarnedOfAndNeverPutForward(t *testing.T) {
	b := newBench(t)
	s := b.inChair(90)
	s.opened()
	end := func(medicament string) *vw.ChairVisit {
		v, err := b.chair.EndVisit(b.clinician(), &vw.EndVisitRequest{Name: s.visit.GetName(), EndTime: s.at(45), ValidateOnly: true,
			Closing: &vw.VisitClosing{Medicament: medicament, Temporary: "double-seal", SealMm: 4}})
		b.must(err)
		return v
	}
	warned := func(v *vw.ChairVisit) bool {
		return strings.Contains(strings.Join(v.GetWarnings(), " "), "Chlorhexidine allergy")
	}
	if v := end("chlorhexidine-gel"); warned(v) {
		t.Errorf("without the alert: %q", v.GetWarnings())
	}
	settings, err := b.GetPracticeSettings(b.as(store.RoleManager), &vw.GetPracticeSettingsRequest{Name: ours + "/settings"})
	b.must(err)
	settings.Dressing = "chlorhexidine-gel"
	_, err = b.UpdatePracticeSettings(b.as(store.RoleManager), &vw.UpdatePracticeSettingsRequest{Settings: settings})
	b.must(err)
	usual := func() string {
		v, err := b.chair.GetVisit(b.clinician(), &vw.GetVisitRequest{Name: s.visit.GetName()})
		b.must(err)
		ways := v.GetAnswer().GetWays()
		return ways[len(ways)-1].GetClosing().GetMedicament()
	}
	if got := usual(); got != "chlorhexidine-gel" {
		t.Errorf("the practice's own dressing is put forward: %q", got)
	}
	patient, err := b.GetPatient(b.clinician(), &vw.GetPatientRequest{Name: s.of.GetPatient()})
	b.must(err)
	patient.Alerts = append(patient.Alerts, &vw.Alert{Kind: "chlorhexidine"})
	_, err = b.UpdatePatient(b.clinician(), &vw.UpdatePatientRequest{Patient: patient})
	b.must(err)
	if v := end("chlorhexidine-gel"); !warned(v) {
		t.Errorf("chlorhexidine in a patient who is allergic to it: %q", v.GetWarnings())
	}
	if v := end("calcium-hydroxide"); warned(v) {
		t.Errorf("another dressing: %q", v.GetWarnings())
	}
	if got := usual(); got != "calcium-hydroxide" {
		t.Errorf("put forward for a patient allergic to chlorhexidine: %q", got)
	}
}
