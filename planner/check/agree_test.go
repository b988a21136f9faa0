package check

import (
	"fmt"
	"math"
	"sync"
	"testing"

	"github.com/visitwright/visitwright/planner/check/obtain"
)

// seeds of the sampler; each draws the courses anew.
var seeds = []uint64{1, 20261124, 0x9e3779b97f4a7c15}

// family holds every figure of a test to the sampler. Nothing is drawn again and
// nothing is allowed for whole minutes: the sampler's times are continuous, and
// its clock is rounded when it is read, as the model states. Only where a visit is
// hardly longer than the cells of its distribution (shortVisit) do the sampler's
// pieces of work pass in whole minutes by the rule of the exact answer
// (draw.passes).
//
// Of hundreds of thousands of figures chance puts a few beyond four standard
// errors: one in sixteen thousand. So no more may lie there than that, give or
// take three standard deviations of their number, and none beyond five and a
// half, where chance puts one in twenty-six million. A figure that differs shows
// in every seed and in every model that has it, and is found.
type family struct {
	mu      sync.Mutex
	figures int
	beyond  []string
	answers [2]int // compared with each clock
}

const (
	outermost = 5.5      // standard errors that no figure passes
	chance    = 6.334e-5 // of a normal law beyond four standard errors, both sides
	// shortVisit is the median below which a visit is compared in whole minutes:
	// its distribution has so few cells that dividing times between them shows.
	shortVisit = 15
)

// clock is how the sampler's clock passes beside an answer with these visits.
func (f *family) clock(visits ...Cells) Clock {
	c := Unrounded
	for _, v := range visits {
		if v.quantile(.5) < shortVisit {
			c = WholeMinutes
		}
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.answers[c]++
	return c
}

// newFamily is judged when the test and all its subtests are done.
func newFamily(t *testing.T) *family {
	f := &family{}
	t.Cleanup(func() {
		usual := chance * float64(f.figures)
		allowed := int(math.Ceil(usual + 3*math.Sqrt(usual)))
		t.Logf("%d figures, %d beyond %d standard errors, where chance puts %.0f and at most %d", f.figures, len(f.beyond), Allowed, usual, allowed)
		t.Logf("%d answers with continuous times, %d with short visits in whole minutes", f.answers[Unrounded], f.answers[WholeMinutes])
		for _, text := range f.beyond {
			t.Log(text)
		}
		if len(f.beyond) > allowed {
			t.Errorf("%d of %d figures lie beyond %d standard errors, where chance puts at most %d", len(f.beyond), f.figures, Allowed, allowed)
		}
	})
	return f
}

// hold compares every figure of an answer with courses drawn from each seed.
func (f *family) hold(t *testing.T, what string, compare func(seed uint64) []Comparison) {
	t.Helper()
	for _, seed := range seeds {
		figures := compare(seed)
		for _, c := range figures {
			if c.Errors > outermost {
				t.Errorf("%s, seed %d: %v", what, seed, c)
			}
		}
		f.note(t.Name(), seed, figures)
	}
}

// note counts what chance could have moved: what is certain on both sides could
// not.
func (f *family) note(name string, seed uint64, figures []Comparison) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, c := range figures {
		if c.Exact == c.Sample {
			continue
		}
		f.figures++
		if c.Errors > Allowed {
			f.beyond = append(f.beyond, fmt.Sprintf("%s, seed %d: %v", name, seed, c))
		}
	}
}

// holdOption solves the treatment for an option.
func (f *family) holdOption(t *testing.T, model []byte, option string) {
	t.Helper()
	treatment, answer := solve(t, model, option)
	booking := answer.Booking()
	clock := f.clock(answer.taken()...)
	f.hold(t, "option "+option, func(seed uint64) []Comparison {
		s, err := Simulate(treatment, booking, seed, courses, clock)
		if err != nil {
			t.Fatal(err)
		}
		return Compare(answer, s)
	})
}

// taken are the minutes of the visits that may take place.
func (a *Answer) taken() []Cells {
	var minutes []Cells
	for _, v := range a.Visits {
		if v.Happens > 0 {
			minutes = append(minutes, v.Minutes)
		}
	}
	return minutes
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
func (f *family) holdOneGo(t *testing.T, model []byte) {
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
	clock := f.clock(one.Minutes)
	f.hold(t, "in one go", func(seed uint64) []Comparison {
		all, found := SimulateOneGo(treatment, seed, courses, clock)
		return CompareOneGo(one, all, found)
	})
}

func TestExactResultsOfRandomTreatmentsAgreeWithTheSampler(t *testing.T) {
	all := newFamily(t)
	for seed := uint64(0); seed < 60; seed += everyModel {
		treatment := randomTreatment(seed)
		t.Run(fmt.Sprintf("treatment %d in one go", seed), func(t *testing.T) {
			t.Parallel()
			all.holdOneGo(t, treatment.json())
		})
		for k := 1; k <= 2; k++ {
			t.Run(fmt.Sprintf("treatment %d, filled from visit %d", seed, k), func(t *testing.T) {
				t.Parallel()
				all.holdOption(t, treatment.json(), fmt.Sprintf(`{"earliest_completion":%d}`, k))
			})
		}
	}
}

func TestExactResultsOfEveryToothModelAndProtocolAgreeWithTheSampler(t *testing.T) {
	all := newFamily(t)
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
			all.holdOneGo(t, m.JSON)
		})
		for k := 1; k <= m.Visits; k++ {
			t.Run(fmt.Sprintf("%s, filled from visit %d", m.Name, k), func(t *testing.T) {
				t.Parallel()
				all.holdOption(t, m.JSON, fmt.Sprintf(`{"earliest_completion":%d}`, k))
			})
		}
	}
}

// What whole minutes and the quadrature of the shared factors cost, measured
// with many courses: no chance of the molar's plan is off by more than half a
// per cent.
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
		s, err := Simulate(treatment, answer.Booking(), 46, 20*courses, Unrounded)
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
