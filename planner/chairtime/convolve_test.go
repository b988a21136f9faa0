package chairtime

import (
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
	for n := 1; n < 40; n++ {
		for m := n; m < 60; m += 3 {
			a, b := fill(n), fill(m)
			reach := 1 + rng.IntN(n+m-1)
			got := fill(reach)
			want := slices.Clone(got)
			var c Convolver
			c.add(got, a, b, 0.7, wide, ends{})
			c.add(want, a, b, 0.7, false, ends{})
			if !slices.Equal(got, want) {
				t.Fatalf("lengths %d and %d: other bits", n, m)
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
			c.AddWithEnds(got, a, b, 2, .25, .5)
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
				space.add(dst, x, y, 1, c.wide, ends{})
			}
		})
	}
}
