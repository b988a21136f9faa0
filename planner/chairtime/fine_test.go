package chairtime

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

func anyLaw() *rapid.Generator[Lognormal] {
	return rapid.Custom(func(t *rapid.T) Lognormal {
		return Lognormal{Median: rapid.Float64Range(0.5, 30).Draw(t, "median"), LogSD: rapid.Float64Range(0.05, 0.7).Draw(t, "log sd")}
	})
}

func TestWorkBesideAContactIsAddedBeforeItIsRounded(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x, y := FineLognormal(anyLaw().Draw(t, "x"), 4), FineLognormal(anyLaw().Draw(t, "y"), 4)
		c := rapid.Float64Range(0, 20).Draw(t, "contact")
		var space Convolver
		got := y.Beyond(&space, nil, x.Excess(), 1, c, 5000, 0)
		want := x.Plus(y).Excess().Minutes(1, -c, 5000)
		for m := range max(got.Last(), want.Last()) + 1 {
			if math.Abs(got.At(m)-want.At(m)) > 1e-7 {
				t.Fatalf("%d minutes: %v, as one sum %v", m, got.At(m), want.At(m))
			}
		}
		// The mean is kept at every scale.
		scale := rapid.Float64Range(0.4, 2.5).Draw(t, "scale")
		all := y.Beyond(&space, nil, x.Excess(), scale, 0, 5000, 0)
		if mean := scale*x.Excess().Minutes(1, 0, 5000).Mean() + y.Excess().Minutes(1, 0, 5000).Mean(); math.Abs(all.Mean()-mean) > 1e-6 || math.Abs(all.Mass()-1) > 1e-12 {
			t.Fatalf("mean %v, want %v; mass %v", all.Mean(), mean, all.Mass())
		}
	})
}

func TestEndsThatAreNotAskedForStayInTheOutermostMinutes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x, y := FineLognormal(anyLaw().Draw(t, "x"), 4), FineLognormal(anyLaw().Draw(t, "y"), 4)
		scale, c := rapid.Float64Range(0.4, 2.5).Draw(t, "scale"), rapid.Float64Range(0, 20).Draw(t, "c")
		tail := math.Pow(10, -rapid.Float64Range(2, 9).Draw(t, "tail"))
		cap := rapid.IntRange(60, 480).Draw(t, "cap")
		var space Convolver
		for name, of := range map[string]func(tail float64) Dist{
			"scaled":         func(tail float64) Dist { return x.Excess().MinutesIn(nil, scale, -c, cap, tail) },
			"beyond contact": func(tail float64) Dist { return y.Beyond(&space, nil, x.Excess(), scale, c, cap, tail) },
		} {
			all, some := of(0), of(tail)
			if math.Abs(some.Mass()-1) > 1e-12 || some.Lost > all.Lost+2*tail+1e-12 || len(some.P) > len(all.P) {
				t.Fatalf("%s: mass %v, lost %v and %v without a tail, %d cells of %d", name, some.Mass(), some.Lost, all.Lost, len(some.P), len(all.P))
			}
			for m := range all.Last() + 1 {
				if gap := some.AtMost(m) - all.AtMost(m); math.Abs(gap) > tail+1e-12 {
					t.Fatalf("%s: the chance of at most %d minutes is off by %v for a tail of %v", name, m, gap, tail)
				}
			}
		}
	})
}

// Also an event of a time that is always the same may not happen.
func TestAnEventThatMayNotHappenKeepsItsChanceAndItsMean(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		law := anyLaw().Draw(t, "law")
		if rapid.Bool().Draw(t, "always as long") {
			law.LogSD = 0
		}
		p := rapid.Float64Range(0.001, 0.999).Draw(t, "probability")
		f := FineMaybe(new(Convolver), p, law, 4)
		mass, mean := 0.0, 0.0
		for i, q := range f.P {
			mass += q
			mean += q * float64(f.First+i) / 4
		}
		if math.Abs(mass-1) > 1e-12 || math.Abs(mean-p*law.Mean()) > 1e-6*law.Mean() {
			t.Fatalf("mass %v, mean %v, want 1 and %v", mass, mean, p*law.Mean())
		}
	})
}
