package obtain

import (
	"encoding/json"

	"github.com/visitwright/visitwright/planner/protocol"
	"github.com/visitwright/visitwright/planner/tooth"
	"github.com/visitwright/visitwright/planner/visits"
)

// Ways is the number of treatment options in a plan: filled from visit 1, 2
// or 3.
const Ways = 3

// Molar is the case that speed is measured on: a necrotic lower first molar
// with three canals expected and up to four to treat, over up to four visits.
type Molar struct {
	model visits.Model
	kept  visits.Solver
}

// NewMolar compiles the case.
func NewMolar() (*Molar, error) {
	shipped, err := protocol.Shipped()
	if err != nil {
		return nil, err
	}
	code, err := tooth.Parse("46", tooth.ISO)
	if err != nil {
		return nil, err
	}
	in := input("primary-treatment", "necrotic-lesion", code, 3)
	in.Canals.P = []float64{0, .01, .04, .65, .3}
	m, _, err := shipped.Compile(in)
	return &Molar{model: m}, err
}

// JSON is the case's model.
func (m *Molar) JSON() ([]byte, error) { return json.Marshal(m.model) }

// Distribution computes the minutes of the whole treatment in one go.
func (m *Molar) Distribution() error {
	_, err := visits.Distribution(m.model)
	return err
}

// Plan solves all options, lengths optimised, from nothing.
func (m *Molar) Plan() error { return m.plan(&visits.Solver{}) }

// PlanAgain solves all options with what an earlier plan computed about the
// steps at hand.
func (m *Molar) PlanAgain() error { return m.plan(&m.kept) }

func (m *Molar) plan(s *visits.Solver) error {
	for k := 1; k <= Ways; k++ {
		if _, err := s.Solve(m.model, visits.Option{EarliestCompletion: k}); err != nil {
			return err
		}
	}
	return nil
}
