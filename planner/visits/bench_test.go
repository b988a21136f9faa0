package visits

import "testing"

// The full plan: three options, four canals, all odds, lengths optimised.
// Beside it, in the same run: the same choices by forward search, and sampling.
// planner/check measures the same on the demo case from its JSON alone.

func BenchmarkDistribution(b *testing.B) {
	m := lowerMolar()
	for b.Loop() {
		if _, err := Distribution(m); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkPlan(b *testing.B) {
	m := lowerMolar()
	b.Run("from nothing", func(b *testing.B) {
		for b.Loop() {
			var s Solver
			threeOptions(b, &s, m)
		}
	})
	b.Run("kernels kept", func(b *testing.B) {
		var s Solver
		other := smallerBelief(m)
		threeOptions(b, &s, m)
		for b.Loop() {
			// Another belief every time, so that only the steps are known already.
			m, other = other, m
			threeOptions(b, &s, m)
		}
	})
	b.Run("one round of forward search", func(b *testing.B) {
		for b.Loop() {
			for k := 1; k <= 3; k++ {
				if n := forwardSearch(b, m, k); n == 0 {
					b.Fatal("nothing was tried")
				}
			}
		}
	})
	b.Run("sampling the answers to 0.001", func(b *testing.B) {
		var s Solver
		var plans []Result
		for k := 1; k <= 3; k++ {
			r, err := s.Solve(m, Option{EarliestCompletion: k})
			if err != nil {
				b.Fatal(err)
			}
			plans = append(plans, r)
		}
		for b.Loop() {
			for _, r := range plans {
				draw := newSampler(m, r, 1)
				for range 250_000 { // sqrt(.5*.5/250000) = 0.001
					draw.treatment()
				}
			}
		}
	})
}

func threeOptions(b *testing.B, s *Solver, m Model) {
	b.Helper()
	for k := 1; k <= 3; k++ {
		if _, err := s.Solve(m, Option{EarliestCompletion: k}); err != nil {
			b.Fatal(err)
		}
	}
}

// forwardSearch tries each length of the first visit and each threshold of its
// entries up to an hour, one at a time, by following the treatment forward on the
// nodes that decide: one round of what a search without the backward recursion
// would repeat until nothing improves. It returns how many plans it tried.
func forwardSearch(b *testing.B, m Model, k int) int {
	b.Helper()
	var s Solver
	best, err := s.Solve(m, Option{EarliestCompletion: k})
	if err != nil {
		b.Fatal(err)
	}
	r, err := s.prepare(m, Option{EarliestCompletion: k})
	if err != nil {
		b.Fatal(err)
	}
	defer r.free()
	if err := r.given(best.Lengths, best.Table); err != nil {
		b.Fatal(err)
	}
	tried := 0
	cost := func() float64 {
		r.use(deciding)
		outs := r.follow()
		total := 0.0
		for i, o := range outs {
			total += m.Cost.Overrun*o.overrun + m.Cost.Idle*o.idle
			if i > 0 {
				total += m.Cost.Visit * o.happens
			}
			for t, q := range o.minutes {
				total += m.Cost.Work * q * float64(t)
			}
		}
		tried++
		return total
	}
	least := cost()
	v := r.visits[0]
	length := v.length[0]
	for _, l := range r.grid {
		for x := range v.length {
			v.length[x] = l
		}
		least = min(least, cost())
	}
	for x := range v.length {
		v.length[x] = length
	}
	for _, e := range best.Table {
		if e.Visit != 1 || e.Rule != Chosen || e.Reached == 0 {
			continue
		}
		p := point(r.sp.index[e.State], e.Barred)
		for left := 0; left <= 60; left += 4 { // every fourth, to keep the benchmark short
			v.left[p] = left
			least = min(least, cost())
		}
		v.left[p] = e.LeastLeft
	}
	return tried
}

func BenchmarkFromHere(b *testing.B) {
	m := lowerMolar()
	var s Solver
	plan, err := s.Solve(m, Option{})
	if err != nil {
		b.Fatal(err)
	}
	run := 6.0
	p := inTheChair(19, 13, 9)
	p.Running, p.Lengths, p.Table = &run, plan.Lengths, plan.Table
	for b.Loop() {
		if _, err := s.FromHere(m, p); err != nil {
			b.Fatal(err)
		}
	}
}
