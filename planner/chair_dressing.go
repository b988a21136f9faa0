package planner

import (
	"cmp"
	"fmt"

	"github.com/visitwright/visitwright/planner/chairside"
	"github.com/visitwright/visitwright/planner/proposal"
)

// usualClosing is what this practice places in such a tooth, as the plan has it
// with the alerts of today.
func (s *ChairService) usualClosing(o openVisit, rec record) (chairside.Closing, error) {
	out := chairside.Closing{Temporary: cmp.Or(rec.settings.GetTemporary(), proposal.DefaultTemporary)}
	p, err := s.shipped.Protocol(o.of.message.GetProtocol())
	if err != nil {
		return out, s.fault(err, Caller{}, inputPaths)
	}
	id, err := s.diagnosisOf(rec, o.of.message.GetAssessment().GetFindings())
	if err != nil {
		return out, err
	}
	d, err := s.shipped.Diagnosis(cmp.Or(id, undetermined))
	if err != nil {
		return out, s.fault(err, Caller{}, inputPaths)
	}
	alerts, err := s.actingAlerts(rec)
	if err != nil {
		return out, err
	}
	m, _, err := proposal.Dressing(s.shipped, p, d, rec.settings.GetDressing(), alerts)
	out.Medicament = m.ID
	return out, err
}

// againstDressing says which alert of the patient speaks against a medicament,
// nothing when none does. What was placed is recorded as it was: this warns, and
// is never a reason to refuse the entry.
func (s *ChairService) againstDressing(rec record, medicament string) ([]string, error) {
	m, _ := s.shipped.Medicament(medicament) // no alert speaks against nothing, or one that is not known
	alerts, err := s.actingAlerts(rec)
	if err != nil {
		return nil, err
	}
	a, against := proposal.AlertAgainst(m, alerts)
	if !against {
		return nil, nil
	}
	return []string{fmt.Sprintf("The dressing, %s, goes against an alert of this patient: %s. %s", m.Name, a.Text, a.Effect)}, nil
}

// actingAlerts are the kinds of the patient's alerts that act today.
func (s *ChairService) actingAlerts(rec record) ([]string, error) {
	day, err := today(s.now(), rec.settings.GetZone())
	if err != nil {
		return nil, err
	}
	var out []string
	for _, a := range rec.patient.Alerts {
		if acts(a, day) {
			out = append(out, a.Kind)
		}
	}
	return out, nil
}
