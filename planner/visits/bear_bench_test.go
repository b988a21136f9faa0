package visits

import "testing"

// BenchmarkBear plans a tooth that may stop after each canal for patients who can
// bear less than the best plan without a limit would ask of them.
func BenchmarkBear(b *testing.B) {
	for _, c := range []struct {
		name  string
		whole bool // without stops between canals
		k     int
		bear  Bear
	}{
		{"one visit, 90 minutes", false, 1, Bear{90, .1}},
		{"two visits, 90 minutes", false, 2, Bear{90, .1}},
		{"two visits, 70 minutes", false, 2, Bear{70, .05}},
		{"one visit, 120 minutes", false, 1, Bear{120, .05}},
		{"no stops between canals, one visit, 90 minutes", true, 1, Bear{90, .1}},
		{"no stops between canals, two visits, 90 minutes", true, 2, Bear{90, .1}},
	} {
		b.Run(c.name, func(b *testing.B) {
			var s Solver
			m := lowerMolar()
			m.Stages[1].StopAfterCanal = !c.whole
			if _, err := s.Solve(m, Option{EarliestCompletion: c.k}); err != nil {
				b.Fatal(err)
			}
			cost := 0.0
			for b.Loop() {
				r, err := s.Solve(m, Option{EarliestCompletion: c.k, Bear: &c.bear})
				if err != nil {
					b.Fatal(err)
				}
				cost = r.Cost
			}
			b.ReportMetric(cost, "cost")
		})
	}
}
