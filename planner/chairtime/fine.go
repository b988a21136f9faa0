package chairtime

import (
	"math"
	"sort"
)

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
	return FineMaybe(new(Convolver), 1, l, perMinute)
}

// FineMaybe is FineLognormal for a duration that is added with probability p, and
// takes no time otherwise. The result lies in the space given, as with PlusWith.
func FineMaybe(space *Convolver, p float64, l Lognormal, perMinute int) Fine {
	switch {
	case p <= 0:
		return FineExactly(0, perMinute)
	case l.LogSD == 0 || l.Median == 0:
		return FineExactly(l.Median, perMinute).Maybe(p)
	}
	tail := min(stepTail/p, 0.01)
	n := float64(perMinute)
	reach := -l.LogSD * normalQuantile(tail)
	lo := int(math.Floor(l.Median * math.Exp(-reach) * n))
	hi := int(math.Ceil(l.Median * math.Exp(reach) * n))
	hi = max(hi, lo+1)
	f := Fine{PerMinute: perMinute, First: lo, Lost: 2 * tail * p}
	if p < 1 {
		f.First = 0
	}
	f.P = space.take(hi - f.First + 1)
	f.P[0] = 1 - min(p, 1)
	cells := f.P[lo-f.First:]
	// Differences of survival integrals keep the small upper tail accurate.
	excess := l.Excess(float64(lo) / n)
	survival := p
	mean, origin, inv, scale := l.Mean(), math.Log(l.Median*n), 1/l.LogSD, n*p
	for i := range cells[:len(cells)-1] {
		k := lo + i + 1
		w := (logOf(k) - origin) * inv
		next := max(mean*fastCDF(l.LogSD-w)-float64(k)/n*fastCDF(-w), 0)
		s := (excess - next) * scale
		cells[i] += max(survival-s, 0)
		survival, excess = s, next
	}
	cells[len(cells)-1] += survival
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
	out.Lost += space.AddWithin(out.P, f.P, g.P, 1, stepTail)
	return out.trim(stepTail)
}

// Beyond returns the distribution of max(scale*X + Y - c, 0) on whole minutes, 0
// to cap: X as e, Y as f, both added before anything is rounded. J of the sum at a
// minute is J of scale*X, averaged over what Y takes away from that minute; cells of
// Y that lie whole minutes apart ask for J at the same points. The cells are those
// given when they are enough, space is used for work, and tail is as in MinutesIn.
func (f Fine) Beyond(space *Convolver, cells []float64, e Excess, scale, c float64, cap int, tail float64) Dist {
	n := f.PerMinute
	h := 1 / float64(n)
	low, high := e.within(tail)
	lo, hi := minutes(scale*e.point(low)+float64(f.First)*h-c, scale*e.point(high)+float64(f.First+len(f.P)-1)*h-c, cap)
	size := hi - lo + 2 // with one beyond the last
	most := (len(f.P) + n - 1) / n
	work := space.room(2*most + size + size + 2*most)
	rows, points, sums := work[:most], work[most:2*most+size], work[2*most+size:2*most+size+size+2*most]
	clear(sums)
	mass := 0.0
	for r := range min(n, len(f.P)) {
		rows = rows[:0]
		for i := r; i < len(f.P); i += n {
			rows = append(rows, f.P[i])
			mass += f.P[i]
		}
		more := len(rows) - 1 // points before the first minute
		points = points[:size+more]
		e.values(points, scale, float64(lo-more)+c-float64(f.First+r)*h)
		space.Add(sums[most-1-more:], rows, points, 1)
	}
	sums = sums[most-1:]
	if len(cells) < size-1 {
		cells = make([]float64, size-1)
	}
	d := Dist{First: lo, P: cells[:size-1], Lost: e.lost + f.Lost}
	survival := e.mass * mass
	for i := range d.P {
		s := sums[i] - sums[i+1]
		d.P[i] = max(survival-s, 0)
		survival = s
	}
	d.end(survival)
	return d
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
func (f Fine) Excess() Excess { return f.ExcessIn(make([]float64, len(f.P))) }

// ExcessIn is Excess in cells that are enough for those of f.
func (f Fine) ExcessIn(at []float64) Excess {
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

// point is the minutes of a cell.
func (e Excess) point(i int) float64 { return float64(e.first+i) * e.h }

// within returns the cells between which all lies but tail at either end.
func (e Excess) within(tail float64) (low, high int) {
	last := len(e.at) - 1
	if tail <= 0 {
		return 0, last
	}
	tail *= e.h
	// J falls from one cell to the next by h times the probability beyond the first.
	low = sort.Search(last, func(i int) bool { return e.mass*e.h-(e.at[i]-e.at[i+1]) > tail })
	high = low + sort.Search(last-low, func(i int) bool { return e.at[low+i]-e.at[low+i+1] <= tail })
	return low, high
}

// minutes are the whole minutes around two, 0 to cap.
func minutes(least, most float64, cap int) (lo, hi int) {
	lo = min(max(int(math.Floor(least)), 0), cap)
	return lo, min(max(int(math.Ceil(most)), lo), cap)
}

// Minutes returns the distribution of scale*X + shift on whole minutes, 0 to
// cap, keeping its mean: each value is divided between the two minutes around
// it. Values below 0 count as 0, so that shift = -c gives max(scale*X - c, 0).
// The convolution behind X is done once and serves every scale.
func (e Excess) Minutes(scale, shift float64, cap int) Dist {
	return e.MinutesIn(nil, scale, shift, cap, 0)
}

// MinutesIn is Minutes with its cells in the space given, when it is large
// enough, and without ends of X that come to no more than tail each: what lies
// there is put into the outermost cells.
func (e Excess) MinutesIn(space []float64, scale, shift float64, cap int, tail float64) Dist {
	if len(e.at) == 0 {
		return Dist{}
	}
	low, high := e.within(tail)
	lo, hi := minutes(scale*e.point(low)+shift, scale*e.point(high)+shift, cap)
	size := hi - lo + 1
	if len(space) < size {
		space = make([]float64, size)
	}
	d := Dist{First: lo, P: space[:size], Lost: e.lost}
	// In units of the cells of X, minute y lies at (y-shift)/(scale*h) - first, and J
	// of the scaled value is scale times J.
	inv := 1 / (scale * e.h)
	from := (float64(lo)-shift)*inv - float64(e.first)
	value := scale * e.value(from)
	survival := e.mass
	top := float64(len(e.at) - 1)
	for i := range d.P {
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
		d.P[i] = max(survival-s, 0)
		survival, value = s, next
	}
	d.end(survival)
	return d
}

// end puts what is left into the last cell.
func (d *Dist) end(rest float64) {
	rest = max(rest, 0)
	d.P[len(d.P)-1] += rest
	d.Lost += rest
}

// values puts J of scale*X at points one minute apart into the cells given.
func (e Excess) values(at []float64, scale, first float64) {
	inv := 1 / (scale * e.h)
	from := first*inv - float64(e.first)
	for i := range at {
		at[i] = scale * e.value(from+float64(i)*inv)
	}
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
