package planner

import (
	"fmt"
	"slices"

	"github.com/visitwright/visitwright/planner/proposal"
	"github.com/visitwright/visitwright/scheduler/civil"
)

// actingAlerts are the kinds of the patient's alerts that act on a day: those
// that have begun and are not over.
func actingAlerts(r record, day civil.Date) []string {
	var out []string
	for _, a := range r.patient.Alerts {
		if since, err := civil.ParseDate(a.Since); err == nil && since.After(day) {
			continue
		}
		if until, err := civil.ParseDate(a.Until); err == nil && until.Before(day) {
			continue
		}
		out = append(out, a.Kind)
	}
	return out
}

// againstDressing says which alert of the patient speaks against a medicament,
// empty when none does. What was placed is recorded as it was: this warns, and
// is never a reason to refuse the entry.
func (s *ChairService) againstDressing(rec record, medicament string) string {
	m, err := s.shipped.Medicament(medicament)
	if err != nil || len(m.Alerts) == 0 {
		return ""
	}
	day, err := today(s.now(), rec.settings.GetZone())
	if err != nil {
		return ""
	}
	acting := actingAlerts(rec, day)
	for _, a := range proposal.Alerts() {
		if slices.Contains(m.Alerts, a.ID) && slices.Contains(acting, a.ID) {
			return fmt.Sprintf("The dressing, %s, goes against an alert of this patient: %s. %s", m.Name, a.Text, a.Effect)
		}
	}
	return ""
}
