package chairtime

import "math"

// stepTail is the probability dropped from each end of one step's law. It is
// put into the outermost cells, so the sum of the cells stays 1.
const stepTail = 1e-8

// Fine is a distribution on a lattice of PerMinute cells a minute. The steps of
// a block are added on it, so that only the sum is rounded to a minute.
type Fine struct {
	PerMinute int
	First     int // index of the first cell, in cells
	P         []float64
	Lost      float64 // as in Dist
}

// FineExactly puts a fixed duration (minutes >= 0) on the lattice; between two
// cells it is divided so that the mean is kept.
func FineExactly(minutes float64, perMinute int) Fine {
	x := minutes * float64(perMinute)
	k := math.Floor(x)
	if x == k {
		return Fine{PerMinute: perMinute, First: int(k), P: []float64{1}}
	}
	return Fine{PerMinute: perMinute, First: int(k), P: []float64{k + 1 - x, x - k}}
}

// FineLognormal puts a lognormal law on the lattice so that its mean is kept:
// with J(x) = E[max(X-x, 0)] and cell width h, the cell at kh gets
// (J(kh-h) - 2 J(kh) + J(kh+h)) / h, which divides each value linearly between
// the two cells around it. It adds about h^2/6 to the variance.
func FineLognormal(l Lognormal, perMinute int) Fine {
	if l.LogSD == 0 || l.Median == 0 {
		return FineExactly(l.Median, perMinute)
	}
	n := float64(perMinute)
	lo := int(math.Floor(l.Quantile(stepTail) * n))
	hi := int(math.Ceil(l.Median * math.Exp(-l.LogSD*normalQuantile(stepTail)) * n))
	hi = max(hi, lo+1)
	f := Fine{PerMinute: perMinute, First: lo, P: make([]float64, hi-lo+1), Lost: 2 * stepTail}
	// cum is the probability up to and with the cell; differences of survival
	// integrals keep the small upper tail accurate.
	excess := l.Excess(float64(lo) / n)
	survival := 1.0
	mean, origin, inv := l.Mean(), math.Log(l.Median*n), 1/l.LogSD
	for i := range f.P[:len(f.P)-1] {
		k := lo + i + 1
		w := (logOf(k) - origin) * inv
		next := max(mean*fastCDF(l.LogSD-w)-float64(k)/n*fastCDF(-w), 0)
		s := (excess - next) * n
		f.P[i] = max(survival-s, 0)
		survival, excess = s, next
	}
	f.P[len(f.P)-1] = survival
	return f
}

// Plus returns the distribution of the sum of two independent durations on the
// same lattice.
func (f Fine) Plus(g Fine) Fine { return f.PlusWith(single(len(f.P)+len(g.P)), g) }

// PlusWith is Plus with working space, which also holds the result.
func (f Fine) PlusWith(space *Convolver, g Fine) Fine {
	if len(f.P) == 1 && f.P[0] == 1 && f.First == 0 {
		return g
	}
	if len(g.P) == 1 && g.P[0] == 1 && g.First == 0 {
		return f
	}
	return f.plus(space, space.take(len(f.P)+len(g.P)-1), g)
}

// plus is PlusWith in cells that hold zeros.
func (f Fine) plus(space *Convolver, cells []float64, g Fine) Fine {
	out := Fine{PerMinute: f.PerMinute, First: f.First + g.First, P: cells, Lost: f.Lost + g.Lost}
	space.Add(out.P, f.P, g.P, 1)
	return out.trim(stepTail)
}

// Beyond returns the distribution of max(scale*X + Y - c, 0) on whole minutes, 0
// to cap: X as e, Y as f, both added before anything is rounded. The cells are
// those given when they are enough, and space is used for work.
func (f Fine) Beyond(space *Convolver, cells []float64, e Excess, scale, c float64, cap int) Dist {
	n := float64(f.PerMinute)
	size := int(scale*float64(len(e.at))) + 3
	work := space.room(3*size + 2*len(f.P))
	first, p, lost := e.onLattice(work[:size], scale*n, 0, cap*f.PerMinute)
	work = work[size:]
	sum := work[:len(p)+len(f.P)-1]
	clear(sum)
	both := Fine{PerMinute: f.PerMinute, First: first, P: p, Lost: lost}.plus(space, sum, f)
	return both.excess(work[len(sum):]).MinutesIn(cells, 1, -c, cap)
}

// Maybe returns the distribution of a duration added with probability p.
func (f Fine) Maybe(p float64) Fine {
	switch {
	case p <= 0:
		return FineExactly(0, f.PerMinute)
	case p >= 1:
		return f
	}
	out := Fine{PerMinute: f.PerMinute, P: make([]float64, f.First+len(f.P)), Lost: p * f.Lost}
	for i, q := range f.P {
		out.P[f.First+i] = p * q
	}
	out.P[0] += 1 - p
	return out.trim(stepTail)
}

// trim cuts the ends in place.
func (f Fine) trim(tail float64) Fine {
	d := Dist{First: f.First, P: f.P, Lost: f.Lost}
	d.cut(tail)
	return Fine{PerMinute: f.PerMinute, First: d.First, P: d.P, Lost: d.Lost}
}

// Excess returns the function J(x) = E[max(X-x, 0)] of the distribution, from
// which it can be put on whole minutes at any scale.
func (f Fine) Excess() Excess { return f.excess(make([]float64, len(f.P))) }

// excess is Excess in the cells given.
func (f Fine) excess(at []float64) Excess {
	n := len(f.P)
	e := Excess{h: 1 / float64(f.PerMinute), first: f.First, at: at[:n], lost: f.Lost}
	survival, sum := 0.0, 0.0
	for i := n - 1; i >= 0; i-- {
		e.at[i] = sum * e.h
		survival += f.P[i]
		sum += survival
	}
	e.mass = survival
	return e
}

// Excess is the function J(x) = E[max(X-x, 0)] of a distribution on a Fine
// lattice. J is straight between cells.
type Excess struct {
	h     float64
	first int
	at    []float64 // J at each cell
	mass  float64
	lost  float64
}

// Minutes returns the distribution of scale*X + shift on whole minutes, 0 to
// cap, keeping its mean: each value is divided between the two minutes around
// it. Values below 0 count as 0, so that shift = -c gives max(scale*X - c, 0).
// The convolution behind X is done once and serves every scale.
func (e Excess) Minutes(scale, shift float64, cap int) Dist {
	return e.MinutesIn(nil, scale, shift, cap)
}

// MinutesIn is Minutes with its cells in the space given, when it is large
// enough.
func (e Excess) MinutesIn(space []float64, scale, shift float64, cap int) Dist {
	first, cells, lost := e.onLattice(space, scale, shift, cap)
	return Dist{First: first, P: cells, Lost: lost}
}

// onLattice puts scale*X + shift on the whole numbers, 0 to cap, where scale and
// shift are in cells and X in minutes.
func (e Excess) onLattice(space []float64, scale, shift float64, cap int) (first int, cells []float64, lost float64) {
	n := len(e.at)
	if n == 0 {
		return 0, nil, 0
	}
	lowest := scale*float64(e.first)*e.h + shift
	highest := scale*float64(e.first+n-1)*e.h + shift
	lo := min(max(int(math.Floor(lowest)), 0), cap)
	hi := min(max(int(math.Ceil(highest)), lo), cap)
	size := hi - lo + 1
	if len(space) < size {
		space = make([]float64, size)
	}
	cells, lost = space[:size], e.lost
	// In units of the cells of X, lattice point y lies at (y-shift)/(scale*h) - first.
	inv := 1 / (scale * e.h)
	from := (float64(lo)-shift)*inv - float64(e.first)
	// J of the scaled value is scale times J.
	value := scale * e.value(from)
	survival := e.mass
	top := float64(n - 1)
	for i := range cells {
		pos := from + float64(i+1)*inv
		next := 0.0
		if pos <= 0 {
			next = scale * (e.at[0] - pos*e.h*e.mass)
		} else if pos < top {
			k := int(pos)
			low := e.at[k]
			next = scale * (low + (pos-float64(k))*(e.at[k+1]-low))
		}
		s := value - next
		cells[i] = max(survival-s, 0)
		survival, value = s, next
	}
	// The last cell holds everything from there on.
	cells[size-1] = max(cells[size-1]+survival, 0)
	if hi == cap {
		lost += survival
	}
	return lo, cells, lost
}

// value is J at a position in cells from the first.
func (e Excess) value(pos float64) float64 {
	switch {
	case pos <= 0:
		return e.at[0] - pos*e.h*e.mass
	case pos >= float64(len(e.at)-1):
		return 0
	}
	k := int(pos)
	return e.at[k] + (pos-float64(k))*(e.at[k+1]-e.at[k])
}
