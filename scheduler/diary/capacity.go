package diary

import (
	"math"
	"math/bits"
	"sync/atomic"
)

// UsableCapacity is what gaps are worth to a practice: the sum over its own
// appointment lengths of weight * floor(gap / length). Gaps are in minutes.
//
// Two gaps of 60 minutes hold as much as one of 120 when the practice books up
// to 60 minutes, while a measure of how broken up the day looks would call them
// half lost.
func UsableCapacity(gaps []int, lengths []UsefulLength) int {
	sum := 0
	for _, g := range gaps {
		for _, l := range lengths {
			sum += l.Weight * (g / l.Minutes)
		}
	}
	return sum
}

// ExternalFragmentation is 1 - largest gap / all free time, 0 when nothing is
// free. It is shown beside a day, never ranked by.
func ExternalFragmentation(gaps []int) float64 {
	most, sum := 0, 0
	for _, g := range gaps {
		most, sum = max(most, g), sum+g
	}
	if sum == 0 {
		return 0
	}
	return 1 - float64(most)/float64(sum)
}

// GapEntropy is the Shannon entropy of the gaps' shares, in nats. It is shown
// beside a day, never ranked by.
func GapEntropy(gaps []int) float64 {
	sum := 0
	for _, g := range gaps {
		sum += g
	}
	h := 0.0
	for _, g := range gaps {
		if g > 0 {
			share := float64(g) / float64(sum)
			h -= share * math.Log(share)
		}
	}
	return h
}

// Gaps returns the lengths of the unbroken free stretches in minutes, in order.
func (m *Mask) Gaps() []int {
	var out []int
	for at := m.next(0); at < cells; {
		_, to := m.run(at)
		out = append(out, (to-at)*Grid)
		at = m.next(to)
	}
	return out
}

// next returns the first set cell from i on, or cells when there is none.
func (m *Mask) next(i int) int {
	for w := i >> 6; w < words; w++ {
		x := m[w]
		if w == i>>6 {
			x &= ^uint64(0) << (uint(i) & 63)
		}
		if x != 0 {
			return w*64 + bits.TrailingZeros64(x)
		}
	}
	return cells
}

// capacity is the usable capacity of gaps.
type capacity struct {
	of [cells + 1]int32 // of one gap of so many cells
	// least[n] is 1 + the least that taking n cells in a row can lose, whatever
	// the gap and wherever in it; 0 as long as nobody asked.
	least [cells + 1]atomic.Int32
}

func newCapacity(lengths []UsefulLength) *capacity {
	c := new(capacity)
	for g := range c.of {
		c.of[g] = int32(UsableCapacity([]int{g * Grid}, lengths))
	}
	return c
}

// leastLost returns the least that taking n cells in a row can lose. It bounds
// what a place costs before anything is known about the day.
func (c *capacity) leastLost(n int) int {
	if known := c.least[n].Load(); known > 0 {
		return int(known - 1)
	}
	least := c.of[n]
	for gap := n + 1; gap <= cells; gap++ {
		for before := 0; 2*before <= gap-n; before++ {
			least = min(least, c.of[gap]-c.of[before]-c.of[gap-n-before])
		}
	}
	c.least[n].Store(least + 1)
	return int(least)
}

// lostAll returns the usable capacity that goes when the parts of a visit that
// begins at the cell start are taken: free stretches, in order, not overlapping.
func (c *capacity) lostAll(m *Mask, parts []stretch, start int) int {
	sum := 0
	for i := 0; i < len(parts); {
		lo, hi := m.run(start + parts[i].from)
		sum += int(c.of[hi-lo])
		for ; i < len(parts) && start+parts[i].from < hi; i++ {
			sum -= int(c.of[start+parts[i].from-lo])
			lo = start + parts[i].to
		}
		sum -= int(c.of[hi-lo])
	}
	return sum
}

// stretch is a part of a visit in cells, counted from the visit's start.
type stretch struct{ from, to int }
