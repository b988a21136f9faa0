// Package odds writes a probability as people say it. Whatever shows a chance to
// somebody writes it by these steps, which are those of the service's own words.
package odds

import (
	"fmt"
	"math"
)

// Words says a probability, between 0 and 1, as people say it: "8 in 10". Close
// to certainty it gets finer, and it never says "all" or "none" of a chance.
func Words(p float64) string {
	switch {
	case math.IsNaN(p):
		return "not known"
	case p >= 1:
		return "all"
	case p > 0.995:
		return "more than 99 in 100"
	case p >= 0.97:
		return fmt.Sprintf("%d in 100", int(math.Round(p*100)))
	case p >= 0.925:
		return "19 in 20"
	case p >= 0.075:
		return fmt.Sprintf("%d in 10", int(math.Round(p*10)))
	case p >= 0.035:
		return "1 in 20"
	case p >= 0.005:
		return fmt.Sprintf("%d in 100", int(math.Round(p*100)))
	case p > 0:
		return "fewer than 1 in 100"
	}
	return "none"
}

// Percent writes a probability, between 0 and 1, for a table or the end of a bar:
// "83 %". What is not 0 or 1 is not rounded to it.
func Percent(p float64) string {
	switch rounded := int(math.Round(p * 100)); {
	case rounded == 0 && p > 0:
		return "<1 %"
	case rounded == 100 && p < 1:
		return ">99 %"
	default:
		return fmt.Sprintf("%d %%", rounded)
	}
}
