package visits

import (
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
			next := slices.Clone(plan)
			for _, s := range shifts {
				c := &next[s.visit]
				c.left = slices.Clone(c.left)
				c.left[s.point] = s.left
			}
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
	mostSteps  = 12 // before a plan is judged
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
