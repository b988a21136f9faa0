package visits

import (
	"cmp"
	"math"
	"slices"
)

// shift is another threshold at one point, with what it changes while all others
// stay: the cost, and for each bounded visit the chance of passing the limit.
type shift struct {
	visit, point, left int
	cost               float64
	more               []float64
}

// gap looks for cheaper plans that keep to the limit beside the present one, or for
// one that does when the present one does not.
//
// Moving one threshold changes the cost and the chances of passing the limit by
// known amounts, several nearly by their sums. The best combination by those sums
// is made, looked at as it is, and the search goes on from there.
func (b *bounding) gap() bool {
	prices := make([]float64, len(b.visits))
	for i, v := range b.visits {
		prices[i] = v.price
	}
	plan := b.snapshot()
	for range mostJudged {
		b.unpriced()
		b.present(plan)
		at := b.standing()
		for range mostSteps {
			next, better := b.step(plan, at)
			if next == nil {
				break
			}
			plan, at = next, better
		}
		for i, v := range b.visits {
			v.price = prices[i]
		}
		b.present(plan)
		if at.violated > 0 {
			return false
		}
		b.judged(b.sweeps)
		if b.adjusted() {
			return true
		}
	}
	return false
}

// unpriced takes the prices off.
func (b *bounding) unpriced() {
	for _, v := range b.visits {
		v.price = 0
	}
}

// standing is how good the present plan is.
type standing struct{ violated, cost float64 }

func (b *bounding) standing() standing {
	s := standing{cost: b.costHere()}
	for i, v := range b.visits {
		if v.bounded {
			s.violated += max(0, b.passesMore(v)+b.off[i])
		}
	}
	return s
}

// better reports whether a plan keeps better to the limit, or costs less by a gain.
func (s standing) better(than standing, gain float64) bool {
	if than.violated > 0 {
		return s.violated < 0.7*than.violated
	}
	return s.violated == 0 && s.cost < than.cost-gain
}

// step returns a better plan beside another one, nil for none.
func (b *bounding) step(plan []choices, at standing) ([]choices, standing) {
	c := b.combining(plan)
	for _, reach := range [...]int{math.MaxInt, 8, 2} {
		for _, shifts := range c.best(reach, b.gain) {
			b.restore(plan)
			for _, s := range shifts {
				b.visits[s.visit].left[s.point] = s.left
				b.visits[s.visit].moved = append(b.visits[s.visit].moved, s.point)
			}
			next := b.snapshot()
			b.present(next)
			s := b.standing()
			if s.better(at, b.gain) {
				return next, s
			}
		}
	}
	return nil, at
}

const (
	mostJudged = 8
	mostSteps  = 12   // before a plan is judged
	mostTried  = 2    // combinations that are looked at as they are
	mostLooked = 3000 // that are added up
)

// combining works out the shifts at every point of a plan.
func (b *bounding) combining(plan []choices) *combining {
	c := &combining{}
	last := 0
	b.unpriced()
	for i, v := range b.visits {
		if v.bounded {
			last = i
			c.slack = append(c.slack, 0)
		}
	}
	b.present(plan)
	type curve struct {
		visit, point, now int
		cost              []float64
		more              [][]float64
	}
	var all []curve
	for i, v := range b.visits[:last+1] {
		for p, rows := range v.rows {
			s := b.sp.states[p/2]
			if rows == 0 || v.mass[p] <= notable || b.sp.complete(s) || b.closed(v, p/2, p%2 == 1) || !b.m.Stops[s.Stage].Allowed {
				continue
			}
			t := curve{visit: i, point: p, now: min(v.left[p], rows), cost: make([]float64, rows), more: table(len(c.slack), rows)}
			b.dearer(v, p, true, t.cost)
			all = append(all, t)
		}
	}
	// Costs are linear in the prices, so what a price of 1 adds is the chance.
	w := 0
	b.keep = true
	for i, v := range b.visits[:last+1] {
		if !v.bounded {
			continue
		}
		c.slack[w] = -(b.passesMore(v) + b.off[i])
		if i > 0 {
			v.price = 1
			b.backward()
		}
		for _, t := range all {
			to, u := t.more[w], b.visits[t.visit]
			switch {
			case t.visit == i:
				b.passDearer(v, t.point, to, 1)
			case t.visit < i:
				b.dearer(u, t.point, true, to)
				for k := range to {
					to[k] -= t.cost[k]
				}
			}
		}
		v.price = 0
		w++
	}
	b.keep = false
	for _, t := range all {
		if s := shifts(t.visit, t.point, t.now, t.cost, t.more); len(s) > 0 {
			c.at = append(c.at, s)
			c.now = append(c.now, t.now)
		}
	}
	return c
}

// shifts are the other thresholds at a point.
func shifts(visit, point, now int, cost []float64, more [][]float64) []shift {
	var out []shift
	add := func(left, sign int, last shift, k int) shift {
		s := shift{visit, point, left, last.cost + float64(sign)*cost[k], slices.Clone(last.more)}
		for w := range more {
			s.more[w] += float64(sign) * more[w][k]
		}
		return s
	}
	differs := func(k int) bool {
		return cost[k] != 0 || slices.ContainsFunc(more, func(m []float64) bool { return m[k] != 0 })
	}
	last := shift{more: make([]float64, len(more))}
	for left := now + 1; left <= len(cost); left++ {
		if differs(left - 1) {
			if last = add(left, 1, last, left-1); last.gains() {
				out = append(out, last)
			}
		}
	}
	last = shift{more: make([]float64, len(more))}
	for left := now - 1; left >= 0; left-- {
		if differs(left) {
			if last = add(left, -1, last, left); last.gains() {
				out = append(out, last)
			}
		}
	}
	return out
}

// gains reports whether a shift lowers the cost or a chance.
func (s shift) gains() bool {
	return s.cost < 0 || slices.ContainsFunc(s.more, func(m float64) bool { return m < 0 })
}

// combining looks for the combination of shifts, at most one at each point, that
// costs least while every visit keeps to the limit.
type combining struct {
	at    [][]shift // by point
	now   []int     // present threshold, by point
	slack []float64 // by bounded visit: chance still left; below 0 where it passes the limit too often
}

// chosen is one of the points' shifts beside each other, nil for none.
type chosen struct {
	cost float64
	more []float64
	of   []*shift
}

// best returns combinations of shifts of no more than so many minutes, best first.
func (c *combining) best(reach int, gain float64) [][]shift {
	at := make([][]*shift, len(c.at))
	for p, all := range c.at {
		for i := range all {
			if d := all[i].left - c.now[p]; max(d, -d) <= reach {
				at[p] = append(at[p], &all[i])
			}
		}
	}
	s := sorting{combining: c, at: at, prices: make([]float64, len(c.slack)), gain: gain, incumbent: math.Inf(1)}
	if !slices.ContainsFunc(c.slack, func(x float64) bool { return x < 0 }) {
		s.incumbent = -gain
	}
	s.bound()
	s.branch()
	var out [][]shift
	for i := len(s.found) - 1; i >= max(0, len(s.found)-mostTried); i-- {
		var shifts []shift
		for _, of := range s.found[i].of {
			if of != nil {
				shifts = append(shifts, *of)
			}
		}
		out = append(out, shifts)
	}
	return out
}

// sorting is one search among combinations.
type sorting struct {
	*combining
	at        [][]*shift
	prices    []float64 // by bounded visit: of a chance, at which the bound is highest
	gain      float64   // by how much another must be cheaper
	incumbent float64   // cost of the best combination so far
	found     []chosen  // each cheaper than the one before

	options [][]option // by point: shifts by their cost with the prices
	least   []float64  // by point: the least such cost of this and all later ones
	looked  int
	taken   []*shift
}

// option is a shift, nil for none, and its cost with the prices.
type option struct {
	of   *shift
	cost float64
}

func (s *sorting) priced(x *shift) float64 {
	cost := x.cost
	for w, p := range s.prices {
		cost += p * x.more[w]
	}
	return cost
}

// pick takes at each point what costs least with the prices.
func (s *sorting) pick() chosen {
	c := chosen{more: make([]float64, len(s.slack)), of: make([]*shift, len(s.at))}
	for p, all := range s.at {
		best, at := 0.0, (*shift)(nil)
		for _, x := range all {
			if d := s.priced(x); d < best {
				best, at = d, x
			}
		}
		if c.of[p] = at; at != nil {
			c.cost += at.cost
			for w := range c.more {
				c.more[w] += at.more[w]
			}
		}
	}
	return c
}

// note keeps a combination that is cheaper than the best so far.
func (s *sorting) note(c chosen) {
	for w, m := range c.more {
		if m > s.slack[w] {
			return
		}
	}
	if c.cost < s.incumbent {
		s.incumbent = c.cost
		s.found = append(s.found, chosen{c.cost, c.more, slices.Clone(c.of)})
	}
}

// bound finds prices with which the best combination costs most: one visit after
// the other, by bisection. What is picked on the way is noted.
func (s *sorting) bound() {
	for range 2 {
		for w := range s.prices {
			over := func(price float64) bool {
				s.prices[w] = price
				c := s.pick()
				s.note(c)
				return c.more[w] > s.slack[w]
			}
			lo, hi := 0.0, 1.0
			if !over(0) {
				continue
			}
			for hi < lastPrice && over(hi) {
				lo, hi = hi, 4*hi
			}
			for range 20 {
				if hi-lo < 1e-3*hi {
					break
				}
				if mid := (lo + hi) / 2; over(mid) {
					lo = mid
				} else {
					hi = mid
				}
			}
			s.prices[w] = hi
		}
	}
}

// branch goes through the combinations that may cost less than the best so far.
func (s *sorting) branch() {
	s.options, s.least = make([][]option, len(s.at)), make([]float64, len(s.at)+1)
	for p, all := range s.at {
		s.options[p] = append(s.options[p], option{})
		for _, x := range all {
			s.options[p] = append(s.options[p], option{x, s.priced(x)})
		}
		slices.SortStableFunc(s.options[p], func(a, b option) int { return cmp.Compare(a.cost, b.cost) })
	}
	// Points at which much is to be decided first.
	slices.SortStableFunc(s.options, func(a, b []option) int { return cmp.Compare(spread(a), spread(b)) })
	for p := len(s.at) - 1; p >= 0; p-- {
		s.least[p] = s.least[p+1] + s.options[p][0].cost
	}
	worth := 0.0
	for w, p := range s.prices {
		worth += p * s.slack[w]
	}
	s.taken = make([]*shift, len(s.at))
	s.from(0, chosen{more: make([]float64, len(s.slack)), of: s.taken}, -worth)
}

// spread is by how much the second option is dearer than the first.
func spread(o []option) float64 {
	if len(o) < 2 {
		return math.Inf(1)
	}
	return o[1].cost - o[0].cost
}

func (s *sorting) from(p int, c chosen, bound float64) {
	if p == len(s.options) {
		c.more = slices.Clone(c.more)
		s.note(c)
		return
	}
	for _, o := range s.options[p] {
		if s.looked++; s.looked > mostLooked || bound+o.cost+s.least[p+1] >= s.incumbent-s.gain {
			return
		}
		s.taken[p] = o.of
		next := c
		if o.of != nil {
			next.cost += o.of.cost
			next.more = slices.Clone(c.more)
			for w := range next.more {
				next.more[w] += o.of.more[w]
			}
		}
		s.from(p+1, next, bound+o.cost)
	}
}
