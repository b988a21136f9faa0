package visits

import (
	"slices"

	"github.com/visitwright/visitwright/planner/chairtime"
)

// backwardOpenings computes the curves of cost by length of a visit, from what its
// beginnings lead to.
func (r *run) backwardOpenings(v *visit) {
	if v == r.current {
		return
	}
	t := v.tables
	for x := range r.sp.states {
		begins := v.beginning(x)
		if begins == nil || !r.begins(v, x) {
			continue
		}
		if v.least[x] == 0 {
			v.least[x] = r.leastVisit(v, x)
		}
		next := r.next(v.number-1, x)
		price := apart(next, t.begun[x])
		for _, b := range begins {
			switch {
			case !b.ends:
				t.opens[x] += b.prob * b.k.mass * t.drift[b.to]
			case b.to == x:
				t.opens[x] += b.prob * b.k.mass * price
			}
		}
		copy(t.begun[x], next)
		again := v.stale || v.curve[x] == nil || r.matters(t.opens[x], v.starting(x))
		if choice := r.candidates(v, x); again || !slices.Equal(choice, v.choice[x]) {
			v.choice[x], t.opens[x] = choice, 0
			r.newCurve(v, x)
			for _, b := range begins {
				r.openInto(v, x, b, next)
			}
		}
	}
}

// starting is the probability with which the visit begins in a state; 1 as long as
// it is not known.
func (v *visit) starting(x int) float64 {
	if v.weight == nil {
		return 1
	}
	return sum(v.weight[x])
}

// newCurve clears the curve of a visit that begins in a state at the lengths to
// choose from.
func (r *run) newCurve(v *visit, x int) {
	if v.curve[x] == nil {
		v.curve[x] = r.mem.matrix(r.cases(), r.reach+1)
	}
	for _, row := range v.curve[x] {
		for _, l := range v.choice[x] {
			row[l] = 0
		}
	}
}

// openInto adds one beginning to the curve; next is what follows a visit that ends
// where it began.
func (r *run) openInto(v *visit, x int, b beginning, next []float64) {
	c := r.m.Cost
	for n := range r.count() {
		nd := r.only(n)
		row, over := v.curve[x][nd.caseAt], b.k.over[r.set.lo+n]
		q := nd.weight * b.prob
		if b.ends {
			price := v.unused
			if b.to == x {
				price = next[n]
			}
			base := r.atEnd(b.k, n, price)
			for _, l := range v.choice[x] {
				cost := base + c.Idle*b.k.mass*float64(l)
				if l < len(over) {
					cost += (c.Overrun + c.Idle) * over[l]
				}
				row[l] += q * cost
			}
			continue
		}
		d, tail, value := r.dist(b.k, n), b.k.tail[r.set.lo+n], v.tables.value[b.to][n]
		for _, l := range v.choice[x] {
			cost := c.Work * r.mean(b.k, n)
			if l < len(tail) {
				cost += value[0]*tail[l] + c.Overrun*over[l]
			}
			if top := l - d.First; top >= 0 {
				cost += backwards(d.P, value[:top+1])
			}
			row[l] += q * cost
		}
	}
}

// open computes the cost of the visit from its start, by case node and length.
func (r *run) open(v *visit, x int) {
	r.newCurve(v, x)
	c := r.m.Cost
	open := r.opening(v, x)
	for b, k := range [2]*kernel{open.clear, open.barred} {
		if k == nil {
			continue
		}
		first := v.tables.goOn[point(x, b == 1)]
		if r.closed(v, x, b == 1) {
			first = v.tables.stop[x]
		}
		for n := range r.count() {
			nd := r.only(n)
			d, tail, over := r.dist(k, n), k.tail[r.set.lo+n], k.over[r.set.lo+n]
			row := v.curve[x][nd.caseAt]
			for _, l := range v.choice[x] {
				cost := c.Work * r.mean(k, n)
				if l < len(tail) {
					cost += first[n][0]*tail[l] + c.Overrun*over[l]
				}
				if top := l - d.First; top >= 0 {
					cost += backwards(d.P, first[n][:top+1])
				}
				row[l] += nd.weight * cost
			}
		}
	}
}

// backwards returns the sum of p[i] * f[len(f)-1-i], in four sums side by side.
func backwards(p, f []float64) float64 {
	n := min(len(p), len(f))
	p, f = p[:n], f[len(f)-n:]
	s0, s1, s2, s3 := 0.0, 0.0, 0.0, 0.0
	i, j := 0, n-1
	for ; j >= 3; i, j = i+4, j-4 {
		q, g := p[i:i+4:i+4], f[j-3:j+1:j+1]
		s0 += q[0] * g[3]
		s1 += q[1] * g[2]
		s2 += q[2] * g[1]
		s3 += q[3] * g[0]
	}
	for ; j >= 0; i, j = i+1, j-1 {
		s0 += p[i] * f[j]
	}
	return (s0 + s1) + (s2 + s3)
}

// lengths chooses the visit's length or lengths from the curves just computed,
// and reports whether the expected cost fell.
func (r *run) lengths(v *visit) bool {
	fell := false
	total := make([]float64, r.reach+1)
	if v.fixed == 0 && !r.keep && v.ahead && v.weight != nil {
		least, mass, old := 0.0, 0.0, 0
		var choice []int
		for x, curve := range v.curve {
			if curve == nil {
				continue
			}
			if choice == nil {
				choice, old = v.choice[x], v.length[x]
			}
			for c, row := range curve {
				w := v.weight[x][c]
				mass += w
				least += w * v.least[x]
				for _, l := range choice {
					total[l] += w * row[l]
				}
			}
		}
		l := r.bestLength(choice, total, least, mass)
		fell = old != l && (total[old] == 0 || total[old]-total[l] >= r.worth || float64(old)*mass < least)
		v.same = v.same && l == old
		for x := range v.curve {
			v.length[x] = l
		}
	}
	for x, curve := range v.curve {
		if curve == nil {
			continue
		}
		switch {
		case v.fixed > 0:
			v.length[x] = v.fixed
		case r.keep:
		case v.ahead && v.weight != nil:
		default:
			w := r.set.cases
			known := v.weight != nil && sum(v.weight[x]) > leastMass
			switch {
			case known:
				w = v.weight[x]
			case r.slow:
				w = r.slowest(v, x)
			}
			choice := v.choice[x]
			least, mass := 0.0, 0.0
			for _, l := range choice {
				total[l] = 0
			}
			for c, row := range curve {
				mass += w[c]
				least += w[c] * v.least[x]
				for _, l := range choice {
					total[l] += w[c] * row[l]
				}
			}
			l, old := r.bestLength(choice, total, least, mass), v.length[x]
			if known && old != l {
				fell = fell || total[old]-total[l] >= r.worth || float64(old)*mass < least
			}
			v.same = v.same && (l == old || (v.weight != nil && sum(v.weight[x]) == 0))
			v.length[x] = l
		}
		if v.value[x] == nil {
			v.value[x] = make([]float64, r.cases())
		}
		for c, row := range curve {
			v.value[x][c] = row[v.length[x]] + r.passPrice(v, x, c)
		}
	}
	return fell
}

// slowest is the weights of the cases with which a visit would begin in a state in
// which none begins now: where the visit before went on, those that had the fewest
// minutes left would be the first to stop.
func (r *run) slowest(v *visit, x int) []float64 {
	before := r.visits[v.number-2]
	w, total := make([]float64, r.cases()), 0.0
	for p := 2 * x; p < 2*x+2; p++ {
		if before.merged == nil || before.mass[p] <= leastMass {
			continue
		}
		more := before.mass[p] // minutes left, or as many
		for left := range before.merged[p][0] {
			at := 0.0
			for n := range r.count() {
				q := before.merged[p][n][left]
				w[r.only(n).caseAt] += q * more * more
				at += q
			}
			more -= at
			total += at * more * more
		}
	}
	if total <= 0 {
		return r.set.cases
	}
	return w
}

// bestLength returns the length that costs least in the mean, ties to the
// shorter, among those that hold the least visit. When none does it returns the
// longest: the caller reports it.
func (r *run) bestLength(lengths []int, total []float64, least, mass float64) int {
	best, bestCost := 0, int64(0)
	for _, l := range lengths {
		if float64(l)*mass < least {
			continue
		}
		if c := chairtime.Micro(total[l] / mass); best == 0 || c < bestCost {
			best, bestCost = l, c
		}
	}
	if best == 0 {
		return lengths[len(lengths)-1]
	}
	return best
}
