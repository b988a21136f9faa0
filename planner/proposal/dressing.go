package proposal

import (
	"fmt"
	"slices"

	"github.com/visitwright/visitwright/planner/protocol"
)

// Dressing is what is placed between the visits of a protocol in a tooth with a
// diagnosis: the practice's own (a catalogue id, "" for none) in an infected tooth
// that would get the usual one, the protocol's otherwise. Where an alert of the
// patient rules that out, the usual one is placed, and the second result is the one
// that was ruled out. An error means that the catalogue does not know an id.
func Dressing(c *protocol.Catalogue, p protocol.Protocol, d protocol.Diagnosis, own string, alerts []string) (placed, out protocol.Medicament, err error) {
	m, err := c.Medicament(p.Dressing[d.Pulp])
	if err != nil {
		return m, out, err
	}
	if own != "" && d.Pulp == protocol.Infected && p.Kind == "treatment" && m.Usual {
		if m, err = c.Medicament(own); err != nil {
			return m, out, err
		}
	}
	if _, against := AlertAgainst(m, alerts); against {
		return c.UsualMedicament(), m, nil
	}
	return m, out, nil
}

// AlertAgainst returns the alert of a patient that rules a medicament out, false
// where none does.
func AlertAgainst(m protocol.Medicament, alerts []string) (Alert, bool) {
	for _, a := range Alerts() {
		if slices.Contains(m.Alerts, a.ID) && slices.Contains(alerts, a.ID) {
			return a, true
		}
	}
	return Alert{}, false
}

// chooseDressing says so where an alert changes the dressing.
func (w *work) chooseDressing() error {
	placed, out, err := Dressing(w.catalogue, w.protocol, w.diagnosis, w.in.Clinic.Dressing, w.in.Patient.Alerts)
	if err != nil {
		return err
	}
	w.dressing = placed.ID
	if a, against := AlertAgainst(out, w.in.Patient.Alerts); against {
		w.plan.Cautions = append(w.plan.Cautions, Caution{ID: "dressing-changed", Mark: mark("practice", "the patient's alert"),
			Text: fmt.Sprintf("%s is ruled out by an alert (%s): %s is planned instead.", out.Name, lower(a.Text), placed.Name)})
	}
	return nil
}
