package anatomy

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"github.com/visitwright/visitwright/planner/provenance"
)

// Line is one sentence of an explanation, with the standing of its figures.
type Line struct {
	Text string          `json:"text"`
	Mark provenance.Mark `json:"mark"`
}

// odds says a share as people count: "6 in 10", "1 in 50", "49 in 50".
func odds(share float64) string {
	switch {
	case share <= 0:
		return "none"
	case share >= 1:
		return "all"
	case share < 0.07:
		return rare(share)
	case share > 0.93:
		return common(1 - share)
	}
	n := int(math.Round(share * 10))
	return fmt.Sprintf("%d in 10", min(max(n, 1), 9))
}

// rounds used for small shares
var rounds = []int{15, 20, 25, 30, 40, 50, 75, 100, 150, 200}

func nearestRound(share float64) (int, bool) {
	if share < 1.0/300 {
		return rounds[len(rounds)-1], false
	}
	best := rounds[0]
	for _, n := range rounds {
		if math.Abs(1/float64(n)-share) < math.Abs(1/float64(best)-share) {
			best = n
		}
	}
	return best, true
}

func rare(share float64) string {
	n, near := nearestRound(share)
	if !near {
		return fmt.Sprintf("fewer than 1 in %d", n)
	}
	return fmt.Sprintf("1 in %d", n)
}

func common(missing float64) string {
	n, near := nearestRound(missing)
	if !near {
		return fmt.Sprintf("more than %d in %d", n-1, n)
	}
	return fmt.Sprintf("%d in %d", n-1, n)
}

// percentText writes a share as a percentage without needless decimals.
func percentText(share float64) string {
	return strconv.FormatFloat(math.Round(share*1000)/10, 'f', -1, 64)
}

func canalsText(n int) string {
	if n == 1 {
		return "1 canal"
	}
	return fmt.Sprintf("%d canals", n)
}

// article sets "a" or "an" before a word.
func article(s string) string {
	if s != "" && strings.ContainsRune("aeiou", rune(s[0])) {
		return "an " + s
	}
	return "a " + s
}

func capital(s string) string {
	if s == "" || s[0] < 'a' || s[0] > 'z' {
		return s
	}
	return string(s[0]-'a'+'A') + s[1:]
}

// standing orders marks from weak to strong: an answer is as good as the
// weakest figure in it.
var standing = map[provenance.Kind]int{
	provenance.Invented: 0, provenance.Assumed: 1, provenance.Memory: 2,
	provenance.Practice: 3, provenance.Local: 4, provenance.Published: 5,
}

func weaker(a, b provenance.Mark) provenance.Mark {
	if standing[b.Kind] < standing[a.Kind] {
		return b
	}
	return a
}
