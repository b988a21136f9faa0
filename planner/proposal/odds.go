package proposal

import (
	"fmt"
	"math"
)

// oddsWords says a chance the way people count: "8 in 10 finish on time".
// Close to the ends tens become twenties and hundreds, and nothing is ever called
// certain. Every client says odds in the same steps.
func oddsWords(p float64, what string) Odds {
	return Odds{P: p, Words: count(p) + " " + what}
}

func count(p float64) string {
	switch {
	case p < .005:
		return "fewer than 1 in 100"
	case p > .995:
		return "more than 99 in 100"
	case p < .035 || p >= .97:
		return fmt.Sprintf("%d in 100", int(math.Round(p*100)))
	case p >= .925:
		return "19 in 20"
	case p < .075:
		return "1 in 20"
	}
	return fmt.Sprintf("%d in 10", int(math.Round(p*10)))
}

// OddsOf says a chance the way people count, for example OddsOf(0.8, "finish
// on time") reads "8 in 10 finish on time".
func OddsOf(p float64, what string) Odds { return oddsWords(p, what) }
