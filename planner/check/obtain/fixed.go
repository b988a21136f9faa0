package obtain

import (
	"github.com/visitwright/visitwright/planner/protocol"
	"github.com/visitwright/visitwright/planner/tooth"
	"github.com/visitwright/visitwright/planner/visits"
)

// Beside holds what one way of doing a treatment costs with the planner's table
// and with the best fixed threshold, in minutes of work.
type Beside struct {
	Table, Fixed float64
	LeastLeft    int // minutes that the best fixed threshold wants left to go on
}

// BesideFixed plans a treatment that ships, of a case of middling difficulty, so
// that it is filled from the visit given, and looks for the best plan that goes
// on at every stopping point whenever one and the same number of minutes is left.
func BesideFixed(protocolID, diagnosis, iso string, canals, fillFrom int) (Beside, error) {
	shipped, err := protocol.Shipped()
	if err != nil {
		return Beside{}, err
	}
	code, err := tooth.Parse(iso, tooth.ISO)
	if err != nil {
		return Beside{}, err
	}
	m, _, err := shipped.Compile(input(protocolID, diagnosis, code, canals))
	if err != nil {
		return Beside{}, err
	}
	var s visits.Solver
	o := visits.Option{EarliestCompletion: fillFrom}
	plan, err := s.Solve(m, o)
	if err != nil {
		return Beside{}, err
	}
	fixed, err := s.BestFixedThreshold(m, o)
	return Beside{plan.Cost, fixed.Cost, fixed.LeastLeft}, err
}
