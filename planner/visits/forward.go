package visits

// forward follows the treatment from its beginning under the present lengths and
// thresholds, as far as the choices need it: it leaves in each visit the weights
// with which it begins and the measure over nodes and minutes left at its
// stopping points. From 0 minutes left downwards nothing depends on the clock any
// more, so what lies there is one cell.
func (r *run) forward() {
	weight := r.entryWeights()
	same := true
	for _, v := range r.visits {
		if same = same && v.same; same {
			weight = v.out
			continue
		}
		r.begin(v, weight)
		v.out = r.forwardVisit(v)
		v.same = true // unless a choice is still to be made
		weight = v.out
	}
}

// entryWeights are the weights with which the first visit begins.
func (r *run) entryWeights() [][]float64 {
	weight := r.mem.zeros(len(r.sp.states), r.cases())
	for _, b := range r.sp.entry {
		for c, w := range r.set.cases {
			weight[r.sp.index[b.state]][c] += b.prob * w
		}
	}
	return weight
}

// begin sets the weights of a visit; in the first pass it also makes the lengths
// of a visit booked ahead one and the same.
func (r *run) begin(v *visit, weight [][]float64) {
	first := v.weight == nil
	v.weight = weight
	if first && v.ahead && v.value != nil && v.curve[r.firstBegin(v)] != nil {
		r.lengths(v)
	}
}

func (r *run) firstBegin(v *visit) int {
	for x := range r.sp.states {
		if r.begins(v, x) {
			return x
		}
	}
	return 0
}

// forwardVisit follows one visit and returns the weights with which the next
// begins. Visits of different lengths run together: a shorter one begins as many
// minutes later.
func (r *run) forwardVisit(v *visit) [][]float64 {
	sp, w := r.sp, &r.work
	next := r.mem.zeros(len(sp.states), r.cases())
	if v.merged == nil {
		v.merged = make([][][]float64, 2*len(sp.states))
		for p := range v.merged {
			if p%2 == 0 || r.ks.bars[p/2] {
				v.merged[p] = r.table()
			}
		}
	}
	v.could = r.couldCome(v)
	longest := 0
	for x, row := range v.weight {
		if sum(row) > 0 {
			longest = max(longest, v.length[x])
		}
	}
	for x, row := range v.weight {
		if sum(row) == 0 || sp.complete(sp.states[x]) {
			continue
		}
		if begins := v.beginning(x); begins != nil {
			r.forwardFrom(v, x, begins, longest, next)
			continue
		}
		open := r.opening(v, x)
		for b, k := range [2]*kernel{open.clear, open.barred} {
			if k == nil {
				continue
			}
			for n := range r.count() {
				nd := r.only(n)
				q := row[nd.caseAt] * nd.weight
				if q == 0 {
					continue
				}
				d := r.dist(k, n)
				if r.closed(v, x, b == 1) {
					next[x][nd.caseAt] += q * k.mass
					continue
				}
				first := longest - v.length[x] + d.First
				w.first[point(x, b == 1)][n].addUpTo(longest, first, d.P, q)
			}
		}
	}
	r.forwardPoints(v, longest, next)
	return next
}

// couldCome returns the probability with which a visit comes to each point when
// nobody stops before by choice.
func (r *run) couldCome(v *visit) []float64 {
	could := make([]float64, 2*len(r.sp.states))
	for x, row := range v.weight {
		q := sum(row)
		if q == 0 {
			continue
		}
		if begins := v.beginning(x); begins != nil {
			for _, b := range begins {
				if !b.ends {
					could[b.to] += q * b.prob * b.k.mass
				}
			}
			continue
		}
		open := r.opening(v, x)
		for b, k := range [2]*kernel{open.clear, open.barred} {
			if k != nil {
				could[point(x, b == 1)] += q * k.mass
			}
		}
	}
	for p := range could { // what comes before a point has a lower number
		if q := could[p]; q > 0 && !r.closed(v, p/2, p%2 == 1) {
			for _, e := range r.edges(p) {
				could[e.to] += q * e.prob * e.k.mass
			}
		}
	}
	return could
}

// forwardFrom adds the beginnings of a visit in a state to what waits at the
// points to which they lead.
func (r *run) forwardFrom(v *visit, x int, begins []beginning, longest int, next [][]float64) {
	row := v.weight[x]
	for _, b := range begins {
		for n := range r.count() {
			nd := r.only(n)
			q := row[nd.caseAt] * nd.weight * b.prob
			switch {
			case q == 0:
			case b.ends:
				next[b.to][nd.caseAt] += q * b.k.mass
			default:
				d := r.dist(b.k, n)
				r.work.inflow[b.to][n].addUpTo(longest, longest-v.length[x]+d.First, d.P, q)
			}
		}
	}
}

// forwardPoints takes the measures that wait through every point in turn.
func (r *run) forwardPoints(v *visit, longest int, next [][]float64) {
	for x := range r.sp.states {
		for b := range 2 {
			if b == 0 || r.ks.bars[x] {
				r.forwardPoint(v, x, point(x, b == 1), longest, next)
			}
		}
	}
}

// forwardPoint takes the measure at one point through the choice and the next
// portion. Where the choice weighs costs it is made anew first: the measure is
// exact by now, and what going on and stopping cost is known from the last sweep.
func (r *run) forwardPoint(v *visit, x, p, longest int, next [][]float64) {
	w := &r.work
	if r.sp.complete(r.sp.states[x]) {
		for n := range r.count() {
			in := &w.inflow[p][n]
			next[x][r.only(n).caseAt] += in.mass()
			in.reset()
		}
		return
	}
	v.mass[p] = 0
	for n := range r.count() {
		in := &w.inflow[p][n]
		in.trim(forwardTail)
		merged := v.merged[p][n]
		clear(merged)
		for t := in.lo; t < in.hi; t++ {
			v.mass[p] += in.p[t]
			merged[longest-t] += in.p[t]
		}
	}
	if v.tables != nil {
		v.tables.judged[p] = false
	}
	if v.mass[p] > notable && v.tables != nil && !v.stale && !v.bounded && !r.keep && !r.closed(v, x, p%2 == 1) && r.m.Stops[r.sp.states[x].Stage].Allowed {
		if left, gain := r.threshold(v, p, v.rows[p]); gain >= r.worth {
			v.left[p] = left
			v.moved = append(v.moved, p)
			r.moved = true
		}
		v.tables.judged[p] = true
	}
	left := v.left[p]
	for n := range r.count() {
		in, first := &w.inflow[p][n], &w.first[p][n]
		c := r.only(n).caseAt
		if left > 0 {
			for t := max(in.lo, longest-left+1); t < in.hi; t++ {
				next[x][c] += in.p[t]
				in.p[t] = 0
			}
			in.hi = max(min(in.hi, longest-left+1), in.lo)
		}
		if !first.empty() {
			in.add(first.lo, first.cells(), 1)
			first.reset()
		}
		if !in.empty() {
			r.forwardPortion(v, x, p, n, longest, in, next)
			in.reset()
		}
	}
}

// forwardPortion carries a measure over minutes used through the next portion.
func (r *run) forwardPortion(v *visit, x, p, n, longest int, in *lane, next [][]float64) {
	w := &r.work
	c := r.only(n).caseAt
	cells, from, mass := in.cells(), in.lo, in.mass()
	ready := 1.0
	if check := r.ks.checks[x]; check != nil {
		ready = r.ready(v, x)
		next[x][c] += (1 - ready) * mass * check.mass
		if !check.none {
			r.mem.part.reset()
			r.mem.part.convolveUpTo(r.space, longest, from, cells, r.dist(check, n), 1)
			cells, from = r.mem.part.cells(), r.mem.part.lo
		}
	}
	for _, e := range r.edges(p) {
		q := ready * e.prob
		if r.sp.complete(r.sp.states[e.to/2]) {
			next[e.to/2][c] += q * mass * e.k.mass
			continue
		}
		w.inflow[e.to][n].convolveUpTo(r.space, longest, from, cells, r.dist(e.k, n), q)
	}
}
