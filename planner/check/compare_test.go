package check

import (
	"math"
	"testing"
)

// Binomial tails of a table of the standard normal law: 1.35e-3 lies three
// standard errors out, 3.17e-5 four.
func TestSharesAreComparedInStandardErrorsEvenWhereFewHitsAreExpected(t *testing.T) {
	for _, c := range []struct {
		p        float64
		hits, of int
		from, to float64
	}{
		{.5, 5000, 10000, 0, 0},
		{.5, 5200, 10000, 3.99, 4.01},  // 200 / 50
		{.5, 4800, 10000, 3.99, 4.01},  //
		{1e-5, 6, 100000, 3.2, 3.3},    // Poisson(1): P(X>=6) = 5.94e-4
		{1e-5, 0, 100000, 0, .4},       // Poisson(1): P(X=0) = .368
		{0, 0, 100, 0, 0},              //
		{1, 100, 100, 0, 0},            //
		{0, 1, 100, math.Inf(1), 1e99}, // the impossible happened
		{1, 99, 100, math.Inf(1), 1e99},
	} {
		if got := shareErrors(c.p, c.hits, c.of); got < c.from || got > c.to && !math.IsInf(c.from, 1) {
			t.Errorf("probability %v, %d of %d: %.3f standard errors, want %v to %v", c.p, c.hits, c.of, got, c.from, c.to)
		}
	}
}

func TestCellsMeetAtHalfMinutes(t *testing.T) {
	c := Cells{First: 10, P: []float64{.25, .5, .25}}
	for q, want := range map[float64]float64{.25: 10.5, .5: 11, .75: 11.5, .875: 12} {
		if got := c.quantile(q); math.Abs(got-want) > 1e-12 {
			t.Errorf("quantile %v: %v minutes, want %v", q, got, want)
		}
	}
}

func TestAMinuteAndAHalfCountsForBothMinutes(t *testing.T) {
	share := cellsAtMost([]float64{1, 1.5, 2, 3}, 1)
	if share != 1.5/4 {
		t.Errorf("share of cells up to 1: %v, want 3/8", share)
	}
}
