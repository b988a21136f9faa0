// Package provenance says where a clinical figure comes from.
//
// Every clinical number in the data files carries a Figure's kind and source,
// so that a reader can tell at a glance what was published and what was not.
package provenance

import "fmt"

// Kind is the standing of a figure.
type Kind string

const (
	// Published: read in the source that is named beside it.
	Published Kind = "published"
	// Practice: common practice, for which no source gives a number.
	Practice Kind = "practice"
	// Memory: recalled from the named source, to be checked against it.
	Memory Kind = "memory"
	// Assumed: a modelling choice of this project, with its reason.
	Assumed Kind = "assumed"
	// Invented: demo data only; never used in an answer about a real tooth.
	Invented Kind = "invented"
	// Local: set by the practice in place of the figure that ships.
	Local Kind = "local"
)

// Mark is the provenance of one figure.
type Mark struct {
	Kind   Kind   `json:"kind"`
	Source string `json:"source"` // the publication, or the reason of an assumption
}

// Validate reports a mark that names no kind or no source.
func (m Mark) Validate() error {
	switch m.Kind {
	case Published, Practice, Memory, Assumed, Invented, Local:
	default:
		return fmt.Errorf("provenance kind %q: want published, practice, memory, assumed, invented or local", m.Kind)
	}
	if m.Source == "" {
		return fmt.Errorf("provenance %s: the source or the reason is missing", m.Kind)
	}
	return nil
}

// Flag returns the short text shown beside a figure that was not read in a
// published source, and "" for one that was.
func (m Mark) Flag() string {
	if m.Kind == Published {
		return ""
	}
	return string(m.Kind)
}
