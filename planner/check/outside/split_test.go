package outside

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// The worked instance of splitting an ordered list of steps into visits: eight
// lognormal steps (mean minutes, coefficient of variation), 10 minutes to set
// up each visit, a visit of at most 60 minutes kept with nine chances in ten,
// and no break after step 2 or 5. The chances and the optimum were computed on
// whole minutes, each step rounded to the nearest.
var (
	splitSteps = [][2]float64{{5, .3}, {8, .4}, {20, .5}, {10, .3}, {15, .6}, {6, .4}, {12, .5}, {4, .3}}
	noBreak    = map[int]bool{2: true, 5: true}
	// chance that steps from..to with the set-up end within 60 minutes
	splitChances = map[[2]int]float64{
		{1, 3}: .935673, {1, 4}: .794535, {3, 4}: .955341, {3, 5}: .714214, {4, 5}: .979384, {4, 6}: .957605,
		{4, 7}: .786094, {5, 7}: .93038, {5, 8}: .891132, {6, 8}: .997198, {7, 8}: .999025,
	}
)

const (
	splitSetUp      = 10
	splitLongest    = 60
	splitConfidence = .90
	splitGrid       = 5
	splitCells      = 400 // minutes; the whole treatment passes 400 about once in 1e12
)

// minuteCells rounds a lognormal of the given mean and coefficient of variation
// to the nearest minute.
func minuteCells(mean, cv float64) []float64 {
	sigma2 := math.Log1p(cv * cv)
	law := distuv.LogNormal{Mu: math.Log(mean) - sigma2/2, Sigma: math.Sqrt(sigma2)}
	cells := make([]float64, splitCells)
	below := 0.0
	for k := range cells {
		upTo := law.CDF(float64(k) + .5)
		cells[k], below = upTo-below, upTo
	}
	return cells
}

// segment is the law in whole minutes of a visit that does steps from..to.
func segment(from, to int) []float64 {
	sum := make([]float64, splitCells)
	sum[splitSetUp] = 1
	for _, s := range splitSteps[from-1 : to] {
		step, next := minuteCells(s[0], s[1]), make([]float64, splitCells)
		for i, p := range sum {
			if p == 0 {
				continue
			}
			for j := 0; i+j < splitCells; j++ {
				next[i+j] += p * step[j]
			}
		}
		sum = next
	}
	return sum
}

func within(cells []float64, minutes int) float64 {
	var p float64
	for _, c := range cells[:minutes+1] {
		p += c
	}
	return p
}

// booked is the least length on the grid that holds the visit with the
// confidence asked for, or 0 when it is longer than a visit may be.
func booked(cells []float64) int {
	for length := splitGrid; length <= splitLongest; length += splitGrid {
		if within(cells, length) >= splitConfidence {
			return length
		}
	}
	return 0
}

func TestChancesOfTheSplitInstance(t *testing.T) {
	for s, want := range splitChances {
		// six decimals are printed
		if got := within(segment(s[0], s[1]), splitLongest); math.Abs(got-want) > 1e-6 {
			t.Errorf("steps %d to %d within 60 minutes: %.6f, the table says %.6f", s[0], s[1], got, want)
		}
	}
}

func TestTheSplitInstanceTakesThreeVisitsOfOneHundredAndFiftyMinutes(t *testing.T) {
	n := len(splitSteps)
	// Every composition, by the bits of its breaks.
	type split struct{ visits, minutes int }
	best, feasible, runnerUp := split{visits: n + 1}, 0, math.MaxInt
	var bestEnds []int
	for breaks := range 1 << (n - 1) {
		var s split
		var ends []int
		from, ok := 1, true
		for to := 1; to <= n; to++ {
			if to < n && breaks>>(to-1)&1 == 0 {
				continue
			}
			length := booked(segment(from, to))
			if noBreak[to] || length == 0 {
				ok = false
				break
			}
			s.visits, s.minutes, from = s.visits+1, s.minutes+length, to+1
			ends = append(ends, to)
		}
		if !ok {
			continue
		}
		feasible++
		switch {
		case s.visits < best.visits || s.visits == best.visits && s.minutes < best.minutes:
			best, bestEnds = s, ends
		case s.visits == 4:
			runnerUp = min(runnerUp, s.minutes)
		}
	}
	if feasible != 10 {
		t.Errorf("%d of 128 compositions are feasible, published 10", feasible)
	}
	if best != (split{3, 150}) || fmt.Sprint(bestEnds) != "[3 6 8]" {
		t.Errorf("optimum %+v ending after steps %v, published 3 visits and 150 minutes ending after 3, 6 and 8", best, bestEnds)
	}
	if runnerUp != 165 {
		t.Errorf("the runners-up in four visits book %d minutes, published 165", runnerUp)
	}

	// The same as a shortest path, by a solver that has never seen our code:
	// visits first, minutes second.
	var objective, variables strings.Builder
	flow := make([]strings.Builder, n+1)
	for from := 1; from <= n; from++ {
		for to := from; to <= n; to++ {
			length := booked(segment(from, to))
			if length == 0 || noBreak[to] {
				continue
			}
			fmt.Fprintf(&objective, " + %d v%d_%d", 1000+length, from, to)
			fmt.Fprintf(&variables, " v%d_%d", from, to)
			fmt.Fprintf(&flow[from-1], " + v%d_%d", from, to)
			fmt.Fprintf(&flow[to], " - v%d_%d", from, to)
		}
	}
	lp := "Minimize\n cost:" + objective.String() + "\nSubject To\n"
	for i := range flow {
		net := map[int]int{0: 1, n: -1}[i]
		if flow[i].Len() > 0 {
			lp += fmt.Sprintf(" cut%d:%s = %d\n", i, flow[i].String(), net)
		}
	}
	lp += "Binary\n" + variables.String() + "\nEnd\n"
	if got := glpsol(t, lp); got != 3150 {
		t.Errorf("glpsol: cost %v, want 3 visits and 150 minutes", got)
	}
	if got := cbc(t, lp); got != 3150 {
		t.Errorf("cbc: cost %v, want 3 visits and 150 minutes", got)
	}
}
