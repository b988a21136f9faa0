package visits

import (
	"math"
	"slices"

	"github.com/visitwright/visitwright/planner/chairtime"
)

// backward goes through the visits from the last to the first and through each
// visit's states from the end of treatment to its beginning. At every stopping
// point it takes the threshold, and at every beginning the length, that costs
// least given the measure of the last forward pass and what was just chosen
// behind it. Each choice is therefore an exact minimum along one coordinate. It
// reports whether the expected cost fell by as much as a millionth.
func (r *run) backward() bool { return r.backwardFrom(0) }

// backwardFrom is backward down to a visit (from 0).
func (r *run) backwardFrom(first int) bool {
	fell := false
	for i := len(r.visits) - 1; i >= first; i-- {
		v := r.visits[i]
		if r.backwardVisit(i) {
			fell = true
		}
		if r.lengths(v) {
			fell = true
		}
	}
	return fell
}

// backwardVisit is backward for one visit (from 0), without its lengths.
func (r *run) backwardVisit(i int) bool {
	v := r.visits[i]
	r.reachOf(v)
	if v.bounded {
		r.followPassing(v)
	}
	fell := false
	for x := len(r.sp.states) - 1; x >= 0; x-- {
		if v.rows[2*x] == 0 {
			continue // no visit comes there
		}
		if v.bounded {
			r.passGoing(v, x)
		}
		before := [2]int{v.left[2*x], v.left[2*x+1]}
		if r.backwardState(v, x, r.next(i, x)) {
			fell = true
		}
		if v.bounded {
			v.passing.fresh = v.passing.fresh && before == [2]int{v.left[2*x], v.left[2*x+1]}
			r.passState(v, x)
		}
	}
	r.backwardOpenings(v)
	if v.bounded {
		r.passOpenings(v)
	}
	v.stale, v.moved = false, v.moved[:0]
	return fell
}

// next returns the cost of not being complete in the state when visit i (from 0)
// ends, by node.
func (r *run) next(i, x int) []float64 {
	if i+1 < len(r.visits) && !r.begins(r.visits[i+1], x) || r.rest[x] == nil {
		return r.work.nothing // no visit ends there
	}
	out := r.work.follows[:r.count()]
	for n := range out {
		c := r.only(n).caseAt
		if i+1 == len(r.visits) {
			out[n] = r.rest[x][c]
		} else {
			out[n] = r.m.Cost.Visit + r.visits[i+1].value[x][c]
		}
	}
	return out
}

// reachOf sets how many minutes left must be followed at each point of a visit:
// from the longest length considered, less the least minutes used up to there.
// When a length grows up to that limit, the tables are computed anew and further.
func (r *run) reachOf(v *visit) {
	for x, l := range v.length {
		v.stale = v.stale || (r.begins(v, x) && l >= v.limit[x] && l < r.reach)
	}
	if !v.stale {
		return
	}
	for x := range v.limit {
		v.limit[x] = r.reach
	}
	for x := range v.limit {
		if r.begins(v, x) {
			longest := slices.Max(r.candidates(v, x))
			v.limit[x] = min(longest+r.m.Grid.Step, r.reach)
		}
	}
	v.rows = r.rowsOf(v, v.limit)
}

// candidates are the lengths that the next choice considers for a visit that
// begins in the state: all at first, then those around the present one.
func (r *run) candidates(v *visit, x int) []int {
	around := 2
	if v.stale {
		around = 3 // a first guess may be farther off
	}
	now := v.length[x]
	switch {
	case v.fixed > 0:
		return []int{v.fixed}
	case r.keep || v.bounded:
		return []int{now}
	case r.wide && v != r.visits[0] && v != r.look:
		return []int{now}
	case now == 0 || r.wide:
		return r.first
	}
	at, _ := slices.BinarySearch(r.grid, now)
	to := min(len(r.grid), at+around+1)
	for to > at+1 && r.grid[to-1] > v.limit[x] {
		to-- // the tables do not reach further for the present
	}
	return r.grid[max(0, at-around):to]
}

// backwardState computes what it costs to stand in a state with so many minutes
// left, by node. What the whole treatment would not notice stays as it was in the
// last sweep, and is remembered.
func (r *run) backwardState(v *visit, x int, next []float64) bool {
	t := v.tables
	rows := v.rows[2*x]
	if r.sp.complete(r.sp.states[x]) {
		t.drift[2*x] = 0
		if v.stale {
			t.drift[2*x] = math.Inf(1)
			for n, row := range t.value[2*x] {
				for i, e := range r.endCost[x][n][:rows] {
					row[i] = e + v.unused
				}
			}
		}
		return false
	}
	drift := apart(next, t.next[x])
	restop := v.stale || r.matters(drift, v.comes(2*x)+v.comes(2*x+1))
	if !restop {
		drift = 0
	} else {
		copy(t.next[x], next)
		for n := range r.count() {
			c := next[n]
			to := t.stop[x][n][:rows]
			for i, e := range r.endCost[x][n][:rows] {
				to[i] = e + c
			}
		}
	}
	fell, reopen := false, false
	for b := 1; b >= 0; b-- {
		if b == 1 && !r.ks.bars[x] {
			continue
		}
		p := point(x, b == 1)
		rows := v.rows[p]
		if rows == 0 {
			continue
		}
		closed := r.closed(v, x, b == 1)
		if r.ks.checks[x] != nil {
			t.owed[p] += (1 - r.ready(v, x)) * drift
		}
		for _, e := range r.edges(p) {
			if e.whole == nil {
				t.owed[p] += e.prob * e.k.mass * t.drift[e.to]
			}
		}
		regoing := v.stale || r.matters(t.owed[p], v.comes(p))
		left := v.left[p]
		if closed {
			left, regoing = Never, false
		} else {
			if regoing {
				r.goingOn(v, x, p, rows)
				t.owed[p] = 0
			}
			switch {
			case !r.m.Stops[r.sp.states[x].Stage].Allowed:
				left = 0
			case r.keep && v != r.current:
			case t.judged[p] && !regoing && !restop && !r.last && !v.bounded: // nothing is new since
			case v.merged != nil && v.mass[p] < notable && !v.stale && !r.last:
			default:
				best, gain := r.threshold(v, p, rows)
				// A change that the whole treatment would not notice does not call for
				// another sweep; the last sweep makes it.
				if gain >= r.worth || v.merged == nil || r.last {
					left = best
				}
				fell = fell || gain >= r.worth
			}
		}
		if left != v.left[p] && (v.mass[p] > 0 || v.merged == nil) {
			v.same = false
		}
		t.drift[p] = 0
		if regoing || left != v.left[p] || (restop && left > 0) || slices.Contains(v.moved, p) {
			every := 3
			if v.bounded {
				every = 1 // a price makes costs jump at a threshold
			}
			for n, to := range t.value[p] {
				cut := min(left, rows)
				t.drift[p] = max(t.drift[p], renew(to[:cut], t.stop[x][n], every), renew(to[cut:rows], t.goOn[p][n][cut:rows], every))
			}
			if v.stale {
				t.drift[p] = math.Inf(1)
			}
		}
		v.left[p] = left
		reopen = reopen || regoing || (closed && restop)
	}
	if v != r.current && v.beginning(x) == nil && r.begins(v, x) {
		if choice := r.candidates(v, x); reopen || v.curve[x] == nil || !slices.Equal(choice, v.choice[x]) {
			v.choice[x] = choice
			r.open(v, x)
		}
		if v.least[x] == 0 {
			v.least[x] = r.leastVisit(v, x)
		}
	}
	return fell
}

// matters reports whether a change of costs by as much, at a place to which the
// treatment comes with a probability, is to be followed up: not where a table of
// all such changes would be wrong by less than a millionth in all. In the last
// sweep every cost that a choice reads is made right, wherever it is.
func (r *run) matters(drift, comes float64) bool {
	if r.last {
		return drift > 1e-6
	}
	return drift*comes > smallest
}

const smallest = 1e-8

// comes is a bound of the probability with which the visit comes to a point,
// whatever its thresholds; 1 as long as it is not known.
func (v *visit) comes(p int) float64 {
	if v.could == nil {
		return 1
	}
	return v.could[p]
}

// apart is the greatest difference of two rows.
func apart(a, b []float64) float64 {
	d := 0.0
	for i, x := range a {
		d = max(d, math.Abs(x-b[i]))
	}
	return d
}

// renew copies a row and returns by how much it changed at most, as seen at every
// third minute or at every one: without a price, costs change smoothly with the
// minutes left, but for where a threshold moved, and there the rows on both sides
// tell.
func renew(dst, src []float64, every int) float64 {
	lo, hi := 0.0, 0.0
	src = src[:len(dst)]
	for i := 0; i < len(src); i += every {
		d := src[i] - dst[i]
		if d < lo {
			lo = d
		} else if d > hi {
			hi = d
		}
	}
	copy(dst, src)
	return max(hi, -lo)
}

// notable is the probability of a point below which no threshold can make a
// worthwhile difference, since a wrong choice costs less than 500 minutes.
const notable = worthwhile / 500

// worthwhile is the fall of the expected cost below which a change does not call
// for another sweep: half a millionth, the unit in which costs are compared.
const worthwhile = 5e-7

// firstWorth is the same while the first guess is made.
const firstWorth = 1e-3

// goingOn computes the cost of going on from the point, by node and minutes left.
func (r *run) goingOn(v *visit, x, p, rows int) {
	t := v.tables
	check := r.ks.checks[x]
	for n := range r.count() {
		out := t.goOn[p][n][:rows]
		clear(out)
		for _, e := range r.edges(p) {
			if e.whole != nil {
				r.toTheEnd(out, e.prob, e.whole, n, v.unused)
				continue
			}
			r.after(out, e.prob, e.k, n, t.value[e.to][n][:v.rows[e.to]])
		}
		if check == nil {
			continue
		}
		ready := r.ready(v, x)
		for i, s := range t.stop[x][n][:rows] {
			out[i] = ready*out[i] + (1-ready)*s
		}
		if !check.none {
			with := r.work.gated[:rows]
			clear(with)
			r.after(with, 1, check, n, out)
			copy(out, with)
		}
	}
}

// after adds the expected cost of a piece of work followed by what lies behind
// it: dst[left] += q * (Work*minutes + E[next(left - minutes)]). From 0 minutes
// left downwards every cost rises by Overrun a minute, so next is needed at 0
// and above only.
func (r *run) after(dst []float64, q float64, k *kernel, n int, next []float64) {
	d := r.dist(k, n)
	tail, beyond := k.tail[r.set.lo+n], k.over[r.set.lo+n]
	work := q * r.m.Cost.Work * r.mean(k, n)
	over, at0 := q*r.m.Cost.Overrun, q*next[0]
	short := min(len(tail), len(dst))
	for i, t := range tail[:short] {
		dst[i] += work + at0*t + over*beyond[i]
	}
	for i := short; i < len(dst); i++ {
		dst[i] += work
	}
	if d.First < len(dst) {
		r.space.Add(dst[d.First:], d.P, next, q)
	}
}

// toTheEnd adds the expected cost of a piece of work after which the visit is over
// and a price is due: what ends gives for the closing alone.
func (r *run) toTheEnd(dst []float64, q float64, k *kernel, n int, price float64) {
	over, base := k.over[r.set.lo+n], q*r.atEnd(k, n, price)
	idle, beyond := q*r.m.Cost.Idle*k.mass, q*(r.m.Cost.Overrun+r.m.Cost.Idle)
	short := min(len(over), len(dst))
	for i, o := range over[:short] {
		dst[i] += base + idle*float64(i) + beyond*o
	}
	for i := short; i < len(dst); i++ {
		dst[i] += base + idle*float64(i)
	}
}

// atEnd is the part of the cost of work up to the end of a visit that does not
// depend on the minutes left before it.
func (r *run) atEnd(k *kernel, n int, price float64) float64 {
	return (r.m.Cost.Work-r.m.Cost.Idle)*r.mean(k, n) + price*k.mass
}

// threshold returns the least minutes left at which going on costs no more,
// given the measure over nodes and minutes left at the point: the cut that costs
// least in all, compared in millionths, ties to going on. It also returns by how
// much the expected cost of the treatment falls against the present threshold.
func (r *run) threshold(v *visit, p, rows int) (int, float64) {
	if r.fixedLeft != nil {
		return *r.fixedLeft, 0
	}
	mass := v.mass[p]
	known := v.merged != nil && mass >= leastMass
	dear := r.work.gated[:rows]
	r.dearer(v, p, known, dear)
	unit := 1.0
	if known {
		r.passDearer(v, p, dear, v.price)
		unit = 1 / mass
	}
	best, bestCost, present, total := 0, int64(0), 0.0, 0.0
	for left := range rows {
		if left == v.left[p] {
			present = total
		}
		total += dear[left] * unit
		if c := chairtime.Micro(total); c < bestCost {
			best, bestCost = left+1, c
		}
	}
	if v.left[p] >= rows {
		present = total
	}
	if !known {
		return best, 0
	}
	return best, (present - float64(bestCost)/1e6) * mass
}

// dearer is by how much stopping is dearer than going on, at each minute left:
// weighed by the measure there, or by the nodes' own weights where none is known.
func (r *run) dearer(v *visit, p int, known bool, dear []float64) {
	goOn, stop := v.tables.goOn[p], v.tables.stop[p/2]
	clear(dear)
	for n := range goOn {
		g, s := goOn[n][:len(dear)], stop[n][:len(dear)]
		if known {
			for i, q := range v.merged[p][n][:len(dear)] {
				dear[i] += q * (s[i] - g[i])
			}
		} else {
			q := r.node(n).prior
			for i := range dear {
				dear[i] += q * (s[i] - g[i])
			}
		}
	}
}

// leastMass is the probability of a point below which its threshold is taken
// with the nodes' own weights: nothing that happens there shows in a cost.
const leastMass = 1e-12
