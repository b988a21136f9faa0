package visits

import (
	"fmt"
	"math"
	"testing"
)

// cdfGap is the greatest difference of two distribution functions.
func cdfGap(a, b interface{ AtMost(int) float64 }) float64 {
	gap := 0.0
	for x := 0; x <= 480; x++ {
		gap = math.Max(gap, math.Abs(a.AtMost(x)-b.AtMost(x)))
	}
	return gap
}

func TestNodesAreEnough(t *testing.T) {
	// The same lengths and table are followed on the default nodes and on many
	// more. The spreads are those of the practice's data (0.28, 0.1), a narrower
	// and a wider case, and one whose days differ more than its teeth.
	for _, f := range []Factor{{0.2, 0.1}, {0.28, 0.1}, {0.35, 0.15}, {0.15, 0.2}} {
		m := lowerMolar()
		m.Factor, m.Horizon = f, 3
		for k := 1; k <= 3; k++ {
			t.Run(fmt.Sprintf("spreads %v %v option %d", f.CaseLogSD, f.VisitLogSD, k), func(t *testing.T) {
				o := Option{EarliestCompletion: k}
				r, err := Solve(m, o)
				if err != nil {
					t.Fatal(err)
				}
				many := Option{EarliestCompletion: k, CaseNodes: 25, VisitNodes: 9}
				fine, err := Follow(m, many, r.Lengths, r.Table)
				if err != nil {
					t.Fatal(err)
				}
				odds, visits := 0.0, 0.0
				for i := range r.Complete {
					odds = math.Max(odds, math.Abs(r.Complete[i]-fine.Complete[i]))
					if r.Visits[i].Happens > 0.05 {
						visits = math.Max(visits, cdfGap(r.Visits[i].Minutes, fine.Visits[i].Minutes))
					}
				}
				total := cdfGap(r.Total, fine.Total)
				n := r.Numbers
				t.Logf("nodes %dx%d (%d sums): completion odds off by %.5f, minutes of a visit by %.5f, of all visits by %.5f, cost by %.4f of %.1f; moved to outermost cells %.1e",
					n.CaseNodes, n.VisitNodes, n.FactorNodes, odds, visits, total, r.Cost-fine.Cost, r.Cost, n.Lost)
				if odds > 1e-3 || visits > 1.5e-3 || total > 1.5e-3 {
					t.Error("more than a sampler of a quarter of a million could see")
				}
				if n.Lost > 1e-4 {
					t.Errorf("probability %v lies in an outermost cell instead of its own", n.Lost)
				}
			})
		}
	}
}

func TestNodesOfATreatmentInOneGoAreEnough(t *testing.T) {
	for _, f := range []Factor{{0.2, 0.1}, {0.28, 0.1}, {0.4, 0.2}, {0.2, 0}, {0, 0.1}} {
		m := lowerMolar()
		m.Factor = f
		d, err := Distribution(m)
		if err != nil {
			t.Fatal(err)
		}
		// Solve follows the same treatment on the nodes of its odds.
		r, err := Solve(m, Option{CaseNodes: 25, VisitNodes: 9})
		if err != nil {
			t.Fatal(err)
		}
		for i, c := range r.Canals {
			gap := cdfGap(d.Found[i].Minutes, c.OneGo)
			t.Logf("spreads %v %v, %d canals: %d nodes, off by %.5f", f.CaseLogSD, f.VisitLogSD, c.Found, d.Numbers.CaseNodes, gap)
			if gap > 1e-3 {
				t.Error("more than a sampler of a quarter of a million could see")
			}
		}
	}
}

func TestChoosingOnFewNodesCostsNextToNothing(t *testing.T) {
	for _, f := range []Factor{{0.2, 0.1}, {0.28, 0.1}} {
		m := lowerMolar()
		m.Factor, m.Horizon = f, 3
		for k := 1; k <= 2; k++ {
			few, err := Solve(m, Option{EarliestCompletion: k})
			if err != nil {
				t.Fatal(err)
			}
			o := Option{EarliestCompletion: k, CaseNodes: 11, VisitNodes: 3}
			many, err := Solve(m, o)
			if err != nil {
				t.Fatal(err)
			}
			same, err := Follow(m, o, few.Lengths, few.Table)
			if err != nil {
				t.Fatal(err)
			}
			n := few.Numbers
			t.Logf("spreads %v %v option %d: chosen on %dx%d nodes instead of 11x3, the plan costs %.5f more of %.1f", f.CaseLogSD, f.VisitLogSD, k, n.DecideCaseNodes, n.DecideVisitNodes, same.Cost-many.Cost, many.Cost)
			if same.Cost-many.Cost > 2e-4*many.Cost {
				t.Error("choosing on few nodes costs more than two in ten thousand")
			}
		}
	}
}
