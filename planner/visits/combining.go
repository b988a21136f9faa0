package visits

import (
	"cmp"
	"math"
	"slices"
)

// combining looks for the combination of shifts, at most one at each point, that
// costs least while every visit keeps to the limit.
type combining struct {
	at    [][]shift // by point
	now   []int     // present threshold, by point
	slack []float64 // by bounded visit: chance still left; below 0 where it passes the limit too often
}

const (
	mostTried  = 2    // combinations that are looked at as they are
	mostLooked = 3000 // that are added up
)

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
