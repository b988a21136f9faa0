package visits

import "github.com/visitwright/visitwright/planner/chairtime"

// lane is a measure over minutes with the range that holds it.
type lane struct {
	lo, hi int // cells lo..hi-1 are in use; none when hi <= lo
	p      []float64
}

func (l *lane) empty() bool { return l.hi <= l.lo }

func (l *lane) cells() []float64 {
	if l.hi <= l.lo {
		return nil
	}
	return l.p[l.lo:l.hi]
}

func (l *lane) mass() float64 { return sum(l.cells()) }

// add adds q times the cells, the first of which lies at the given minute.
func (l *lane) add(first int, p []float64, q float64) {
	if len(p) == 0 || q == 0 {
		return
	}
	l.grow(first, first+len(p))
	to := l.p[first : first+len(p)]
	for i, v := range p {
		to[i] += q * v
	}
}

func (l *lane) grow(lo, hi int) {
	if l.hi <= l.lo {
		l.lo, l.hi = lo, hi
	}
	l.lo, l.hi = min(l.lo, lo), max(l.hi, hi)
	if hi > len(l.p) {
		p := make([]float64, hi+hi/2)
		copy(p, l.p)
		l.p = p
	}
}

func (l *lane) reset() {
	clear(l.cells())
	l.lo, l.hi = 0, 0
}

// settle puts what lies beyond the cap into the cap's cell, and returns the
// probability that was moved.
func (l *lane) settle(cap int) float64 {
	moved := 0.0
	for i := max(l.lo, cap+1); i < l.hi; i++ {
		moved += l.p[i]
		l.p[i] = 0
	}
	if l.hi > cap+1 {
		l.lo, l.hi = min(l.lo, cap), cap+1
		l.p[cap] += moved
	}
	return moved
}

// laneTail is the probability (absolute) up to which an outermost cell of a
// measure is moved into the next one, to keep the measure short.
const laneTail = 1e-9

// forwardTail is the same for a measure that only weighs choices.
const forwardTail = 1e-7

func (l *lane) trim(tail float64) {
	for l.hi-l.lo > 1 && l.p[l.lo] <= tail {
		l.p[l.lo+1] += l.p[l.lo]
		l.p[l.lo] = 0
		l.lo++
	}
	for l.hi-l.lo > 1 && l.p[l.hi-1] <= tail {
		l.p[l.hi-2] += l.p[l.hi-1]
		l.p[l.hi-1] = 0
		l.hi--
	}
}

// cut returns the part of a kernel that is worth convolving with a measure of
// that mass: what would stay below the tail at either end is left out and
// returned, to be put into the outermost cells kept.
func cut(k chairtime.Dist, mass, tail float64) (part []float64, first int, low, high float64) {
	lo, hi := 0, len(k.P)
	bound := tail / mass
	for hi-lo > 1 && k.P[lo] <= bound {
		low += k.P[lo]
		lo++
	}
	for hi-lo > 1 && k.P[hi-1] <= bound {
		high += k.P[hi-1]
		hi--
	}
	return k.P[lo:hi], k.First + lo, low, high
}

// convolve adds q times the convolution of cells, the first of which lies at the
// given minute, with a kernel.
func (l *lane) convolve(space *chairtime.Convolver, first int, cells []float64, k chairtime.Dist, q float64) {
	if len(cells) == 0 || len(k.P) == 0 || q == 0 {
		return
	}
	p, at, low, high := cut(k, q*sum(cells), laneTail)
	at += first
	end := at + len(cells) + len(p) - 1
	l.grow(at, end)
	space.AddWithEnds(l.p[at:end], cells, p, q, low, high, laneTail)
}

// addUpTo is add with everything beyond a minute put into its cell.
func (l *lane) addUpTo(last, first int, p []float64, q float64) {
	if len(p) == 0 || q == 0 {
		return
	}
	if first > last {
		l.add(last, []float64{sum(p)}, q)
		return
	}
	keep := min(len(p), last-first+1)
	l.add(first, p[:keep], q)
	if keep < len(p) {
		l.p[last] += q * sum(p[keep:])
	}
}

// convolveUpTo is convolve with everything beyond a minute put into its cell.
func (l *lane) convolveUpTo(space *chairtime.Convolver, last, first int, cells []float64, k chairtime.Dist, q float64) {
	if len(cells) == 0 || len(k.P) == 0 || q == 0 {
		return
	}
	p, at, low, high := cut(k, q*sum(cells), forwardTail)
	at += first
	if end := at + len(cells) + len(p) - 1; end-1 <= last {
		l.grow(at, end)
		space.AddWithEnds(l.p[at:end], cells, p, q, low, high, forwardTail)
	} else if at > last {
		l.grow(last, last+1)
		l.p[last] += q * sum(cells) * (sum(p) + low + high)
	} else {
		l.grow(at, last+1)
		space.AddWithEnds(l.p[at:last+1], cells, p, q, low, high, 0)
		// What lies beyond: for every cell, the part of the kernel that reaches there.
		beyond, tail := 0.0, 0.0
		i := len(p) // kernel cells from i on are in tail
		for c, x := range cells {
			reach := last - at - c // last kernel index that stays within
			for i > max(reach+1, 0) {
				if i == len(p) {
					tail = high
				}
				i--
				tail += p[i]
				if i == 0 {
					tail += low
				}
			}
			beyond += x * tail
		}
		l.p[last] += q * beyond
	}
}
