package visits

// forward follows the treatment from its beginning under the present lengths and
// thresholds, as far as the choices need it: it leaves in each visit the weights
// with which it begins and the measure over nodes and minutes left at its
// stopping points. From 0 minutes left downwards nothing depends on the clock any
// more, so what lies there is one cell.
func (r *run) forward() {
	weight := r.entryWeights()
	for _, v := range r.visits {
		r.begin(v, weight)
		weight = r.forwardVisit(v)
	}
}

// entryWeights are the weights with which the first visit begins.
func (r *run) entryWeights() [][]float64 {
	weight := matrix(len(r.sp.states), r.cases())
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
	next := matrix(len(sp.states), r.cases())
	if v.merged == nil {
		v.merged = make([][][]float64, 2*len(sp.states))
		for p := range v.merged {
			if p%2 == 0 || r.ks.bars[p/2] {
				v.merged[p] = r.table()
			}
		}
	}
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
		open := r.opening(v, x)
		for b, k := range [2]*kernel{open.clear, open.barred} {
			if k == nil {
				continue
			}
			for n := range r.count() {
				nd := r.node(n)
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
	for x := range sp.states {
		for b := range 2 {
			p := point(x, b == 1)
			if b == 1 && !r.ks.bars[x] {
				continue
			}
			v.mass[p] = 0
			for n := range r.count() {
				r.forwardNode(v, x, p, n, longest, next)
			}
		}
	}
	return next
}

// forwardNode takes the measure at one point and node through the choice and the
// next portion.
func (r *run) forwardNode(v *visit, x, p, n, longest int, next [][]float64) {
	w := &r.work
	c := r.node(n).caseAt
	in, first := &w.inflow[p][n], &w.first[p][n]
	defer in.reset()
	defer first.reset()
	if v.merged[p] == nil {
		return
	}
	merged := v.merged[p][n]
	clear(merged)
	if in.empty() && first.empty() {
		return
	}
	in.trim()
	if r.sp.complete(r.sp.states[x]) {
		next[x][c] += in.mass()
		return
	}
	left := v.left[p]
	for t := in.hi - 1; t >= in.lo; t-- {
		q := in.p[t]
		v.mass[p] += q
		merged[longest-t] += q
		if longest-t < left {
			next[x][c] += q
			in.p[t] = 0
		}
	}
	if left > 0 {
		in.hi = max(min(in.hi, longest-left+1), in.lo)
	}
	if !first.empty() {
		in.add(first.lo, first.cells(), 1)
	}
	if in.empty() {
		return
	}
	cells, from, mass := in.cells(), in.lo, in.mass()
	ready := 1.0
	part := &w.part
	if check := r.ks.checks[x]; check != nil {
		ready = r.ready(v, x)
		next[x][c] += (1 - ready) * mass * check.mass
		if !check.none {
			part.reset()
			part.convolveUpTo(&r.space, longest, from, cells, r.dist(check, n), 1)
			cells, from = part.cells(), part.lo
		}
	}
	for _, e := range r.ks.edges[p] {
		q := ready * e.prob
		if r.sp.complete(r.sp.states[e.to/2]) {
			next[e.to/2][c] += q * mass * e.k.mass
			continue
		}
		w.inflow[e.to][n].convolveUpTo(&r.space, longest, from, cells, r.dist(e.k, n), q)
	}
}
