package visits

import (
	"iter"
	"slices"
)

// passing is how often one visit lasts longer than the patient can bear, kept
// beside its costs while that has a price.
//
// Costs depend on the minutes left of the appointment alone, and rise by the same
// from 0 downwards, whatever its length. What the patient can bear does not move
// with the length: the chance of passing it depends on the minutes to the limit.
// So there is one set of tables for each length with which the visit may begin.
type passing struct {
	groups []*passGroup
	chance [][]float64 // by begin state and case node: of passing the limit
	lanes  [][]lane    // by point and node: minutes used, before the choice

	// What the tables were made for; nothing is worked out again while it holds.
	fresh  bool
	made   choices
	follow choices    // the same for the measures,
	begins *[]float64 // and how the visit begins
}

// passGroup is the visits of one length.
type passGroup struct {
	length  int
	slack   int           // minutes from the appointment's end to the limit
	rows    []int         // minutes to the limit that the tables follow, by point
	limit   []int         // the same where a visit begins, by state
	measure [][][]float64 // by point, node and minutes to the limit
	goOn    [][][]float64 // chance of passing when going on, by point, node and minutes to the limit
	value   [][][]float64 // the same under the thresholds
}

// bounded reports whether passing the limit may have a price in any visit.
func (r *run) bounded() bool {
	for _, v := range r.visits {
		if v.bounded {
			return true
		}
	}
	return false
}

// passPrice is what passing the limit costs beyond the chance that is allowed,
// given that the visit begins in a state.
func (r *run) passPrice(v *visit, x, c int) float64 {
	if v.price == 0 {
		return 0
	}
	return v.price * (v.passing.chance[x][c] - r.o.Bear.Chance)
}

// left is the minutes left of the appointment when so many are left to the limit.
func (g *passGroup) left(u int) int { return max(0, u-g.slack) }

// newPassing makes the tables for the present lengths.
func (r *run) newPassing(v *visit) *passing {
	n := len(r.sp.states)
	ps := v.passing
	if ps == nil || len(ps.chance) == 0 || len(ps.chance[0]) != r.cases() || len(ps.lanes[0]) != r.count() {
		ps = &passing{chance: make([][]float64, n), lanes: make([][]lane, 2*n)}
		for x := range n {
			ps.chance[x] = make([]float64, r.cases())
			ps.lanes[2*x], ps.lanes[2*x+1] = make([]lane, r.count()), make([]lane, r.count())
		}
	}
	used := 0
	for x := range n {
		if !r.begins(v, x) || v.beginning(x) == nil || ps.group(used, v.length[x]) != nil {
			continue
		}
		if used == len(ps.groups) {
			ps.groups = append(ps.groups, &passGroup{measure: make([][][]float64, 2*n), goOn: make([][][]float64, 2*n), value: make([][][]float64, 2*n)})
		}
		g := ps.groups[used]
		g.length, g.slack, g.limit = v.length[x], r.o.Bear.Minutes-v.length[x], make([]int, n)
		for y := range n {
			if r.begins(v, y) && v.length[y] == g.length {
				g.limit[y] = r.o.Bear.Minutes
			} else {
				g.limit[y] = -1
			}
		}
		g.rows = r.rowsOf(v, g.limit)
		for p, rows := range g.rows {
			if rows > 0 && (g.goOn[p] == nil || len(g.goOn[p][0]) < rows) {
				g.measure[p], g.goOn[p], g.value[p] = table(r.count(), rows), table(r.count(), rows), table(r.count(), rows)
			}
		}
		used++
	}
	ps.groups = ps.groups[:used]
	return ps
}

func table(rows, columns int) [][]float64 {
	t, slab := make([][]float64, rows), make([]float64, rows*columns)
	for i := range t {
		t[i] = slab[i*columns : (i+1)*columns]
	}
	return t
}

// group is the one with a length among the first ones.
func (ps *passing) group(first, length int) *passGroup {
	for _, g := range ps.groups[:first] {
		if g.length == length {
			return g
		}
	}
	return nil
}

// followPassing follows the visit under the present thresholds, so that the measure
// is known at every minute up to the limit and not only up to the length.
func (r *run) followPassing(v *visit) {
	if ps := v.passing; ps == nil || !slices.Equal(ps.follow.length, v.length) {
		v.passing = r.newPassing(v)
		v.passing.made.length = nil
	}
	ps := v.passing
	ps.fresh = ps.made.are(v)
	if v.weight == nil || ps.begins == &v.weight[0] && ps.follow.are(v) {
		return
	}
	ps.begins = &v.weight[0]
	ps.follow.take(v)
	for _, g := range v.passing.groups {
		for p, rows := range g.rows {
			if rows == 0 {
				continue
			}
			for n := range g.measure[p] {
				clear(g.measure[p][n])
			}
		}
		r.followGroup(v, g)
	}
}

func (r *run) followGroup(v *visit, g *passGroup) {
	lanes, top := v.passing.lanes, r.o.Bear.Minutes+1 // beyond the limit nothing is to be known
	for x, row := range v.weight {
		if sum(row) == 0 || g.limit[x] < 0 {
			continue
		}
		for _, b := range v.beginning(x) {
			if b.ends {
				continue
			}
			for n := range r.count() {
				nd := r.only(n)
				d := r.dist(b.k, n)
				lanes[b.to][n].addUpTo(top, d.First, d.P, row[nd.caseAt]*nd.weight*b.prob)
			}
		}
	}
	for p, rows := range g.rows {
		for n := range lanes[p] {
			in := &lanes[p][n]
			if in.empty() {
				continue
			}
			if rows > 0 && !r.sp.complete(r.sp.states[p/2]) {
				in.trim(forwardTail)
				m := g.measure[p][n]
				for t := in.lo; t < min(in.hi, top); t++ {
					if u := top - 1 - t; u < len(m) {
						m[u] += in.p[t]
					}
				}
				if left := v.left[p]; left > 0 {
					for t := max(in.lo, g.length-left+1); t < in.hi; t++ {
						in.p[t] = 0
					}
					in.hi = max(min(in.hi, g.length-left+1), in.lo)
				}
				if !in.empty() && !r.closed(v, p/2, p%2 == 1) {
					r.passOn(v, p, n, top, in)
				}
			}
			in.reset()
		}
	}
}

// passOn carries a measure over minutes used through the next portion.
func (r *run) passOn(v *visit, p, n, top int, in *lane) {
	cells, from, ready := in.cells(), in.lo, 1.0
	if check := r.ks.checks[p/2]; check != nil {
		ready = r.ready(v, p/2)
		if !check.none {
			r.mem.part.reset()
			r.mem.part.convolveUpTo(r.space, top, from, cells, r.dist(check, n), 1)
			cells, from = r.mem.part.cells(), r.mem.part.lo
		}
	}
	for _, e := range r.edges(p) {
		if !r.sp.complete(r.sp.states[e.to/2]) {
			v.passing.lanes[e.to][n].convolveUpTo(r.space, top, from, cells, r.dist(e.k, n), ready*e.prob)
		}
	}
}

// passGoing computes the chance of passing the limit when going on from a state,
// and stopping there.
func (r *run) passGoing(v *visit, x int) {
	if r.sp.complete(r.sp.states[x]) {
		return
	}
	for g, p := range v.passing.anew(x) {
		if r.closed(v, x, p%2 == 1) {
			continue
		}
		for n := range r.count() {
			r.passFrom(v, g, x, p, n, g.goOn[p][n][:g.rows[p]])
		}
	}
}

// anew is the points of a state whose tables are to be worked out again, in each
// group that comes there.
func (ps *passing) anew(x int) iter.Seq2[*passGroup, int] {
	return func(yield func(*passGroup, int) bool) {
		if ps.fresh {
			return
		}
		for _, g := range ps.groups {
			for p := 2 * x; p < 2*x+2; p++ {
				if g.rows[p] > 0 && !yield(g, p) {
					return
				}
			}
		}
	}
}

func (r *run) passFrom(v *visit, g *passGroup, x, p, n int, out []float64) {
	clear(out)
	for _, e := range r.edges(p) {
		if e.whole != nil {
			for u, q := range r.tail(e.whole, n, len(out)) {
				out[u] += e.prob * q
			}
			continue
		}
		r.passAfter(out, e.prob, e.k, n, g.value[e.to][n][:g.rows[e.to]])
	}
	check := r.ks.checks[x]
	if check == nil {
		return
	}
	ready := r.ready(v, x)
	for u := range out {
		out[u] *= ready
	}
	for u, q := range r.tail(r.ks.ends[x], n, len(out)) {
		out[u] += (1 - ready) * q
	}
	if !check.none {
		with := r.work.gated[:len(out)]
		clear(with)
		r.passAfter(with, 1, check, n, out)
		copy(out, with)
	}
}

// tail is the chance that a piece of work takes longer than so many minutes, up to
// a number of them; 0 beyond.
func (r *run) tail(k *kernel, n, rows int) []float64 {
	t := k.tail[r.set.lo+n]
	return t[:min(rows, len(t))]
}

// passAfter adds the chance of passing the limit in a piece of work or behind it.
func (r *run) passAfter(dst []float64, q float64, k *kernel, n int, next []float64) {
	for u, t := range r.tail(k, n, len(dst)) {
		dst[u] += q * t
	}
	if d := r.dist(k, n); d.First < len(dst) {
		r.space.Add(dst[d.First:], d.P, next, q)
	}
}

// passState takes the chance of passing the limit from a state under the
// thresholds just chosen.
func (r *run) passState(v *visit, x int) {
	for g, p := range v.passing.anew(x) {
		rows := g.rows[p]
		from := rows // from which minute on to the limit the visit goes on
		if !r.sp.complete(r.sp.states[x]) && !r.closed(v, x, p%2 == 1) {
			from = 0
			for from < rows && g.left(from) < v.left[p] {
				from++
			}
		}
		for n := range r.count() {
			out := g.value[p][n][:rows]
			clear(out[copy(out, r.tail(r.ks.ends[x], n, rows)):])
			copy(out[from:], g.goOn[p][n][from:rows])
		}
	}
}

// passOpenings takes the chance of passing the limit from the beginnings.
func (r *run) passOpenings(v *visit) {
	if v.passing.fresh {
		return
	}
	v.passing.made.take(v)
	limit := r.o.Bear.Minutes
	for x := range r.sp.states {
		begins := v.beginning(x)
		if begins == nil || !r.begins(v, x) {
			continue
		}
		g := v.passing.group(len(v.passing.groups), v.length[x])
		row := v.passing.chance[x]
		clear(row)
		for _, b := range begins {
			for n := range r.count() {
				nd := r.only(n)
				q := 0.0
				if t := b.k.tail[r.set.lo+n]; limit < len(t) {
					q = t[limit]
				}
				if d := r.dist(b.k, n); !b.ends && limit >= d.First {
					q += backwards(d.P, g.value[b.to][n][:limit-d.First+1])
				}
				row[nd.caseAt] += nd.weight * b.prob * q
			}
		}
	}
}

// passDearer adds by how much likelier the limit is passed by stopping than by
// going on, at each minute left, weighed by the measure there and a price.
func (r *run) passDearer(v *visit, p int, to []float64, price float64) {
	if !v.bounded || price == 0 {
		return
	}
	for _, g := range v.passing.groups {
		rows := g.rows[p]
		if rows == 0 {
			continue
		}
		for n, m := range g.measure[p] {
			stop, goOn := r.tail(r.ks.ends[p/2], n, rows), g.goOn[p][n]
			for u, q := range m[:rows] {
				if q == 0 {
					continue
				}
				d := -goOn[u]
				if u < len(stop) {
					d += stop[u]
				}
				to[min(g.left(u), len(to)-1)] += price * q * d
			}
		}
	}
}

// passesMore is by how much a visit passes the limit more often than allowed, on
// the nodes that decide.
func (r *run) passesMore(v *visit) float64 {
	more := 0.0
	for x, row := range v.weight {
		if r.sp.complete(r.sp.states[x]) {
			continue
		}
		for c, q := range row {
			if q > 0 {
				more += q * (v.passing.chance[x][c] - r.o.Bear.Chance)
			}
		}
	}
	return more
}
