package odds

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

func TestOddsAreSaidAsPeopleSayThem(t *testing.T) {
	for _, c := range []struct {
		p             float64
		words, figure string
	}{
		{0.8, "8 in 10", "80 %"}, {0.83, "8 in 10", "83 %"}, {0.951, "19 in 20", "95 %"}, {0.98, "98 in 100", "98 %"}, {0.998, "more than 99 in 100", ">99 %"},
		{0.05, "1 in 20", "5 %"}, {0.02, "2 in 100", "2 %"}, {0.001, "fewer than 1 in 100", "<1 %"}, {0.995, "more than 99 in 100", ">99 %"}, {0.005, "1 in 100", "1 %"},
		{0, "fewer than 1 in 100", "<1 %"}, {1, "more than 99 in 100", ">99 %"}, {1 + 1e-12, "more than 99 in 100", ">99 %"}, {-1e-12, "fewer than 1 in 100", "<1 %"},
		{math.NaN(), "not known", "not known"},
	} {
		if words, figure := Words(c.p), Percent(c.p); words != c.words || figure != c.figure {
			t.Errorf("%v reads %q and %q, want %q and %q", c.p, words, figure, c.words, c.figure)
		}
	}
}

func TestWhatWasCountedMayBeAllOrNone(t *testing.T) {
	for p, want := range map[float64][2]string{0: {"none", "0 %"}, 0.001: {"fewer than 1 in 100", "<1 %"}, 0.5: {"5 in 10", "50 %"}, 0.999: {"more than 99 in 100", ">99 %"}, 1: {"all", "100 %"}} {
		if got := [2]string{Share(p), SharePercent(p)}; got != want {
			t.Errorf("%v reads %q, want %q", p, got, want)
		}
	}
}

func TestOnlyTheServicesWordsMakeAChanceCertain(t *testing.T) {
	for _, c := range []struct {
		p             float64
		told          string
		words, figure string
	}{
		{0, "none are complete after visit 1", "none", "0 %"}, {1, "always", "all", "100 %"},
		{0, "fewer than 1 in 100 are complete after visit 1", "fewer than 1 in 100", "<1 %"}, {1, "more than 99 in 100 finish on time", "more than 99 in 100", ">99 %"},
		{0, "", "fewer than 1 in 100", "<1 %"}, {1, "", "more than 99 in 100", ">99 %"}, {1e-9, "none are", "fewer than 1 in 100", "<1 %"},
	} {
		if words, figure := Told(c.p, c.told), ToldPercent(c.p, c.told); words != c.words || figure != c.figure {
			t.Errorf("%v, %q reads %q and %q, want %q and %q", c.p, c.told, words, figure, c.words, c.figure)
		}
	}
}

func TestAChanceIsNeverRoundedToCertainty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.OneOf(rapid.Float64Range(0, 1), rapid.SampledFrom([]float64{0, 1, math.Nextafter(0.995, 0), math.Nextafter(0.005, 0)})).Draw(t, "p")
		for _, text := range []string{Words(p), Percent(p)} {
			switch text {
			case "none", "all", "0 %", "100 %", "10 in 10", "0 in 10", "0 in 100", "100 in 100":
				t.Fatalf("a chance of %v reads %q", p, text)
			}
		}
	})
}
