package chairtime

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

func TestTheWideConvolutionHasTheBitsOfTheLoop(t *testing.T) {
	if !wide {
		t.Log("this processor has no wide registers: both sides are the loop")
	}
	rng := rand.New(rand.NewPCG(1, 2))
	fill := func(n int) []float64 {
		v := make([]float64, n)
		for i := range v {
			v[i] = rng.ExpFloat64() * rng.Float64()
		}
		return v
	}
	for n := 1; n < 90; n++ {
		for m := n; m < 110; m += 3 {
			a, b := fill(n), fill(m)
			for _, reach := range []int{1 + rng.IntN(n+m-1), n + m - 1} {
				got := fill(reach)
				want := slices.Clone(got)
				var c Convolver
				c.add(got, a, b, 0.7, 10, wide, ends{})
				c.add(want, a, b, 0.7, 10, false, ends{})
				if !slices.Equal(got, want) {
					t.Fatalf("lengths %d and %d, %d cells: other bits", n, m, reach)
				}
			}
		}
	}
}

func TestProductsThatAreLeftOutStayNearTheirEndAndAreCounted(t *testing.T) {
	law := func(median, sd, p float64) []float64 {
		f := FineMaybe(new(Convolver), p, Lognormal{Median: median, LogSD: sd}, 4)
		return f.P
	}
	for _, c := range []struct{ a, b []float64 }{
		{law(7, .6, 1), law(7, .6, 1)},
		{law(6.5, .6, .02), law(13, .6, .004)}, // nearly always nothing
		{law(30, .2, 1), law(6.5, .6, .02)},
		{law(3, .9, 1), law(12, .3, 1)},
	} {
		for _, tail := range []float64{1e-3, 1e-5, 1e-8, 1e-12} {
			all, some := make([]float64, len(c.a)+len(c.b)-1), make([]float64, len(c.a)+len(c.b)-1)
			var space Convolver
			if moved := space.AddWithin(all, c.a, c.b, 1, 0); moved != 0 {
				t.Fatalf("%v was left out although nothing may be", moved)
			}
			moved := space.AddWithin(some, c.a, c.b, 1, tail)
			if tail > 1e-4 && moved == 0 {
				t.Errorf("tail %v: nothing was left out", tail)
			}
			if moved < 0 || moved > 2*tail {
				t.Errorf("tail %v: %v was left out", tail, moved)
			}
			gap := 0.0
			for i := range all {
				if some[i] < 0 {
					t.Fatalf("tail %v: cell %d holds %v", tail, i, some[i])
				}
				if gap += some[i] - all[i]; math.Abs(gap) > tail+1e-14 {
					t.Fatalf("tail %v: the chance of at most cell %d is off by %v", tail, i, gap)
				}
			}
			if math.Abs(gap) > 1e-14 {
				t.Errorf("tail %v: the sum of all cells is off by %v", tail, gap)
			}
		}
	}
}

func TestWhatIsAddedToTheEndsOfAKernelCountsAsInItsCells(t *testing.T) {
	var c Convolver
	for _, n := range []int{1, 2, 5, 9, 30} {
		for _, reach := range []int{1, 3, 8, 40} {
			a, b := []float64{.1, .2, .3, .4, .5, .6}, make([]float64, n)
			for i := range b {
				b[i] = float64(i + 1)
			}
			got, want := make([]float64, min(reach, n+5)), make([]float64, min(reach, n+5))
			c.AddWithEnds(got, a, b, 2, .25, .5, 0)
			b[0] += .25
			b[n-1] += .5
			c.Add(want, a, b, 2)
			if !slices.Equal(got, want) {
				t.Errorf("%d cells as far as %d: %v, want %v", n, reach, got, want)
			}
		}
	}
}

func BenchmarkConvolve(b *testing.B) {
	x, y := make([]float64, 50), make([]float64, 70)
	for i := range y {
		y[i] = 1
		x[i%50] = 1
	}
	dst := make([]float64, 119)
	for _, c := range []struct {
		name string
		wide bool
	}{{"wide", wide}, {"loop", false}} {
		b.Run(c.name, func(b *testing.B) {
			var space Convolver
			for b.Loop() {
				space.add(dst, x, y, 1, 0, c.wide, ends{})
			}
		})
	}
}
