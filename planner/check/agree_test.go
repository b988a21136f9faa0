package check

import (
	"fmt"
	"testing"

	"github.com/visitwright/visitwright/planner/check/obtain"
)

// seeds of the sampler; each draws the courses anew.
var seeds = []uint64{1, 20261124, 0x9e3779b97f4a7c15}

// hold solves the treatment for an option and compares every figure with
// courses drawn from each seed.
func hold(t *testing.T, model []byte, option string, courses int) {
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
	for _, seed := range seeds {
		s, err := Simulate(treatment, answer.Booking(), seed, courses)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range Compare(answer, s) {
			if c.Errors > Allowed {
				t.Errorf("option %s, seed %d: %v", option, seed, c)
			}
		}
	}
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
	for _, seed := range seeds {
		all, found := SimulateOneGo(treatment, seed, courses)
		for _, c := range CompareOneGo(one, all, found) {
			if c.Errors > Allowed {
				t.Errorf("seed %d: %v", seed, c)
			}
		}
	}
}

func TestExactResultsOfRandomTreatmentsAgreeWithTheSampler(t *testing.T) {
	for seed := range uint64(60) {
		treatment := randomTreatment(seed)
		t.Run(fmt.Sprintf("treatment %d in one go", seed), func(t *testing.T) {
			t.Parallel()
			holdOneGo(t, treatment.json())
		})
		for k := 1; k <= 2; k++ {
			t.Run(fmt.Sprintf("treatment %d, filled from visit %d", seed, k), func(t *testing.T) {
				t.Parallel()
				hold(t, treatment.json(), fmt.Sprintf(`{"earliest_completion":%d}`, k), courses)
			})
		}
	}
}

func TestExactResultsOfEveryToothModelAndProtocolAgreeWithTheSampler(t *testing.T) {
	models, err := obtain.Models()
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range models {
		t.Run(m.Name+", in one go", func(t *testing.T) {
			t.Parallel()
			holdOneGo(t, m.JSON)
		})
		for k := 1; k <= m.Visits; k++ {
			t.Run(fmt.Sprintf("%s, filled from visit %d", m.Name, k), func(t *testing.T) {
				t.Parallel()
				hold(t, m.JSON, fmt.Sprintf(`{"earliest_completion":%d}`, k), courses)
			})
		}
	}
}
