package diary

import "math/bits"

// Grid is the diary's raster in minutes. Every length, part and time of day is
// a multiple of it.
const Grid = 5

const (
	words = 5          // of a day's mask
	cells = words * 64 // a day of 25 hours has 300, of 24 hours 288
)

// Mask is one day of one resource in cells of Grid minutes of real time,
// counted from the first instant of the local day: bit i of the mask is set
// when the cell is free. Cells beyond the end of the day are never set, so that
// a day of 23 or 25 hours needs no special case.
type Mask [words]uint64

// Has reports whether the cell is set; cells outside the day are not.
func (m *Mask) Has(i int) bool {
	return i >= 0 && i < cells && m[i>>6]>>(uint(i)&63)&1 != 0
}

// ones returns the bits of word w that lie in cells from to to-1.
func ones(w, from, to int) uint64 {
	lo, hi := max(from-w*64, 0), min(to-w*64, 64)
	if lo >= hi {
		return 0
	}
	return ^uint64(0) >> (64 - uint(hi-lo)) << uint(lo)
}

// Set sets the cells from up to and not including to.
func (m *Mask) Set(from, to int) {
	for w := range m {
		m[w] |= ones(w, from, to)
	}
}

// Clear clears the cells from up to and not including to.
func (m *Mask) Clear(from, to int) {
	for w := range m {
		m[w] &^= ones(w, from, to)
	}
}

// HasAll reports whether every cell from up to and not including to is set.
func (m *Mask) HasAll(from, to int) bool {
	if from < 0 || to > cells {
		return false
	}
	for w := range m {
		if o := ones(w, from, to); m[w]&o != o {
			return false
		}
	}
	return true
}

// Empty reports whether no cell is set.
func (m *Mask) Empty() bool { return m[0]|m[1]|m[2]|m[3]|m[4] == 0 }

// Count returns the number of cells set.
func (m *Mask) Count() int {
	n := 0
	for _, w := range m {
		n += bits.OnesCount64(w)
	}
	return n
}

// And returns the cells set in both.
func (m *Mask) And(o *Mask) Mask {
	return Mask{m[0] & o[0], m[1] & o[1], m[2] & o[2], m[3] & o[3], m[4] & o[4]}
}

// Or returns the cells set in either.
func (m *Mask) Or(o *Mask) Mask {
	return Mask{m[0] | o[0], m[1] | o[1], m[2] | o[2], m[3] | o[3], m[4] | o[4]}
}

// AndNot returns the cells set in m and not in o.
func (m *Mask) AndNot(o *Mask) Mask {
	return Mask{m[0] &^ o[0], m[1] &^ o[1], m[2] &^ o[2], m[3] &^ o[3], m[4] &^ o[4]}
}

// Starts returns the cells from which n cells in a row are set, by doubling:
// log2 n rounds of shift and and. n is at least 1.
func (m *Mask) Starts(n int) Mask {
	return starts(m, []stretch{{0, n}}, 0, words-1)
}

// run returns the bounds of the unbroken stretch of set cells around cell i,
// which is set: from up to and not including to.
func (m *Mask) run(i int) (from, to int) {
	w, b := i>>6, uint(i)&63
	from, to = 0, cells
	if low := ^m[w] << (63 - b); low != 0 {
		from = i + 1 - bits.LeadingZeros64(low)
	} else {
		for v := w - 1; ; v-- {
			if v < 0 {
				break
			}
			if m[v] != ^uint64(0) {
				from = v*64 + 64 - bits.LeadingZeros64(^m[v])
				break
			}
		}
	}
	if high := ^m[w] >> b; high != 0 {
		to = i + bits.TrailingZeros64(high)
	} else {
		for v := w + 1; v < words; v++ {
			if m[v] != ^uint64(0) {
				to = v*64 + bits.TrailingZeros64(^m[v])
				break
			}
		}
	}
	return from, to
}

// longest returns the length of the longest unbroken stretch of set cells.
func (m *Mask) longest() int {
	best := 0
	for at := m.next(0); at < cells; {
		_, to := m.run(at)
		best = max(best, to-at)
		at = m.next(to)
	}
	return best
}
