// Package chairside keeps what happens in a running visit and says where the
// tooth stands.
//
// A visit is the list of its marks: begun, step done, chair event, canal
// record, check answered, ended. Nothing else is stored; Read folds the list
// into the state of the visit, so that a mark that was lost, late or taken
// back changes exactly what it says. Minutes come from the marks' own times.
package chairside

import (
	_ "embed"
	"encoding/json"
	"fmt"
	"slices"
	"sync"

	"github.com/visitwright/visitwright/planner/provenance"
)

//go:embed events.json
var eventsFile []byte

// Says is how strongly a rule speaks.
type Says string

const (
	Forbids        Says = "forbids"
	AdvisesAgainst Says = "advises against"
	Neutral        Says = "neutral"
	Favours        Says = "favours"
)

// Rule is what an event means for filling the tooth in this visit.
type Rule struct {
	Says Says            `json:"says"`
	Why  string          `json:"why"`
	Mark provenance.Mark `json:"mark"`
}

// Cost is the minutes that an event adds, as a law.
type Cost struct {
	Median float64         `json:"median"` // minutes
	LogSD  float64         `json:"log_sd"`
	Scaled bool            `json:"scaled"`
	Mark   provenance.Mark `json:"mark"`
}

// Effects of an event on the canal it names.
const (
	EffectLocated = "located" // a further canal is in hand
	EffectJoins   = "joins"   // the canal joins its partner
	EffectDecide  = "decide"  // the clinician decides before filling
)

// Event is one entry of the catalogue of chair events.
type Event struct {
	ID           string `json:"id"`
	Name         string `json:"name"`
	NeedsCanal   bool   `json:"needs_canal"`
	NeedsThird   bool   `json:"needs_third"`   // which third of the root
	NeedsPartner bool   `json:"needs_partner"` // the canal it joins
	CanalEffect  string `json:"canal_effect"`
	BarsFilling  bool   `json:"bars_filling"`
	// Reopens are questions of the ready-to-fill check, by their ids, whose yes
	// spoke of the tooth as it was before the event.
	Reopens    []string `json:"reopens,omitempty"`
	ForcesStop bool     `json:"forces_stop"`
	// EndsTreatment: the case is stopped, not only the visit.
	EndsTreatment bool   `json:"ends_treatment"`
	Consent       string `json:"consent"` // what consent is asked for again; empty when it need not be
	First         string `json:"first"`   // what to do first; a practice's own instruction replaces it
	Minutes       *Cost  `json:"minutes,omitempty"`
	Rule          Rule   `json:"rule"`
}

type catalogue struct {
	Events []Event `json:"events"`
	// StepEffects says which state a step leaves its canal in.
	StepEffects map[string]CanalState `json:"step_effects"`
	JoinShare   joinShare             `json:"join_share"`
}

// joinShare is how much of a canal's work is done when it joins another.
type joinShare struct {
	Steps                   []string `json:"steps"`
	Coronal, Middle, Apical share
}

type share struct {
	Value float64         `json:"value"`
	Mark  provenance.Mark `json:"mark"`
}

func (j joinShare) of(t Third) float64 {
	switch t {
	case Coronal:
		return j.Coronal.Value
	case Middle:
		return j.Middle.Value
	}
	return j.Apical.Value
}

var load = sync.OnceValues(func() (catalogue, error) {
	var c catalogue
	if err := json.Unmarshal(eventsFile, &c); err != nil {
		return c, fmt.Errorf("chair events: %w", err)
	}
	return c, nil
})

// JoinShare is the share of these steps that is left on a canal which joins
// another in a third of the root.
func JoinShare(t Third) (share float64, steps []string) {
	c, err := load()
	if err != nil {
		return 1, nil
	}
	return c.JoinShare.of(t), slices.Clone(c.JoinShare.Steps)
}

// Events lists the chair events in the order in which they are offered.
func Events() ([]Event, error) {
	c, err := load()
	return slices.Clone(c.Events), err
}

// FindEvent returns one chair event, or an InputError.
func FindEvent(id string) (Event, error) {
	c, err := load()
	if err != nil {
		return Event{}, err
	}
	i := slices.IndexFunc(c.Events, func(e Event) bool { return e.ID == id })
	if i < 0 {
		return Event{}, &InputError{"event", fmt.Sprintf("%q is not in the catalogue of chair events", id), "an id that the catalogue lists"}
	}
	return c.Events[i], nil
}

// InputError says which field of a mark is wrong and what would be right.
type InputError struct{ Field, Problem, Want string }

func (e *InputError) Error() string { return e.Field + ": " + e.Problem + "; want " + e.Want }
