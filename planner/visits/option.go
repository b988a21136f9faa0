package visits

import (
	"fmt"
	"slices"
)

// resolve fills in defaults and checks the option against the model.
func (o Option) resolve(m Model) (Option, error) {
	if o.EarliestCompletion == 0 {
		o.EarliestCompletion = 1
	}
	if o.EarliestCompletion < 1 || o.EarliestCompletion > m.Horizon {
		return o, wrong("earliest_completion", "%d: want 1 to the horizon, %d", o.EarliestCompletion, m.Horizon)
	}
	if o.BookedAhead == 0 {
		o.BookedAhead = o.EarliestCompletion
	}
	if o.BookedAhead < 1 || o.BookedAhead > m.Horizon {
		return o, wrong("booked_ahead", "%d: want 1 to the horizon, %d", o.BookedAhead, m.Horizon)
	}
	if len(o.Lengths) > o.BookedAhead {
		return o, wrong("lengths", "%d lengths: want at most %d, one for each visit booked ahead", len(o.Lengths), o.BookedAhead)
	}
	for i, l := range o.Lengths {
		if l < 0 || l > m.Cap {
			return o, wrong(fmt.Sprintf("lengths[%d]", i), "%d: want 1 to the cap, %d, or 0 to leave it open", l, m.Cap)
		}
	}
	b := m.Bear
	if o.Bear != nil {
		b = *o.Bear
		c := checker{m: m}
		c.bear("bear", b)
		if c.err != nil {
			return o, c.err
		}
	}
	o.Bear = &b
	if o.CaseNodes < 0 || o.CaseNodes > maxNodes || o.VisitNodes < 0 || o.VisitNodes > maxNodes {
		return o, wrong("case_nodes", "%d and %d: want 1 to %d nodes, or 0 for the defaults", o.CaseNodes, o.VisitNodes, maxNodes)
	}
	o.Lengths = slices.Clone(o.Lengths)
	return o, nil
}

const maxNodes = 64

// counts returns the numbers of nodes: the option's, or defaults that grow with
// the spreads so that the error stays as measured in docs/mathematics.md.
func (o Option) counts(f Factor) nodeCounts {
	c := nodeCounts{
		decideCase:  pick(f.CaseLogSD, 4, 0.22, 5, 0.3, 7),
		decideVisit: pick(f.VisitLogSD, 2, 0.12, 3, 0.2, 4),
	}
	if o.CaseNodes > 0 {
		c.decideCase, c.oddsCase = o.CaseNodes, o.CaseNodes
	}
	if o.VisitNodes > 0 {
		c.decideVisit, c.oddsVisit = o.VisitNodes, o.VisitNodes
	}
	if (o.CaseNodes > 0) != (o.VisitNodes > 0) { // one given: the other as it decides
		c.oddsCase, c.oddsVisit = c.decideCase, c.decideVisit
	}
	return c
}

func pick(sd float64, small int, upTo1 float64, medium int, upTo2 float64, large int) int {
	switch {
	case sd <= upTo1:
		return small
	case sd <= upTo2:
		return medium
	}
	return large
}
