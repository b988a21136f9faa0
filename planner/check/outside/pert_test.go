package outside

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// activity is one activity of a PERT network: low, usual and high durations,
// and what must be done before it.
type activity struct {
	low, usual, high float64
	after            string // one letter each
}

func (a activity) mean() float64     { return (a.low + 4*a.usual + a.high) / 6 }
func (a activity) variance() float64 { d := (a.high - a.low) / 6; return d * d }

// Textbook networks. 1: a worked seven-activity example of a project-management
// text (flylib.com 3.287.1.117); 2: a fourteen-activity exercise (wizedu.com
// 717873); 3: the construction project of Hillier and Lieberman's text, whose data
// and printed answer are recalled: it counts as no outside check and says so in
// its name.
var networks = []struct {
	name           string
	activities     map[string]activity
	path           string
	mean, variance float64
	deadline, odds float64
}{
	{
		name: "seven activities",
		// the critical path of the text is 1-3-5-7; the others run beside it
		activities: map[string]activity{"1": {5, 8, 17, ""}, "3": {3, 5, 7, "1"}, "5": {4, 6, 8, "3"}, "7": {3, 4, 5, "5"}},
		path:       "1357", mean: 24, variance: 5, deadline: 28, odds: .963181,
	},
	{
		name: "fourteen activities",
		activities: map[string]activity{
			"A": {5, 5, 7, ""}, "B": {1, 2, 5, ""}, "C": {5, 5, 5, "A"}, "D": {4, 8, 13, "A"}, "E": {1, 10, 17, "BC"},
			"F": {1, 5, 7, "D"}, "G": {2, 6, 9, "D"}, "H": {4, 4, 6, "EF"}, "I": {2, 7, 10, "GH"}, "J": {2, 4, 7, "I"},
			"K": {6, 10, 13, "I"}, "L": {2, 6, 6, "J"}, "M": {2, 2, 3, "K"}, "N": {7, 7, 12, "LM"},
		},
		path: "ACEHIKMN", mean: 50.833333, variance: 11.194444, deadline: 55, odds: .893496,
	},
	{
		name: "construction project, recalled",
		activities: map[string]activity{
			"A": {1, 2, 3, ""}, "B": {2, 3.5, 8, "A"}, "C": {6, 9, 18, "B"}, "D": {4, 5.5, 10, "C"}, "E": {1, 4.5, 5, "C"},
			"F": {4, 4, 10, "E"}, "G": {5, 6.5, 11, "D"}, "H": {5, 8, 17, "EG"}, "I": {3, 7.5, 9, "C"}, "J": {3, 9, 9, "FI"},
			"K": {4, 4, 4, "J"}, "L": {1, 5.5, 7, "J"}, "M": {1, 2, 3, "H"}, "N": {5, 5.5, 9, "KL"},
		},
		path: "ABCEFJLN", mean: 44, variance: 9, deadline: 47, odds: .841345,
	},
}

// critical returns the longest path by mean durations, and its mean.
func critical(activities map[string]activity) (path string, mean float64) {
	names := make([]string, 0, len(activities))
	for n := range activities {
		names = append(names, n)
	}
	slices.Sort(names) // every activity follows those of an earlier letter
	end, way := map[string]float64{}, map[string]string{}
	for _, n := range names {
		a := activities[n]
		for _, p := range strings.Split(a.after, "") {
			if end[p] > end[n] {
				end[n], way[n] = end[p], way[p]
			}
		}
		end[n] += a.mean()
		way[n] += n
		if end[n] > mean {
			mean, path = end[n], way[n]
		}
	}
	return path, mean
}

func TestCriticalPathsOfTheTextbookNetworks(t *testing.T) {
	for _, n := range networks {
		t.Run(n.name, func(t *testing.T) {
			path, mean := critical(n.activities)
			var variance float64
			for _, letter := range strings.Split(path, "") {
				variance += n.activities[letter].variance()
			}
			odds := distuv.Normal{Mu: mean, Sigma: math.Sqrt(variance)}.CDF(n.deadline)
			got := fmt.Sprintf("%s mean %.6f var %.6f P %.6f", path, mean, variance, odds)
			want := fmt.Sprintf("%s mean %.6f var %.6f P %.6f", n.path, n.mean, n.variance, n.odds)
			if got != want {
				t.Errorf("got  %s\nwant %s", got, want)
			}
		})
	}
}
