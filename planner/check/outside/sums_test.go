package outside

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"github.com/visitwright/visitwright/planner/chairtime"
)

// The chances of the split instance were made with every step rounded to the
// nearest minute; chairtime keeps the mean of each step instead. Both stand for
// the same continuous law, so they differ by what rounding moves: less than
// half a chance in a hundred here.
func TestChairTimesOfTheSplitInstanceAgreeWithThePublishedChances(t *testing.T) {
	const moved = .005
	for s, want := range splitChances {
		visit := chairtime.Exactly(splitSetUp)
		for _, step := range splitSteps[s[0]-1 : s[1]] {
			law, err := chairtime.FromMeanCV(step[0], step[1])
			if err != nil {
				t.Fatal(err)
			}
			visit = visit.Plus(law.Minutes(splitCells), splitCells)
		}
		if got := visit.AtMost(splitLongest); math.Abs(got-want) > moved {
			t.Errorf("steps %d to %d within 60 minutes: %.6f, the table says %.6f", s[0], s[1], got, want)
		}
	}
}

// pert puts an activity's PERT-beta law on cells of a twentieth of its unit,
// each value divided between the two cells around it.
func pert(t *testing.T, a activity) chairtime.Dist {
	t.Helper()
	if a.low == a.high {
		return chairtime.Exactly(int(math.Round(a.low * pertCells)))
	}
	law := distuv.Beta{Alpha: 1 + 4*(a.usual-a.low)/(a.high-a.low), Beta: 1 + 4*(a.high-a.usual)/(a.high-a.low)}
	cells := map[int]float64{}
	const slices = 4000
	for i := range slices {
		// the middle of each of many equally likely slices
		x := (a.low + (a.high-a.low)*law.Quantile((float64(i)+.5)/slices)) * pertCells
		k := int(x)
		cells[k] += (1 - (x - float64(k))) / slices
		cells[k+1] += (x - float64(k)) / slices
	}
	d, err := chairtime.FromTable(cells)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

const pertCells = 20

// PERT's classic variance ((high-low)/6)^2 is not that of its beta law, which
// is (mean-low)(high-mean)/7: the textbooks' means are reproduced by convolution,
// the variance is the exact one.
func TestConvolvedCriticalPathsHaveTheTextbooksMeans(t *testing.T) {
	for _, n := range networks {
		t.Run(n.name, func(t *testing.T) {
			sum, variance := chairtime.Exactly(0), 0.0
			for _, letter := range n.path {
				a := n.activities[string(letter)]
				sum = sum.Plus(pert(t, a), 400*pertCells)
				variance += (a.mean() - a.low) * (a.high - a.mean()) / 7
			}
			// six decimals are printed; the slices move the mean by less than 1e-3
			if got := sum.Mean() / pertCells; math.Abs(got-n.mean) > 1e-3 {
				t.Errorf("mean %.6f, the text says %.6f", got, n.mean)
			}
			if got := sum.Variance() / (pertCells * pertCells); math.Abs(got-variance) > 1e-2 {
				t.Errorf("variance %.6f, the beta law's is %.6f", got, variance)
			}
		})
	}
}

// Quantiles of single PERT-beta activities, computed once with an independent
// incomplete beta function.
func TestQuantilesOfSingleActivities(t *testing.T) {
	for _, c := range []struct {
		a             activity
		p10, p50, p90 float64
	}{
		{activity{5, 8, 17, ""}, 6.3468195, 8.76572205, 12.0066845},
		{activity{10, 15, 40, ""}, 12.27978999, 17.55861931, 25.55804628},
		{activity{20, 30, 40, ""}, 24.93272907, 30, 35.06727093},
	} {
		d := pert(t, c.a)
		for q, want := range map[float64]float64{.1: c.p10, .5: c.p50, .9: c.p90} {
			// a cell is a twentieth
			if got := d.Quantile(q) / pertCells; math.Abs(got-want) > .05 {
				t.Errorf("%+v quantile %v: %.4f, the table says %.4f", c.a, q, got, want)
			}
		}
	}
}
