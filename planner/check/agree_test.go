package check

import (
	"fmt"
	"math"
	"testing"

	"github.com/visitwright/visitwright/planner/check/obtain"
)

// seeds of the sampler; each draws the courses anew.
var seeds = []uint64{1, 20261124, 0x9e3779b97f4a7c15}

// fresh is mixed into a seed when a figure is drawn again.
const fresh = 0x5851f42d4c957f2d

// hold compares every figure of an answer with courses drawn from each seed.
// Hundreds of thousands of figures are compared, so that by chance alone a
// dozen lie beyond four standard errors; such a figure must hold in fresh
// courses. A true difference of that size fails both times.
func hold(t *testing.T, what string, compare func(seed uint64) []Comparison) {
	t.Helper()
	for _, seed := range seeds {
		beyond := map[string]Comparison{}
		for _, c := range compare(seed) {
			if c.Errors > Allowed {
				beyond[c.What] = c
			}
		}
		if len(beyond) == 0 {
			continue
		}
		for _, again := range compare(seed ^ fresh) {
			if c, was := beyond[again.What]; was && again.Errors > Allowed {
				t.Errorf("%s, seed %d: %v; drawn again: %v", what, seed, c, again)
			}
		}
	}
}

// holdOption solves the treatment for an option.
func holdOption(t *testing.T, model []byte, option string) {
	t.Helper()
	treatment, answer := solve(t, model, option)
	booking := answer.Booking()
	hold(t, "option "+option, func(seed uint64) []Comparison {
		s, err := Simulate(treatment, booking, seed, courses)
		if err != nil {
			t.Fatal(err)
		}
		return Compare(answer, s)
	})
}

func solve(t *testing.T, model []byte, option string) (*Treatment, *Answer) {
	t.Helper()
	treatment, err := ReadTreatment(model)
	if err != nil {
		t.Fatal(err)
	}
	solved, err := obtain.Solved(model, []byte(option))
	if err != nil {
		t.Fatalf("option %s: %v", option, err)
	}
	answer, err := ReadAnswer(solved)
	if err != nil {
		t.Fatal(err)
	}
	return treatment, answer
}

// holdOneGo compares the whole treatment in one visit.
func holdOneGo(t *testing.T, model []byte) {
	t.Helper()
	treatment, err := ReadTreatment(model)
	if err != nil {
		t.Fatal(err)
	}
	answer, err := obtain.InOneGo(model)
	if err != nil {
		t.Fatal(err)
	}
	one, err := ReadOneGo(answer)
	if err != nil {
		t.Fatal(err)
	}
	hold(t, "in one go", func(seed uint64) []Comparison {
		all, found := SimulateOneGo(treatment, seed, courses)
		return CompareOneGo(one, all, found)
	})
}

func TestExactResultsOfRandomTreatmentsAgreeWithTheSampler(t *testing.T) {
	for seed := uint64(0); seed < 60; seed += everyModel {
		treatment := randomTreatment(seed)
		t.Run(fmt.Sprintf("treatment %d in one go", seed), func(t *testing.T) {
			t.Parallel()
			holdOneGo(t, treatment.json())
		})
		for k := 1; k <= 2; k++ {
			t.Run(fmt.Sprintf("treatment %d, filled from visit %d", seed, k), func(t *testing.T) {
				t.Parallel()
				holdOption(t, treatment.json(), fmt.Sprintf(`{"earliest_completion":%d}`, k))
			})
		}
	}
}

func TestExactResultsOfEveryToothModelAndProtocolAgreeWithTheSampler(t *testing.T) {
	models, err := obtain.Models()
	if err != nil {
		t.Fatal(err)
	}
	for i, m := range models {
		if i%everyModel != 0 {
			continue
		}
		t.Run(m.Name+", in one go", func(t *testing.T) {
			t.Parallel()
			holdOneGo(t, m.JSON)
		})
		for k := 1; k <= m.Visits; k++ {
			t.Run(fmt.Sprintf("%s, filled from visit %d", m.Name, k), func(t *testing.T) {
				t.Parallel()
				holdOption(t, m.JSON, fmt.Sprintf(`{"earliest_completion":%d}`, k))
			})
		}
	}
}

// What whole minutes and the quadrature of the shared factors cost, measured
// with many courses: no chance of the molar's plan is off by more than half a
// per cent. (Visits of a few minutes are hardly longer than their cells; the
// comparison above allows them half a minute.)
func TestWholeMinutesMoveNoChanceByMoreThanHalfAPerCent(t *testing.T) {
	m, err := obtain.NewMolar()
	if err != nil {
		t.Fatal(err)
	}
	model, err := m.JSON()
	if err != nil {
		t.Fatal(err)
	}
	const moved = .005
	for k := 1; k <= obtain.Ways; k++ {
		treatment, answer := solve(t, model, fmt.Sprintf(`{"earliest_completion":%d}`, k))
		s, err := Simulate(treatment, answer.Booking(), 46, 20*courses)
		if err != nil {
			t.Fatal(err)
		}
		var worst Comparison
		for _, c := range Compare(answer, s) {
			if c.Of > 5*courses && math.Abs(c.Exact-c.Sample) > math.Abs(worst.Exact-worst.Sample) {
				worst = c
			}
			if c.Of > 5*courses && c.Exact <= 1 && math.Abs(c.Exact-c.Sample) > moved+Allowed/math.Sqrt(4*float64(c.Of)) {
				t.Errorf("filled from visit %d: %v", k, c)
			}
		}
		t.Logf("filled from visit %d, of %d courses the furthest off: %v", k, 20*courses, worst)
	}
}
