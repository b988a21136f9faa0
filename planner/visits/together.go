package visits

import (
	"math"
	"slices"
)

// together looks for lengths of the visits booked ahead that go well with each
// other, before the search settles: a long first visit with a short second one may
// be as good as the reverse, and no step along one length leads from one to the
// other. Each length of a visit after the first is tried while the thresholds and
// lengths of the visits before follow; the first visit's length is read off its
// curve every time.
func (r *run) together() {
	ahead := r.visits[:r.o.BookedAhead]
	if len(ahead) < 2 {
		return
	}
	r.wide = true
	defer func() { r.wide, r.look = false, nil }()
	now := make([]int, len(ahead))
	set := func(i, length int) {
		now[i] = length
		for x := range ahead[i].length {
			ahead[i].length[x] = length
		}
	}
	for i, v := range ahead {
		set(i, r.first[len(r.first)/2])
		if v.fixed > 0 {
			set(i, v.fixed)
		}
	}
	// settle makes visit i (from 0) have its length and the visits before it follow,
	// and returns the cost with the best first length.
	settle := func(i int) (float64, int) {
		for j := i; j > 0; j-- {
			if j < i {
				r.backwardVisit(j)
			}
			r.setLength(ahead[j], now[j])
		}
		r.backwardVisit(0)
		best, length := 0.0, 0
		for _, l := range ahead[0].choice[r.sp.index[r.sp.entry[0].state]] {
			cost, least := 0.0, 0.0
			for _, b := range r.sp.entry {
				x := r.sp.index[b.state]
				least += b.prob * ahead[0].least[x]
				for c, w := range r.set.cases {
					cost += b.prob * w * ahead[0].curve[x][c][l]
				}
			}
			if float64(l) >= least && (length == 0 || micro(cost) < micro(best)) {
				best, length = cost, l
			}
		}
		return best, length
	}
	const apart = 3
	for i := len(ahead) - 1; i > 0; i-- {
		if ahead[i].fixed == 0 {
			r.look = ahead[i]
			r.backwardVisit(i) // for the lengths behind it as they are now
			r.look = nil
			best, length := 0.0, 0
			for at := 0; at < len(r.first); at += apart {
				if float64(r.first[at]) < leastOf(ahead[i]) {
					continue
				}
				set(i, r.first[at])
				if cost, first := settle(i); first > 0 && (length == 0 || micro(cost) < micro(best)) {
					best, length = cost, now[i]
				}
			}
			if length > 0 {
				set(i, length)
			}
			settle(i)
		}
	}
	_, now[0] = settle(len(ahead) - 1)
	if now[0] > 0 {
		r.setLength(ahead[0], now[0])
	}
}

// leastOf is the expected minutes of the least visit from wherever that is soonest
// over.
func leastOf(v *visit) float64 {
	least := math.Inf(1)
	for x, curve := range v.curve {
		if curve != nil {
			least = min(least, v.least[x])
		}
	}
	return least
}

// setLength gives a visit one length in every state.
func (r *run) setLength(v *visit, length int) {
	for x, curve := range v.curve {
		v.same = v.same && v.length[x] == length
		v.length[x] = length
		for c, row := range curve {
			v.value[x][c] = row[length]
		}
	}
}

// jointly tries lengths of visits booked ahead that change together: one step of a
// later one, while the lengths and thresholds before it follow. It reports whether
// a cheaper combination was found, which then is the present one.
func (r *run) jointly() bool {
	ahead := r.visits[:r.o.BookedAhead]
	if len(ahead) < 2 || r.keep || r.bounded() || r.fixedLeft != nil || len(r.grid) < 2 {
		return false
	}
	before := r.snapshot()
	best, cost := before, r.expected()
	for j := len(ahead) - 1; j > 0; j-- {
		if ahead[j].fixed > 0 {
			continue
		}
		now := ahead[j].length[r.firstBegin(ahead[j])]
		at, _ := slices.BinarySearch(r.grid, now)
		for _, to := range [2]int{at - 1, at + 1} {
			if to < 0 || to >= len(r.grid) || !ahead[j].priced(r.grid[to]) || !r.holds(ahead[j], r.grid[to]) {
				continue
			}
			r.setLength(ahead[j], r.grid[to])
			for i := j - 1; i >= 0; i-- {
				r.backwardVisit(i)
				r.lengths(r.visits[i])
			}
			if c := r.expected(); c < cost-r.worth {
				best, cost = r.snapshot(), c
			}
			r.restore(before)
			r.setLength(ahead[j], now)
		}
	}
	r.restore(best)
	for i := len(ahead) - 1; i > 0; i-- {
		x := r.firstBegin(ahead[i])
		r.setLength(ahead[i], ahead[i].length[x])
		r.backwardVisit(i - 1)
		r.setLength(ahead[i-1], ahead[i-1].length[r.firstBegin(ahead[i-1])])
	}
	return len(best) > 0 && &best[0] != &before[0]
}

// expected is the expected cost of the treatment.
func (r *run) expected() float64 {
	v, cost := r.visits[0], 0.0
	for x, w := range v.weight {
		for c, q := range w {
			if q > 0 {
				cost += q * v.value[x][c]
			}
		}
	}
	return cost
}

// priced reports whether the visit's curves hold a length.
func (v *visit) priced(length int) bool {
	for x, curve := range v.curve {
		if curve != nil && !slices.Contains(v.choice[x], length) {
			return false
		}
	}
	return true
}

// holds reports whether a length of a visit booked ahead holds the least visit.
func (r *run) holds(v *visit, length int) bool {
	least, mass := 0.0, 0.0
	for x := range v.weight {
		q := v.starting(x)
		mass += q
		least += q * v.least[x]
	}
	return float64(length)*mass >= least
}

// choices is the lengths and thresholds of one visit.
type choices struct{ length, left []int }

// are reports whether a visit has these choices.
func (c *choices) are(v *visit) bool {
	return slices.Equal(c.length, v.length) && slices.Equal(c.left, v.left)
}

// take copies those of a visit.
func (c *choices) take(v *visit) {
	c.length, c.left = append(c.length[:0], v.length...), append(c.left[:0], v.left...)
}

func (r *run) snapshot() []choices {
	out := make([]choices, len(r.visits))
	for i, v := range r.visits {
		out[i].take(v)
	}
	return out
}

func (r *run) restore(all []choices) {
	for i, c := range all {
		v := r.visits[i]
		v.same = v.same && c.are(v)
		copy(v.length, c.length)
		for p, left := range c.left {
			if v.left[p] != left {
				v.left[p] = left
				v.moved = append(v.moved, p)
			}
		}
	}
}
