package odds

import (
	"testing"

	"pgregory.net/rapid"
)

func TestOddsAreSaidAsPeopleSayThem(t *testing.T) {
	for _, c := range []struct {
		p    float64
		want string
	}{
		{0.8, "8 in 10"}, {0.83, "8 in 10"}, {0.951, "19 in 20"}, {0.98, "98 in 100"}, {0.998, "more than 99 in 100"},
		{0.05, "1 in 20"}, {0.02, "2 in 100"}, {0.001, "fewer than 1 in 100"}, {0, "none"}, {1, "all"},
	} {
		if got := Words(c.p); got != c.want {
			t.Errorf("%v reads %q, want %q", c.p, got, c.want)
		}
	}
	for p, want := range map[float64]string{0: "0 %", 0.001: "<1 %", 0.5: "50 %", 0.999: ">99 %", 1: "100 %"} {
		if got := Percent(p); got != want {
			t.Errorf("%v reads %q, want %q", p, got, want)
		}
	}
}

func TestAChanceIsNeverRoundedToCertainty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.Float64Range(1e-9, 1-1e-9).Draw(t, "p")
		for _, text := range []string{Words(p), Percent(p)} {
			if text == "none" || text == "all" || text == "0 %" || text == "100 %" || text == "10 in 10" || text == "0 in 10" || text == "0 in 100" || text == "100 in 100" {
				t.Fatalf("a chance of %v reads %q", p, text)
			}
		}
	})
}
