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
func (c *Convolver) Add(dst, a, b []float64, scale float64) { c.add(dst, a, b, scale, wide, ends{}) }

// AddWithEnds is Add with more in the first and the last cell of b than b holds.
func (c *Convolver) AddWithEnds(dst, a, b []float64, scale, first, last float64) {
	c.add(dst, a, b, scale, wide, ends{first: first, last: last})
}

// ends is what the first and the last cell of a or b, the shorter, hold besides.
type ends struct {
	first, last float64
	longer      bool // of the longer
}

func (c *Convolver) add(dst, a, b []float64, scale float64, wide bool, more ends) {
	more.longer = true
	if len(a) > len(b) {
		a, b = b, a
		more.longer = false
	}
	lastA, lastB := len(a)-1, len(b)-1
	a = a[:min(len(a), len(dst))]
	b = b[:min(len(b), len(dst))]
	if len(a) == 0 {
		return
	}
	// Four rows are added at once, so that a target cell is loaded and stored once
	// for four products. Zeros around both sides spare the edges a code of their own.
	groups := (len(a) + 3) / 4
	cells := len(b) + 3
	c.rows = padded(c.rows, 4*groups, 0, a)
	c.cells = padded(c.cells, cells+3, 3, b)
	if more.longer {
		c.cells[3] += more.first
		if lastB < len(b) {
			c.cells[3+lastB] += more.last
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
	if wide {
		addWide(&dst[0], &c.rows[0], &c.cells[0], groups, cells, len(dst))
	} else {
		addRows(dst, c.rows, c.cells, groups, cells)
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

// addRows adds groups of four rows: with group g beginning at cell 4g,
//
//	dst[4g+k] += a[4g] b[k+3] + a[4g+1] b[k+2] + a[4g+2] b[k+1] + a[4g+3] b[k]
//
// for k below cells, as far as dst reaches. The conversions forbid the compiler
// to fuse a product with a sum.
func addRows(dst, a, b []float64, groups, cells int) {
	for g := range groups {
		a0, a1, a2, a3 := a[4*g], a[4*g+1], a[4*g+2], a[4*g+3]
		to := dst[4*g:]
		to = to[:min(len(to), cells)]
		x3, x2, x1 := b[0], b[1], b[2]
		src := b[3:]
		src = src[:len(to)]
		for k, x0 := range src {
			to[k] += float64(float64(float64(a0*x0)+float64(a1*x1))+float64(a2*x2)) + float64(a3*x3)
			x3, x2, x1 = x2, x1, x0
		}
	}
}
