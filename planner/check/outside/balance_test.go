package outside

import (
	"fmt"
	"math/bits"
	"strings"
	"testing"
)

// line is an assembly line: tasks with times and an order between them. With a
// full order it is a treatment whose steps are cut into visits; the cycle time
// is the longest visit.
type line struct {
	name     string
	recalled bool // the data were not read in a source: no outside check
	times    []int
	before   [][2]int // task, task after it; counted from 1
	// stations needed at each cycle time
	optimum map[int]int
}

// The data of Mertens and Mitchell were read in the instance files of the
// line-balancing benchmark (MERTENS.IN2, MITCHELL.IN2); those of Jackson and
// Bowman are recalled, and agree with the published task count, time sum and
// order strength (Scholl's data-set table), which the first test holds against
// them. The optima were computed once by subset recursion, glpsol and cbc, which
// agreed; Mertens' are the published ones too.
var lines = []line{
	{
		name: "Mertens", times: []int{1, 5, 4, 3, 5, 6, 5},
		before:  [][2]int{{1, 2}, {1, 4}, {2, 3}, {2, 5}, {4, 7}, {5, 6}},
		optimum: map[int]int{6: 6, 7: 5, 8: 5, 10: 3, 15: 2, 18: 2},
	},
	{
		name: "Mitchell", times: []int{4, 3, 9, 5, 9, 4, 8, 7, 5, 1, 3, 1, 5, 3, 5, 3, 13, 5, 2, 3, 7},
		before: [][2]int{
			{1, 2}, {1, 3}, {2, 21}, {3, 4}, {4, 5}, {4, 21}, {5, 6}, {5, 7}, {6, 8}, {7, 8}, {7, 14}, {8, 9}, {9, 10}, {9, 11},
			{9, 12}, {9, 13}, {10, 15}, {11, 15}, {12, 15}, {13, 17}, {13, 18}, {14, 19}, {15, 16}, {15, 18}, {16, 17}, {17, 20}, {18, 19},
		},
		optimum: map[int]int{14: 8, 15: 8, 21: 5, 26: 5, 35: 3, 39: 3},
	},
	{
		name: "Jackson", recalled: true, times: []int{6, 2, 5, 7, 1, 2, 3, 6, 5, 5, 4},
		before: [][2]int{
			{1, 2}, {1, 3}, {1, 4}, {1, 5}, {2, 6}, {3, 7}, {4, 7}, {5, 7}, {6, 8}, {7, 9}, {8, 10}, {9, 11}, {10, 11},
		},
		optimum: map[int]int{7: 8, 9: 6, 10: 5, 13: 4, 14: 4, 21: 3},
	},
	{
		name: "Bowman", recalled: true, times: []int{11, 17, 9, 5, 8, 12, 10, 3},
		before:  [][2]int{{1, 2}, {2, 3}, {2, 4}, {3, 5}, {3, 6}, {4, 6}, {5, 7}, {6, 8}},
		optimum: map[int]int{20: 5},
	},
}

// published facts of the data-set table: tasks, time sum, order strength in
// per cent. They guard the data against a slip of the pen.
var published = map[string]struct {
	tasks, sum int
	strength   string
}{
	"Mertens":  {7, 29, "52.38"},
	"Mitchell": {21, 105, "70.95"},
	"Jackson":  {11, 46, "58.18"},
	"Bowman":   {8, 75, "75.00"},
}

// stations is the least number of stations by dynamic programming over the
// sets of tasks closed under "before": the state of a set is the number of open
// stations and the time used in the last, in lexicographic order.
func (l line) stations(cycle int) int {
	n := len(l.times)
	needs := make([]int, n)
	for _, b := range l.before {
		needs[b[1]-1] |= 1 << (b[0] - 1)
	}
	type load struct{ open, last int }
	const none = 1 << 30
	best := make([]load, 1<<n)
	for s := range best {
		best[s].open = none
	}
	best[0] = load{0, cycle} // no station is open: the first task opens one
	for s, b := range best {
		if b.open == none {
			continue
		}
		for i, t := range l.times {
			if s>>i&1 == 1 || needs[i]&^s != 0 {
				continue
			}
			next := load{b.open, b.last + t}
			if next.last > cycle {
				next = load{b.open + 1, t}
			}
			to := &best[s|1<<i]
			if next.open < to.open || next.open == to.open && next.last < to.last {
				*to = next
			}
		}
	}
	return best[len(best)-1].open
}

// closure is the number of ordered pairs.
func (l line) closure() int {
	n := len(l.times)
	after := make([]int, n)
	for range n {
		for _, b := range l.before {
			after[b[0]-1] |= 1<<(b[1]-1) | after[b[1]-1]
		}
	}
	pairs := 0
	for _, a := range after {
		pairs += bits.OnesCount(uint(a))
	}
	return pairs
}

// program states the line as an integer programme in CPLEX LP format: task i
// at station k or not, station k open or not.
func (l line) program(cycle, most int) string {
	var b strings.Builder
	b.WriteString("Minimize\n stations:")
	for k := 1; k <= most; k++ {
		fmt.Fprintf(&b, " + y%d", k)
	}
	b.WriteString("\nSubject To\n")
	for i := range l.times {
		fmt.Fprintf(&b, " once%d:", i+1)
		for k := 1; k <= most; k++ {
			fmt.Fprintf(&b, " + x%d_%d", i+1, k)
		}
		b.WriteString(" = 1\n")
	}
	for k := 1; k <= most; k++ {
		fmt.Fprintf(&b, " cycle%d:", k)
		for i, t := range l.times {
			fmt.Fprintf(&b, " + %d x%d_%d", t, i+1, k)
		}
		fmt.Fprintf(&b, " - %d y%d <= 0\n", cycle, k)
	}
	for _, p := range l.before {
		fmt.Fprintf(&b, " order%d_%d:", p[0], p[1])
		for k := 1; k <= most; k++ {
			fmt.Fprintf(&b, " + %d x%d_%d - %d x%d_%d", k, p[0], k, k, p[1], k)
		}
		b.WriteString(" <= 0\n")
	}
	b.WriteString("Binary\n")
	for k := 1; k <= most; k++ {
		fmt.Fprintf(&b, " y%d", k)
		for i := range l.times {
			fmt.Fprintf(&b, " x%d_%d", i+1, k)
		}
		b.WriteString("\n")
	}
	b.WriteString("End\n")
	return b.String()
}

func TestTheLinesAreTheOnesPublished(t *testing.T) {
	for _, l := range lines {
		sum := 0
		for _, x := range l.times {
			sum += x
		}
		n := len(l.times)
		strength := fmt.Sprintf("%.2f", 100*float64(l.closure())/float64(n*(n-1)/2))
		p := published[l.name]
		if n != p.tasks || sum != p.sum || strength != p.strength {
			t.Errorf("%s: %d tasks, sum %d, order strength %s; published %d, %d, %s", l.name, n, sum, strength, p.tasks, p.sum, p.strength)
		}
	}
}

func TestLinesNeedTheStationsThatTwoOutsideSolversFind(t *testing.T) {
	outside := 0
	for _, l := range lines {
		for cycle, want := range l.optimum {
			name := fmt.Sprintf("%s at cycle time %d", l.name, cycle)
			if l.recalled {
				name += ", recalled"
			} else {
				outside++
			}
			t.Run(name, func(t *testing.T) {
				if got := l.stations(cycle); got != want {
					t.Errorf("subset recursion: %d stations, the table says %d", got, want)
				}
				lp := l.program(cycle, want+1)
				if got := glpsol(t, lp); got != float64(want) {
					t.Errorf("glpsol: %v stations, the table says %d", got, want)
				}
				if got := cbc(t, lp); got != float64(want) {
					t.Errorf("cbc: %v stations, the table says %d", got, want)
				}
			})
		}
	}
	if outside != 12 {
		t.Errorf("%d instances count as an outside check, want the 12 whose data were read", outside)
	}
}
