package visits

import (
	"fmt"
	"math"
	"testing"
)

// sampleSize keeps the standard error of a probability below 0.0012.
const sampleSize = 200_000

// agrees compares a plan with a sampler of the same model: every figure within
// four standard errors, plus the stated error of the lattice.
func agrees(t *testing.T, m Model, r Result, seed uint64, size int) {
	t.Helper()
	s := newSampler(m, r, seed)
	type tally struct{ n, sum, sq float64 }
	add := func(a *tally, x float64) { a.n++; a.sum += x; a.sq += x * x }
	complete := make([]tally, m.Horizon)
	overrun, idle, minutes := make([]tally, m.Horizon), make([]tally, m.Horizon), make([]tally, m.Horizon)
	onTime := make([]tally, m.Horizon)
	var visits, total, cost tally
	var below [5]tally
	quantiles := [5]float64{0.1, 0.5, 0.8, 0.9, 0.95}
	for range size {
		d := s.treatment()
		sum, c := 0.0, 0.0
		for i, x := range d.minutes {
			sum += x
			add(&minutes[i], x)
			l := float64(d.lengths[i])
			add(&overrun[i], math.Max(x-l, 0))
			add(&idle[i], math.Max(l-x, 0))
			on := 0.0
			if math.Floor(x+0.5) <= l {
				on = 1
			}
			add(&onTime[i], on)
			c += m.Cost.Work*x + m.Cost.Overrun*math.Max(x-l, 0) + m.Cost.Idle*math.Max(l-x, 0)
		}
		c += m.Cost.Visit * float64(d.visits-1)
		if d.complete {
			c += m.Cost.Unused * float64(max(0, r.Option.BookedAhead-d.visits))
		}
		add(&cost, c)
		add(&visits, float64(d.visits))
		add(&total, sum)
		for i := range complete {
			x := 0.0
			if d.complete && d.visits <= i+1 {
				x = 1
			}
			add(&complete[i], x)
		}
		for i, q := range quantiles {
			x := 0.0
			if sum <= r.Total.Quantile(q) {
				x = 1
			}
			add(&below[i], x)
		}
	}
	check := func(what string, exact float64, a tally, lattice float64) {
		t.Helper()
		if a.n < 2 {
			return
		}
		mean := a.sum / a.n
		se := math.Sqrt(math.Max(a.sq/a.n-mean*mean, 0) / a.n)
		if a.n < 200 {
			return // too few to judge
		}
		if d := math.Abs(exact - mean); d > 4*math.Max(se, 1/a.n)+lattice {
			t.Errorf("%s: exact %.5f, sampled %.5f, standard error %.5f: %.1f apart", what, exact, mean, se, d/se)
		}
	}
	for i := range m.Horizon {
		check(fmt.Sprintf("complete by visit %d", i+1), r.Complete[i], complete[i], 0)
		v := r.Visits[i]
		check(fmt.Sprintf("minutes of visit %d", i+1), v.Minutes.Mean(), minutes[i], 0)
		check(fmt.Sprintf("overrun of visit %d", i+1), v.Overrun, overrun[i], 0)
		check(fmt.Sprintf("idle of visit %d", i+1), v.Idle, idle[i], 0)
		if v.BookedAhead {
			check(fmt.Sprintf("on time in visit %d", i+1), v.Quantile, onTime[i], 0)
		}
	}
	check("visits", r.ExpectedVisits, visits, 0)
	check("total minutes", r.Total.Mean(), total, 0)
	for i, q := range quantiles {
		check(fmt.Sprintf("total below its %v quantile", q), q, below[i], 0)
	}
	check("cost without the unfinished", r.Cost-r.Parts.Unfinished, cost, 0)
}

func TestASamplerOfTheSameModelAgreesWithThePlan(t *testing.T) {
	m := lowerMolar()
	for k := 1; k <= 3; k++ {
		r, err := Solve(m, Option{EarliestCompletion: k})
		if err != nil {
			t.Fatal(err)
		}
		for seed := uint64(1); seed <= 2; seed++ {
			t.Run(fmt.Sprintf("option %d seed %d", k, seed), func(t *testing.T) { agrees(t, m, r, seed, sampleSize) })
		}
	}
}
