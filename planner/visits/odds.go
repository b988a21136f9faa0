package visits

import "github.com/visitwright/visitwright/planner/chairtime"

// outcome is what following one visit minute by minute finds.
type outcome struct {
	weight  [][]float64 // with which the visit begins, by state and case node
	happens float64
	minutes []float64   // measure over the visit's minutes
	ends    [][]float64 // by state and case node: probability that the visit ends there
	onTime  float64     // probability of lasting no longer than the length, times happens
	overrun float64     // expected minutes, times happens
	idle    float64
	reached []float64 // by point
	goes    []float64 // by point: probability of going on
	total   [][]lane  // by state and case node: measure over minutes of all visits up to this one
}

// follow goes through the treatment from its beginning under the present lengths
// and thresholds and keeps every minute: the odds that are reported. Each visit
// is followed from each state in which it can begin, since the minutes of the
// visits before are known given that state and the case node.
func (r *run) follow() []*outcome {
	sp := r.sp
	weight := r.entryWeights()
	before := r.mem.grid(len(sp.states), r.cases())
	for x, row := range weight {
		for c, q := range row {
			before[x][c].add(0, []float64{1}, q)
		}
	}
	ends := r.mem.grid(len(sp.states), r.count())
	byCase := r.mem.grid(1, r.cases())[0]
	mass := make([]float64, r.count())
	var out []*outcome
	for _, v := range r.visits {
		o := &outcome{weight: weight, minutes: make([]float64, r.m.Cap+1), ends: r.mem.zeros(len(sp.states), r.cases()),
			reached: make([]float64, 2*len(sp.states)), goes: make([]float64, 2*len(sp.states)),
			total: r.mem.grid(len(sp.states), r.cases())}
		for x0, row := range weight {
			if sum(row) == 0 || sp.complete(sp.states[x0]) {
				continue
			}
			for n := range mass {
				mass[n] = 0
				for _, h := range r.node(n).shares {
					mass[n] += row[h.caseAt] * h.weight
				}
			}
			r.followFrom(v, x0, mass, ends, o)
			r.gather(v, ends, row, mass, o)
			for x := range ends {
				r.byCase(ends[x], byCase, row, mass)
				r.collect(v, v.length[x0], x, row, before[x0], byCase, o)
			}
		}
		out = append(out, o)
		for _, row := range o.total {
			for c := range row {
				row[c].trim(laneTail)
			}
		}
		weight = r.mem.zeros(len(sp.states), r.cases())
		for x := range weight {
			if !sp.complete(sp.states[x]) {
				copy(weight[x], o.ends[x])
			}
		}
		before = o.total
	}
	return out
}

// gather puts the measures of all states together after which no visit is
// followed, and keeps their probabilities apart: the complete ones, and all in
// the last visit.
func (r *run) gather(v *visit, ends [][]lane, weight, mass []float64, o *outcome) {
	last := len(ends) - 1
	for x := range ends {
		if !r.gathered(v, x) {
			continue
		}
		for n := range ends[x] {
			l := &ends[x][n]
			if l.empty() {
				continue
			}
			q := l.mass()
			for _, h := range r.node(n).shares {
				o.ends[x][h.caseAt] += q * weight[h.caseAt] * h.weight / mass[n]
			}
		}
	}
	for x := range ends[:last] {
		if !r.gathered(v, x) {
			continue
		}
		for n := range ends[x] {
			ends[last][n].add(ends[x][n].lo, ends[x][n].cells(), 1)
			ends[x][n].reset()
		}
	}
}

func (r *run) gathered(v *visit, x int) bool {
	return r.sp.complete(r.sp.states[x]) || v.number == len(r.visits)
}

// byCase divides measures by node among the case nodes that meet them.
func (r *run) byCase(nodes, cases []lane, weight, mass []float64) {
	for n := range nodes {
		l := &nodes[n]
		if l.empty() {
			continue
		}
		r.lost = max(r.lost, l.settle(r.m.Cap))
		l.trim(laneTail)
		for _, h := range r.node(n).shares {
			cases[h.caseAt].add(l.lo, l.cells(), weight[h.caseAt]*h.weight/mass[n])
		}
		l.reset()
	}
}

// collect adds up the ends in one state of a visit that began in another.
func (r *run) collect(v *visit, length, x int, weight []float64, before, cases []lane, o *outcome) {
	for c := range cases {
		l := &cases[c]
		if l.empty() {
			continue
		}
		mass := 0.0
		for i, q := range l.cells() {
			t := l.lo + i
			mass += q
			o.minutes[t] += q
			if t > length {
				o.overrun += q * float64(t-length)
			} else {
				o.onTime += q
				o.idle += q * float64(length-t)
			}
		}
		if !r.gathered(v, x) { // else counted before
			o.ends[x][c] += mass
		}
		o.happens += mass
		to, prior := &o.total[x][c], &before[c]
		if prior.hi-prior.lo == 1 { // nothing before, or all of it at one minute
			to.add(prior.lo+l.lo, l.cells(), prior.p[prior.lo]/weight[c])
		} else {
			to.convolve(r.space, prior.lo, prior.cells(), chairtime.Dist{First: l.lo, P: l.cells()}, 1/weight[c])
		}
		r.lost = max(r.lost, to.settle(r.m.Cap))
		l.reset()
	}
}

// followFrom follows one visit from the state in which it begins; ends receives
// the measure over the visit's minutes by the state in which it ends.
func (r *run) followFrom(v *visit, x0 int, mass []float64, ends [][]lane, o *outcome) {
	if begins := v.beginning(x0); begins != nil {
		r.followBeginnings(begins, mass, ends, o)
		r.followOn(v, x0+1, v.length[x0], ends, o)
		return
	}
	open := r.opening(v, x0)
	for b, k := range [2]*kernel{open.clear, open.barred} {
		if k == nil {
			continue
		}
		p := point(x0, b == 1)
		for n := range r.count() {
			q := mass[n]
			if q == 0 {
				continue
			}
			l := &r.mem.part
			l.reset()
			l.add(r.dist(k, n).First, r.dist(k, n).P, q)
			if r.closed(v, x0, b == 1) {
				ends[x0][n].convolve(r.space, l.lo, l.cells(), r.dist(r.ks.ends[x0], n), 1)
				continue
			}
			l.trim(laneTail)
			r.spread(v, x0, p, n, l.lo, l.cells(), ends, o)
		}
	}
	r.followOn(v, x0+1, v.length[x0], ends, o)
}

// followBeginnings adds the beginnings of a visit to what waits at the points to
// which they lead, or where it ends.
func (r *run) followBeginnings(begins []beginning, mass []float64, ends [][]lane, o *outcome) {
	for _, b := range begins {
		for n := range r.count() {
			q := mass[n] * b.prob
			d := r.dist(b.k, n)
			if b.ends {
				ends[b.to][n].add(d.First, d.P, q)
			} else {
				r.work.inflow[b.to][n].add(d.First, d.P, q)
			}
		}
		for _, by := range b.between {
			o.reached[by.point] += sum(mass) * by.prob
			o.goes[by.point] += sum(mass) * by.prob
		}
	}
}

// followOn follows the measures that wait at points from a state on.
func (r *run) followOn(v *visit, from, length int, ends [][]lane, o *outcome) {
	for x := from; x < len(r.sp.states); x++ {
		for b := range 2 {
			p := point(x, b == 1)
			for n := range r.count() {
				l := &r.work.inflow[p][n]
				if l.empty() {
					continue
				}
				r.lost = max(r.lost, l.settle(r.m.Cap))
				l.trim(laneTail)
				r.decide(v, x, p, n, length, l, ends, o)
				l.reset()
			}
		}
	}
}

// decide splits the measure at a stopping point by the table.
func (r *run) decide(v *visit, x, p, n, length int, l *lane, ends [][]lane, o *outcome) {
	cells := l.cells()
	end := r.dist(r.ks.ends[x], n)
	if r.sp.complete(r.sp.states[x]) {
		ends[x][n].convolve(r.space, l.lo, cells, end, 1)
		return
	}
	o.reached[p] += sum(cells)
	cut := len(cells) // cells from here on stop
	if left := v.left[p]; left > 0 {
		cut = min(max(length-left-l.lo+1, 0), len(cells))
	}
	if cut > 0 {
		o.goes[p] += sum(cells[:cut])
		r.spread(v, x, p, n, l.lo, cells[:cut], ends, o)
	}
	ends[x][n].convolve(r.space, l.lo+cut, cells[cut:], end, 1)
}

// spread carries a measure over minutes used through the next portion.
func (r *run) spread(v *visit, x, p, n, first int, cells []float64, ends [][]lane, o *outcome) {
	ready := 1.0
	if check := r.ks.checks[x]; check != nil {
		ready = r.ready(v, x)
		if !check.none {
			l := &r.mem.checked
			l.reset()
			l.convolve(r.space, first, cells, r.dist(check, n), 1)
			r.lost = max(r.lost, l.settle(r.m.Cap))
			first, cells = l.lo, l.cells()
		}
		ends[x][n].convolve(r.space, first, cells, r.dist(r.ks.ends[x], n), 1-ready)
	}
	if r.ks.between != nil && len(r.ks.between[p]) > 0 {
		mass := ready * sum(cells)
		for _, b := range r.ks.between[p] {
			o.reached[b.point] += mass * b.prob
			o.goes[b.point] += mass * b.prob
		}
	}
	for _, e := range r.edges(p) {
		if e.whole != nil {
			ends[e.to/2][n].convolve(r.space, first, cells, r.dist(e.whole, n), ready*e.prob)
			continue
		}
		r.work.inflow[e.to][n].convolve(r.space, first, cells, r.dist(e.k, n), ready*e.prob)
	}
}
