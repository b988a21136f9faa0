package chairtime

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

func anyDist() *rapid.Generator[Dist] {
	return rapid.Custom(func(t *rapid.T) Dist {
		n := rapid.IntRange(1, 12).Draw(t, "cells")
		d := Dist{First: rapid.IntRange(0, 30).Draw(t, "first"), P: make([]float64, n)}
		sum := 0.0
		for i := range d.P {
			d.P[i] = rapid.Float64Range(0, 1).Draw(t, "weight")
			sum += d.P[i]
		}
		if sum == 0 {
			d.P[0], sum = 1, 1
		}
		for i := range d.P {
			d.P[i] /= sum
		}
		return d
	})
}

func TestSumsMixturesAndTailsKeepEveryProbability(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := anyDist().Draw(t, "a"), anyDist().Draw(t, "b")
		limit := rapid.IntRange(1, 200).Draw(t, "cap")
		p := rapid.Float64Range(0, 1).Draw(t, "p")
		for name, d := range map[string]Dist{"sum": a.Plus(b, limit), "mixture": Mix(Part{p, a}, Part{1 - p, b}), "maybe": a.Maybe(p), "at least": a.AtLeast(limit), "trimmed": a.Trim(0.01)} {
			if m := d.Mass(); math.Abs(m-1) > 1e-12 {
				t.Fatalf("%s holds %v", name, m)
			}
			for _, q := range d.P {
				if q < 0 {
					t.Fatalf("%s has a negative cell", name)
				}
			}
		}
		if d := a.Plus(b, limit); d.Last() > limit && d.Last() > a.First+b.First {
			t.Fatalf("the sum reaches %d minutes beyond the cap %d", d.Last(), limit)
		}
		sum := a.Plus(b, 10_000)
		if math.Abs(sum.Mean()-a.Mean()-b.Mean()) > 1e-9 || math.Abs(sum.Variance()-a.Variance()-b.Variance()) > 1e-7 {
			t.Fatalf("mean or variance of a sum of independent durations is not the sum")
		}
		if sum.Lost != 0 {
			t.Fatalf("lost %v although nothing lies beyond the cap", sum.Lost)
		}
	})
}

func TestWhatLiesBeyondTheCapStaysInTheLastCellAndIsReported(t *testing.T) {
	a, _ := FromTable(map[int]float64{50: .9, 100: .1})
	d := a.Plus(Exactly(30), 120)
	if d.Last() != 120 || d.At(120) != .1 || d.Lost != .1 {
		t.Errorf("got %+v, want a tenth in the cell of 120 minutes, reported as lost", d)
	}
	if d := a.Plus(Exactly(90), 120); d.At(120) != 1 || math.Abs(d.Lost-1) > 1e-15 {
		t.Errorf("got %+v, want everything in the cell of the cap", d)
	}
}

func TestPuttingALawOnMinutesKeepsItsMeanAtEveryScale(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := Lognormal{Median: rapid.Float64Range(0.2, 60).Draw(t, "median"), LogSD: rapid.Float64Range(0, 0.8).Draw(t, "log sd")}
		scale := rapid.Float64Range(0.4, 2.5).Draw(t, "scale")
		shift := rapid.Float64Range(0, 20).Draw(t, "shift")
		d := FineLognormal(l, 4).Excess().Minutes(scale, shift, 30000)
		if math.Abs(d.Mass()-1) > 1e-12 {
			t.Fatalf("mass %v", d.Mass())
		}
		if want := scale*l.Mean() + shift; math.Abs(d.Mean()-want) > 1e-5*want+1e-7 {
			t.Fatalf("mean %v, want %v", d.Mean(), want)
		}
		// A split between two cells adds at most a quarter of a cell squared; the law
		// itself is cut at its 1e-10 quantiles, which matters at the widest spreads.
		sd := scale * l.SD()
		if v := d.Variance(); v < sd*sd*(1-2e-3)-1e-9 || v > sd*sd+0.25+scale*scale/64+1e-3*sd*sd {
			t.Fatalf("variance %v, law %v", v, sd*sd)
		}
	})
}

func TestQuantilesAreInterpolatedBetweenHalfMinutesAndInvertTheDistribution(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := anyDist().Draw(t, "d")
		q := rapid.Float64Range(0.001, 0.999).Draw(t, "q")
		if x := d.Quantile(q); x > 0 && math.Abs(d.CDF(x)-q) > 1e-9 {
			t.Fatalf("CDF(Quantile(%v)) = %v", q, d.CDF(x))
		}
		m := rapid.IntRange(0, 60).Draw(t, "minutes")
		if math.Abs(d.AtMost(m)+d.LongerThan(m)-1) > 1e-12 {
			t.Fatal("at most and longer do not add to 1")
		}
		if math.Abs(d.Overrun(m)-d.Idle(m)-(d.Mean()-float64(m))) > 1e-9 {
			t.Fatal("overrun less idle is not mean less length")
		}
	})
}

func TestTheBestLengthCostsNoMoreThanAnyOther(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := anyDist().Draw(t, "d")
		over, idle := rapid.Float64Range(0.1, 5).Draw(t, "overrun"), rapid.Float64Range(0.1, 5).Draw(t, "idle")
		best, err := d.BestLength(Grid{5, 60, 5}, over, idle)
		if err != nil {
			t.Fatal(err)
		}
		for l := 5; l <= 60; l += 5 {
			if c := over*d.Overrun(l) + idle*d.Idle(l); Micro(c) < Micro(best.Cost) || Micro(c) == Micro(best.Cost) && l < best.Minutes {
				t.Fatalf("%d minutes cost %v, chosen %d cost %v", l, c, best.Minutes, best.Cost)
			}
		}
	})
}

func TestConvolutionEqualsTheDoubleLoop(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := rapid.SliceOfN(rapid.Float64Range(0, 1), 1, 40).Draw(t, "a")
		b := rapid.SliceOfN(rapid.Float64Range(0, 1), 1, 40).Draw(t, "b")
		n := rapid.IntRange(1, len(a)+len(b)-1).Draw(t, "reach")
		got, want := make([]float64, n), make([]float64, n)
		Convolve(got, a, b)
		for i, x := range a {
			for j, y := range b {
				if i+j < n {
					want[i+j] += x * y
				}
			}
		}
		for i := range want {
			if math.Abs(got[i]-want[i]) > 1e-12 {
				t.Fatalf("cell %d: %v, want %v", i, got[i], want[i])
			}
		}
		again := make([]float64, n)
		Convolve(again, a, b)
		if !slices.Equal(got, again) {
			t.Fatal("the same input gave other bits")
		}
	})
}

func TestBadTablesAndGridsAreRefused(t *testing.T) {
	for _, p := range []map[int]float64{{}, {-1: 1}, {3: .5}, {3: 1.5, 4: -.5}, {3: math.NaN()}} {
		if _, err := FromTable(p); err == nil {
			t.Errorf("%v was accepted", p)
		}
	}
	for _, g := range []Grid{{0, 10, 5}, {10, 5, 5}, {5, 10, 0}} {
		if _, err := Exactly(7).BestLength(g, 1, 1); err == nil {
			t.Errorf("%v was accepted", g)
		}
	}
	if _, err := Exactly(7).BestLength(Grid{5, 10, 5}, -1, 1); err == nil {
		t.Error("a negative cost was accepted")
	}
	if _, err := FromMeanCV(0, 1); err == nil {
		t.Error("a mean of 0 was accepted")
	}
	if _, err := FromMedianAndQuantile(40, .9, 30); err == nil {
		t.Error("an upper value below the median was accepted")
	}
}

func BenchmarkSumOfEightSteps(b *testing.B) {
	var fine []Fine
	for _, s := range sums[2].steps {
		l, err := FromMeanCV(s[0], s[1])
		if err != nil {
			b.Fatal(err)
		}
		fine = append(fine, FineLognormal(l, 4))
	}
	b.Run("quarters of a minute", func(b *testing.B) {
		for b.Loop() {
			f := FineExactly(0, 4)
			for _, g := range fine {
				f = f.Plus(g)
			}
			f.Excess().Minutes(1, 0, capMinutes)
		}
	})
	b.Run("whole minutes", func(b *testing.B) {
		var d []Dist
		for _, f := range fine {
			d = append(d, f.Excess().Minutes(1, 0, capMinutes))
		}
		for b.Loop() {
			s := Exactly(0)
			for _, x := range d {
				s = s.Plus(x, capMinutes)
			}
		}
	})
}

func TestEquallySpacedNodesKeepTheSpread(t *testing.T) {
	for _, step := range []float64{0.1, 0.2, 0.3} {
		mean, variance, mass := 0.0, 0.0, 0.0
		for _, n := range Spaced(0.3, step) {
			mass += n.Weight
			mean += n.Weight * n.Value
			variance += n.Weight * n.Value * n.Value
		}
		if math.Abs(mass-1) > 1e-14 || math.Abs(mean) > 1e-14 || math.Abs(variance-0.09) > 0.09*2e-3 {
			t.Errorf("step %v: mass %v, mean %v, variance %v", step, mass, mean, variance)
		}
	}
}
