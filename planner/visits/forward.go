package visits

import (
	"github.com/visitwright/visitwright/planner/chairtime"
)

// outcome is what the forward pass finds for one visit.
type outcome struct {
	happens  float64
	minutes  []float64   // measure over the visit's minutes
	ends     [][]float64 // by state and case node: probability that the visit ends there
	overrun  float64     // expected minutes, times happens
	idle     float64
	reached  []float64 // by point
	goes     []float64 // by point: probability of going on
	total    [][]lane  // by state and case node: measure over minutes of all visits up to this one
	complete []float64 // by state: completed in this visit
}

// lane is a measure over minutes with the range that holds it.
type lane struct {
	lo, hi int // cells lo..hi-1 are in use; none when hi <= lo
	p      []float64
}

func (l *lane) add(first int, p []float64, q float64) {
	if len(p) == 0 {
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
		p := make([]float64, hi+hi/4)
		copy(p, l.p)
		l.p = p
	}
}

func (l *lane) convolve(first int, a []float64, k chairtime.Dist) {
	if len(a) == 0 || len(k.P) == 0 {
		return
	}
	lo := first + k.First
	l.grow(lo, lo+len(a)+len(k.P)-1)
	chairtime.Convolve(l.p[lo:lo+len(a)+len(k.P)-1], a, k.P)
}

func (l *lane) cells() []float64 {
	if l.hi <= l.lo {
		return nil
	}
	return l.p[l.lo:l.hi]
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

// laneTail is the probability (absolute) that may be moved from each end of a
// measure into the next cell, to keep it short: each moves by a minute at most.
const laneTail = 1e-12

func (l *lane) trim() {
	for l.hi-l.lo > 1 && l.p[l.lo] <= laneTail {
		l.p[l.lo+1] += l.p[l.lo]
		l.p[l.lo] = 0
		l.lo++
	}
	for l.hi-l.lo > 1 && l.p[l.hi-1] <= laneTail {
		l.p[l.hi-2] += l.p[l.hi-1]
		l.p[l.hi-1] = 0
		l.hi--
	}
}

// forward follows the treatment from its beginning under the present lengths and
// thresholds. It leaves in each visit the weights with which it begins and the
// measure over nodes and minutes left at its stopping points.
func (r *run) forward(totals bool) []*outcome {
	sp := r.sp
	weight := make([][]float64, len(sp.states))
	for x := range weight {
		weight[x] = make([]float64, r.cases())
	}
	for _, b := range sp.begins() {
		for c, w := range sp.caseWeight {
			weight[sp.index[b.state]][c] += b.prob * w
		}
	}
	var total [][]lane
	if totals {
		total = r.lanes()
		for _, b := range sp.begins() {
			for c := range sp.caseWeight {
				total[sp.index[b.state]][c].add(0, []float64{1}, weight[sp.index[b.state]][c])
			}
		}
	}
	var out []*outcome
	for i, v := range r.visits {
		r.chooseAhead(v, weight)
		o := r.forwardVisit(v, weight, total)
		out = append(out, o)
		if i+1 < len(r.visits) {
			weight = make([][]float64, len(sp.states))
			for x := range weight {
				weight[x] = make([]float64, r.cases())
				if !sp.complete(sp.states[x]) {
					copy(weight[x], o.ends[x])
				}
			}
			total = o.total
		}
	}
	return out
}

// chooseAhead sets the weights of a visit; in the first pass it also makes the
// lengths of a visit booked ahead one and the same.
func (r *run) chooseAhead(v *visit, weight [][]float64) {
	firstPass := v.weight == nil
	v.weight = weight
	if firstPass && v.ahead {
		r.lengths(v, true)
	}
}

func (r *run) lanes() [][]lane {
	out := make([][]lane, len(r.sp.states))
	for x := range out {
		out[x] = make([]lane, r.cases())
	}
	return out
}

func (r *run) forwardVisit(v *visit, weight [][]float64, before [][]lane) *outcome {
	sp, nodes := r.sp, r.ks.nodes
	points := 2 * len(sp.states)
	o := &outcome{minutes: make([]float64, r.m.Cap+1), ends: make([][]float64, len(sp.states)),
		reached: make([]float64, points), goes: make([]float64, points), complete: make([]float64, len(sp.states))}
	for x := range o.ends {
		o.ends[x] = make([]float64, r.cases())
	}
	if before != nil {
		o.total = r.lanes()
	}
	v.merged = make([][][]float64, points)
	for p := range v.merged {
		if p%2 == 0 || sp.bars[p/2] {
			v.merged[p] = r.table()
		}
	}
	at := make([][]lane, points) // measure over minutes used, by point and node
	for p := range at {
		at[p] = make([]lane, len(nodes))
	}
	ends := r.lanes()
	for x0 := range sp.states {
		if sp.complete(sp.states[x0]) || sum(weight[x0]) == 0 {
			continue
		}
		r.forwardFrom(v, x0, weight[x0], at, ends, o)
		length := v.length[x0]
		for x := range ends {
			for c := range ends[x] {
				l := &ends[x][c]
				r.lost = max(r.lost, l.settle(r.m.Cap))
				mass := 0.0
				for i, q := range l.cells() {
					t := l.lo + i
					mass += q
					o.minutes[t] += q
					if t > length {
						o.overrun += q * float64(t-length)
					} else {
						o.idle += q * float64(length-t)
					}
				}
				o.ends[x][c] += mass
				o.happens += mass
				if before != nil && mass > 0 && weight[x0][c] > 0 {
					prior := &before[x0][c]
					scaled := make([]float64, len(prior.cells()))
					for i, q := range prior.cells() {
						scaled[i] = q / weight[x0][c]
					}
					to := &o.total[x][c]
					to.convolve(prior.lo, scaled, chairtime.Dist{First: l.lo, P: l.cells()})
					r.lost = max(r.lost, to.settle(r.m.Cap))
				}
				l.reset()
			}
		}
	}
	for x := range o.ends {
		if sp.complete(sp.states[x]) {
			o.complete[x] = sum(o.ends[x])
		}
	}
	return o
}

// forwardFrom follows one visit from the state in which it begins; ends receives
// the measure over the visit's minutes by the state in which it ends.
func (r *run) forwardFrom(v *visit, x0 int, weight []float64, at, ends [][]lane, o *outcome) {
	sp, nodes := r.sp, r.ks.nodes
	length := v.length[x0]
	pr := r.ks.again[x0]
	if v.number == 1 {
		pr = r.ks.first[x0]
	}
	for b, k := range [2]*kernel{pr.clear, pr.barred} {
		if k == nil {
			continue
		}
		for n, nd := range nodes {
			q := weight[nd.caseAt] * nd.weight
			if q == 0 {
				continue
			}
			d := k.at[n]
			if r.closed(v, x0, b == 1) {
				ends[x0][nd.caseAt].convolve(0, []float64{q}, d.Plus(r.ks.ends[x0].at[n], r.m.Cap))
				continue
			}
			cells := make([]float64, len(d.P))
			for i, p := range d.P {
				cells[i] = q * p
			}
			r.spread(v, x0, b == 1, n, d.First, cells, at, ends)
		}
	}
	for x := x0 + 1; x < len(sp.states); x++ {
		for b := range 2 {
			p := point(x, b == 1)
			for n := range nodes {
				l := &at[p][n]
				if l.hi <= l.lo {
					continue
				}
				r.lost = max(r.lost, l.settle(r.m.Cap))
				l.trim()
				r.decide(v, x, b == 1, n, length, l, at, ends, o)
				l.reset()
			}
		}
	}
}

// decide splits the measure at a stopping point by the table.
func (r *run) decide(v *visit, x int, barred bool, n, length int, l *lane, at, ends [][]lane, o *outcome) {
	nd := r.ks.nodes[n]
	cells := l.cells()
	end := r.ks.ends[x].at[n]
	if r.sp.complete(r.sp.states[x]) {
		ends[x][nd.caseAt].convolve(l.lo, cells, end)
		return
	}
	p := point(x, barred)
	merged := v.merged[p][n]
	mass := 0.0
	for i, q := range cells {
		mass += q
		merged[max(length-l.lo-i, 0)] += q
	}
	o.reached[p] += mass
	cut := len(cells) // cells from here on stop
	if left := v.left[p]; left > 0 {
		cut = min(max(length-left-l.lo+1, 0), len(cells))
	}
	if cut > 0 {
		goes := 0.0
		for _, q := range cells[:cut] {
			goes += q
		}
		o.goes[p] += goes
		r.spread(v, x, barred, n, l.lo, cells[:cut], at, ends)
	}
	ends[x][nd.caseAt].convolve(l.lo+cut, cells[cut:], end)
}

// spread carries a measure over minutes used through the next portion.
func (r *run) spread(v *visit, x int, barred bool, n, first int, cells []float64, at, ends [][]lane) {
	if check := r.ks.checks[x]; check != nil {
		ready := r.ready(v, r.m.Stages[r.sp.states[x].Stage].Gate)
		d := chairtime.Dist{First: first, P: cells}
		if !check.nothing() {
			d = d.Plus(check.at[n], r.m.Cap)
		}
		if ready < 1 {
			out := make([]float64, len(d.P))
			for i, q := range d.P {
				out[i] = (1 - ready) * q
			}
			ends[x][r.ks.nodes[n].caseAt].convolve(d.First, out, r.ks.ends[x].at[n])
		}
		if ready == 0 {
			return
		}
		first, cells = d.First, d.P
		if ready < 1 {
			cells = make([]float64, len(d.P))
			for i, q := range d.P {
				cells[i] = ready * q
			}
		}
	}
	for j, mv := range r.sp.moves[x] {
		if mv.prob == 0 {
			continue
		}
		scaled := cells
		if mv.prob != 1 {
			scaled = make([]float64, len(cells))
			for i, q := range cells {
				scaled[i] = mv.prob * q
			}
		}
		p := r.ks.portions[x][j]
		if p.clear != nil {
			at[point(mv.to, barred && r.sp.bars[mv.to])][n].convolve(first, scaled, p.clear.at[n])
		}
		if p.barred != nil {
			at[point(mv.to, r.sp.bars[mv.to])][n].convolve(first, scaled, p.barred.at[n])
		}
	}
}
