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
			c.add(got, a, b, 0.7, wide)
			c.add(want, a, b, 0.7, false)
			if !slices.Equal(got, want) {
				t.Fatalf("lengths %d and %d: other bits", n, m)
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
				space.add(dst, x, y, 1, c.wide)
			}
		})
	}
}
