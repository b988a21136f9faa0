// Package odds writes a probability as people say it. Whatever shows a chance to
// somebody writes it by these steps, which are those of the service's own words.
package odds

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Words says a chance, between 0 and 1, as people say it: "8 in 10". Close to
// certainty it gets finer, and it never calls anything certain: a computed chance
// of 0 or 1 has lost its tail to rounding.
func Words(p float64) string {
	switch {
	case math.IsNaN(p):
		return "not known"
	case p >= 0.995:
		return "more than 99 in 100"
	case p >= 0.97:
		return fmt.Sprintf("%d in 100", hundredths(p))
	case p >= 0.925:
		return "19 in 20"
	case p >= 0.075:
		return fmt.Sprintf("%d in 10", int(math.Round(p*10)))
	case p >= 0.035:
		return "1 in 20"
	case p >= 0.005:
		return fmt.Sprintf("%d in 100", hundredths(p))
	}
	return "fewer than 1 in 100"
}

// hundredths of a chance that is called neither none nor all.
func hundredths(p float64) int { return min(max(int(math.Round(p*100)), 1), 99) }

// Percent writes a chance for a table or the end of a bar: "83 %", never 0 or
// 100.
func Percent(p float64) string {
	if math.IsNaN(p) {
		return "not known"
	}
	return Figure(p) + " %"
}

// Figure is the per cent of a known chance without their sign: "83", "<1", ">99".
func Figure(p float64) string {
	switch {
	case p < 0.005:
		return "<1"
	case p >= 0.995:
		return ">99"
	}
	return strconv.Itoa(hundredths(p))
}

// Share says a part of what was counted or set by somebody: 12 of 12 visits are
// "all" of them.
func Share(p float64) string {
	switch p {
	case 0:
		return "none"
	case 1:
		return "all"
	}
	return Words(p)
}

// SharePercent writes such a part as per cent. What is not 0 or 1 is not rounded
// to it.
func SharePercent(p float64) string {
	switch p {
	case 0:
		return "0 %"
	case 1:
		return "100 %"
	}
	return Percent(p)
}

// Certain reports whether the service tells of odds that they are none or all by
// the structure of the plan, as when no treatment of two visits is complete after
// the first. Its words say so; a bare 0 or 1 does not.
func Certain(p float64, told string) bool {
	return p == 0 && strings.HasPrefix(told, "none ") || p == 1 && strings.HasPrefix(told, "always")
}

// Told is Words of odds with the service's words for them, and knows what is
// certain.
func Told(p float64, told string) string {
	if Certain(p, told) {
		return Share(p)
	}
	return Words(p)
}

// ToldPercent is Percent of such odds.
func ToldPercent(p float64, told string) string {
	if Certain(p, told) {
		return SharePercent(p)
	}
	return Percent(p)
}
