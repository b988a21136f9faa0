package proposal

import (
	"fmt"
	"math"
)

// oddsWords says a chance the way people count: "8 in 10 finish on time".
// Close to the ends tens become twenties and hundreds, and nothing computed is
// ever called certain. Every client says odds in the same steps.
func oddsWords(p float64, what string) Odds {
	return Odds{P: p, Words: count(p) + " " + what}
}

func count(p float64) string {
	switch {
	case math.IsNaN(p):
		return "not known"
	case p < .005:
		return "fewer than 1 in 100"
	case p >= .995:
		return "more than 99 in 100"
	case p < .035 || p >= .97:
		return fmt.Sprintf("%d in 100", min(max(int(math.Round(p*100)), 1), 99))
	case p >= .925:
		return "19 in 20"
	case p < .075:
		return "1 in 20"
	}
	return fmt.Sprintf("%d in 10", int(math.Round(p*10)))
}

// noneOf is a chance that the structure rules out: no treatment of two visits is
// complete after the first.
func noneOf(what string) Odds { return Odds{P: 0, Words: "none " + what} }

// alwaysThere is what a tooth cannot be without: its first canal, and those that
// were located.
func alwaysThere() Odds { return Odds{P: 1, Words: "always there"} }

// OddsOf says a chance the way people count, for example OddsOf(0.8, "finish
// on time") reads "8 in 10 finish on time".
func OddsOf(p float64, what string) Odds { return oddsWords(p, what) }
