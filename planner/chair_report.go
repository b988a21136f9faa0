package planner

import (
	"fmt"
	"strings"

	"github.com/visitwright/visitwright/planner/chairside"
)

// report is the letter to whoever referred or restores, when treatment stops.
// It holds the practice's reference and no name.
func (s *ChairService) report(o openVisit, rec record, event chairside.Event, note string, closes bool) (string, error) {
	v := o.state
	day, err := today(v.Ended, rec.settings.GetZone())
	if err != nil {
		return "", err
	}
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	line("Treatment stopped: %s", event.Name)
	line("Patient reference %s; tooth %s.", rec.patient.Reference, toothLabel(toothToProto(o.of.tooth, rec.shown)))
	line("Planned: %s. Visit %d, %s, %.0f minutes in the chair.", o.of.message.GetTitle(), o.kept.Number, day, v.Minutes())
	line("Reason: %s.", event.Rule.Why)
	for _, c := range v.Canals {
		line("Canal %s: %s.", c.Name, canalToProto(c).GetText())
	}
	if c := v.Closing; c != nil {
		placed := []string{}
		if m, err := s.shipped.Medicament(c.Medicament); err == nil && c.Medicament != "" {
			placed = append(placed, m.Name)
		}
		if t, err := s.shipped.Temporary(c.Temporary); err == nil && c.Temporary != "" {
			placed = append(placed, t.Name)
		}
		if len(placed) == 0 {
			placed = append(placed, "nothing: the tooth was not opened")
		}
		line("Placed: %s.", strings.Join(placed, ", "))
	}
	for _, m := range v.Images {
		line("Radiograph: %s.", m.Reason)
	}
	if note != "" {
		line("Note: %s", note)
	}
	decision := "The decision about the tooth is the clinician's and the patient's; further appointments of this case were cancelled"
	if closes {
		line("%s, and nothing is followed up any more.", decision)
	} else {
		line("%s. The case stays open, and on the follow-up list, until it is decided what becomes of the tooth.", decision)
	}
	return b.String(), nil
}
