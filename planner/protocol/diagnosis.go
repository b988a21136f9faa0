package protocol

import (
	"fmt"
	"slices"
)

// Term is a pulpal or apical diagnosis in the words of the trade.
type Term struct {
	ID   string `json:"id"`
	Name string `json:"name"`
}

type terms struct {
	Pulpal   map[string]string            `json:"pulpal"`
	Apical   map[string]string            `json:"apical"`
	Combined map[string]map[string]string `json:"combined"`
}

// PulpalDiagnoses lists the pulpal terms by id.
func (c *Catalogue) PulpalDiagnoses() []Term { return termList(c.terms.Pulpal) }

// ApicalDiagnoses lists the apical terms by id.
func (c *Catalogue) ApicalDiagnoses() []Term { return termList(c.terms.Apical) }

func termList(m map[string]string) []Term {
	out := make([]Term, 0, len(m))
	for id, name := range m {
		out = append(out, Term{id, name})
	}
	slices.SortFunc(out, func(a, b Term) int {
		if a.ID < b.ID {
			return -1
		}
		return 1
	})
	return out
}

// Combine turns a pulpal and an apical diagnosis into the one that figures are
// tabled by. An empty apical diagnosis counts as normal apical tissues. An open
// apex matters for a necrotic tooth only. A diagnosis that is combined already,
// such as "necrotic-lesion", may stand alone as the pulpal one. Errors are
// *InputError.
func (c *Catalogue) Combine(pulpal, apical string, openApex bool) (Diagnosis, error) {
	if apical == "" {
		if _, term := c.terms.Pulpal[pulpal]; !term {
			if d, ok := c.diagnoses[pulpal]; ok {
				return d, nil
			}
		}
		apical = "normal-apical-tissues"
	}
	if _, ok := c.terms.Pulpal[pulpal]; !ok {
		return Diagnosis{}, &InputError{Field: "diagnosis.pulpal", Problem: fmt.Sprintf("%q is not in the catalogue", pulpal), Want: "one of " + known(c.terms.Pulpal)}
	}
	if _, ok := c.terms.Apical[apical]; !ok {
		return Diagnosis{}, &InputError{Field: "diagnosis.apical", Problem: fmt.Sprintf("%q is not in the catalogue", apical), Want: "one of " + known(c.terms.Apical)}
	}
	if pulpal == "necrosis" && openApex {
		return c.Diagnosis("immature-necrotic")
	}
	row := c.terms.Combined[pulpal]
	id, ok := row[apical]
	if !ok {
		id = row["*"]
	}
	return c.Diagnosis(id)
}

// Suggest names the treatment that usually goes with a diagnosis: a default for
// a case whose protocol nobody has chosen. The clinician decides.
func (c *Catalogue) Suggest(d Diagnosis) string {
	switch {
	case d.ID == "undetermined":
		return "consultation"
	case d.Filled:
		return "retreatment"
	case d.ID == "immature-necrotic":
		return "apical-plug"
	case d.ID == "replanted":
		return "replanted"
	case d.ID == "reversible-pulpitis":
		return "vital-pulp"
	}
	return "primary-treatment"
}
