package chairtime

// Convolve adds the convolution of a and b to dst, as far as dst reaches. The
// order of the additions is fixed by the lengths alone.
func Convolve(dst, a, b []float64) { new(Convolver).Add(dst, a, b, 1) }

// Convolver convolves with working space that is kept between calls. It must
// not be used by two goroutines at once.
type Convolver struct {
	rows, cells []float64
	chunk       []float64 // for results
	used        int
	work        []float64 // of one call
	spans       []span
	below       []float64 // sums of the cells before each eighth one,
	above       []float64 // and from it on
}

// chunkCells is how many cells for results are allocated at once.
const (
	chunkCells = 1 << 15
	maxChunk   = 1 << 18
)

// single is space for one result.
func single(cells int) *Convolver { return &Convolver{chunk: make([]float64, cells)} }

// take returns n zeros for a result. They stay valid until Forget.
func (c *Convolver) take(n int) []float64 {
	if c.used+n > len(c.chunk) {
		c.chunk, c.used = make([]float64, max(n, min(2*len(c.chunk), maxChunk), chunkCells)), 0
	}
	v := c.chunk[c.used : c.used+n : c.used+n]
	c.used += n
	clear(v)
	return v
}

// room is space for one call.
func (c *Convolver) room(n int) []float64 {
	if len(c.work) < n {
		c.work = make([]float64, n+n/2)
	}
	return c.work
}

// Forget lets the space of all results made with PlusWith be used again: they
// must not be read any more.
func (c *Convolver) Forget() { c.used = 0 }

// Add adds scale times the convolution of a and b to dst, as far as dst reaches.
func (c *Convolver) Add(dst, a, b []float64, scale float64) {
	c.add(dst, a, b, scale, 0, wide, ends{})
}

// AddWithin adds scale times the convolution of a and b to dst, which holds all of
// it. Products far out at either end that come to no more than tail there are not
// made: their sum is put into cells further in, and the sum of both ends is
// returned.
func (c *Convolver) AddWithin(dst, a, b []float64, scale, tail float64) float64 {
	return c.add(dst, a, b, scale, tail, wide, ends{})
}

// AddWithEnds is AddWithin with more in the first and the last cell of b than b
// holds. As far as dst does not hold all, every product is made.
func (c *Convolver) AddWithEnds(dst, a, b []float64, scale, first, last, tail float64) float64 {
	return c.add(dst, a, b, scale, tail, wide, ends{first: first, last: last})
}

// ends is what the first and the last cell of a or b, the shorter, hold besides.
type ends struct {
	first, last float64
	longer      bool // of the longer
}

// span is the cells that a group of eight rows is added to, from that of its first
// row on.
type span struct{ from, to int }

// edge is how many zeros stand before the cells of the longer one, and at least as
// many behind: they spare the edges a code of their own.
const edge = 7

func (c *Convolver) add(dst, a, b []float64, scale, tail float64, wide bool, more ends) float64 {
	more.longer = true
	if len(a) > len(b) {
		a, b = b, a
		more.longer = false
	}
	lastA, lastB := len(a)-1, len(b)-1
	all := len(dst) > lastA+lastB
	a = a[:min(len(a), len(dst))]
	b = b[:min(len(b), len(dst))]
	if len(a) == 0 {
		return 0
	}
	// Eight rows are added at once, so that a target cell is loaded and stored once
	// for eight products; the last four may be alone.
	fours := (len(a) + 3) / 4
	groups := fours / 2
	c.rows = padded(c.rows, 4*fours, 0, a)
	c.cells = padded(c.cells, len(b)+2*edge+8, edge, b)
	if more.longer {
		c.cells[edge] += more.first
		if lastB < len(b) {
			c.cells[edge+lastB] += more.last
		}
	} else {
		c.rows[0] += more.first
		if lastA < len(a) {
			c.rows[lastA] += more.last
		}
	}
	if scale != 1 {
		for i := range c.rows {
			c.rows[i] *= scale
		}
	}
	moved := 0.0
	if tail > 0 && all && groups >= leastToCut {
		moved = c.cut(dst, groups, len(b), tail/float64(groups))
	} else {
		c.spans = c.spans[:0]
		for g := range groups {
			c.spans = append(c.spans, span{0, min(len(b)+edge, len(dst)-8*g)})
		}
	}
	if wide && groups > 0 {
		addEights(&dst[0], &c.rows[0], &c.cells[0], &c.spans[0], groups)
	} else {
		for g, s := range c.spans {
			to := dst[8*g+s.from : 8*g+s.to]
			addFourRows(to, c.rows[8*g:], c.cells[s.from+4:])
			addFourRows(to, c.rows[8*g+4:], c.cells[s.from:])
		}
	}
	if fours%2 == 1 {
		at := 8 * groups
		n := min(len(b)+3, len(dst)-at)
		if wide {
			addFour(&dst[at], &c.rows[at], &c.cells[4], n)
		} else {
			addFourRows(dst[at:at+n], c.rows[at:], c.cells[4:])
		}
	}
	return moved
}

// leastToCut is how many groups of rows it takes before it pays to look for
// products that do not matter.
const leastToCut = 12

// cut finds the span of each group of eight rows: the cells of the longer one, of
// which there are n, that it must meet if what it leaves out is to stay within tail
// at either end. What is left out is added to the outermost cells of the span, and
// its sum is returned. A group of little weight at the end of one distribution need
// not meet the end of the other.
func (c *Convolver) cut(dst []float64, groups, n int, tail float64) float64 {
	blocks := (n + 7) / 8
	c.sums(blocks)
	b := c.cells[edge:]
	moved := 0.0
	c.spans = c.spans[:0]
	lo, hi := 0, blocks // in blocks of eight cells
	for g := range groups {
		a := (*[8]float64)(c.rows[8*g:])
		weight := ((a[0] + a[1]) + (a[2] + a[3])) + ((a[4] + a[5]) + (a[6] + a[7]))
		for hi < blocks && weight*c.above[hi-1] > tail {
			hi++
		}
		for hi > 1 && weight*c.above[hi-2] <= tail {
			hi--
		}
		for lo > 0 && (lo >= hi || weight*c.below[lo] > tail) {
			lo--
		}
		for lo+1 < hi && weight*c.below[lo+1] <= tail {
			lo++
		}
		s := span{8 * lo, min(n+edge, len(dst)-8*g)}
		if lo > 0 {
			// The row j leaves out what lies before from-j.
			sum, low := c.below[lo-1], 0.0
			for j := 7; j >= 0; j-- {
				sum += b[s.from-1-j]
				low += float64(a[j] * sum)
			}
			dst[8*g+s.from] += low
			moved += low
		}
		if hi < blocks {
			s.to = 8 * hi
			sum, high := c.above[hi], 0.0
			for j, q := range a {
				high += float64(q * sum)
				sum += b[s.to-1-j]
			}
			dst[8*g+s.to-1] += high
			moved += high
		}
		c.spans = append(c.spans, s)
	}
	return moved
}

// sums adds up the cells of the longer one in blocks of eight: below[i] is the sum
// of those before block i, above[i] of that and all behind it.
func (c *Convolver) sums(blocks int) {
	if cap(c.below) <= blocks {
		c.below, c.above = make([]float64, 2*blocks+1), make([]float64, 2*blocks+1)
	}
	c.below, c.above = c.below[:blocks+1], c.above[:blocks+1]
	c.below[0] = 0
	for i := range blocks {
		x := (*[8]float64)(c.cells[edge+8*i:])
		sum := ((x[0] + x[1]) + (x[2] + x[3])) + ((x[4] + x[5]) + (x[6] + x[7]))
		c.below[i+1], c.above[i] = c.below[i]+sum, sum
	}
	c.above[blocks] = 0
	for i := blocks - 1; i >= 0; i-- {
		c.above[i] += c.above[i+1]
	}
}

// padded returns a slice of the given size that holds v from offset on, and
// zeros elsewhere.
func padded(space []float64, size, offset int, v []float64) []float64 {
	if cap(space) < size {
		space = make([]float64, size+size/2)
	}
	space = space[:size]
	clear(space[:offset])
	copy(space[offset:], v)
	clear(space[offset+len(v):])
	return space
}

// addFourRows adds four rows:
//
//	dst[k] += a[0] b[k+3] + a[1] b[k+2] + a[2] b[k+1] + a[3] b[k]
//
// The conversions forbid the compiler to fuse a product with a sum.
func addFourRows(dst, a, b []float64) {
	a0, a1, a2, a3 := a[0], a[1], a[2], a[3]
	x3, x2, x1 := b[0], b[1], b[2]
	src := b[3:]
	src = src[:len(dst)]
	for k, x0 := range src {
		dst[k] += float64(float64(float64(a0*x0)+float64(a1*x1))+float64(a2*x2)) + float64(a3*x3)
		x3, x2, x1 = x2, x1, x0
	}
}
