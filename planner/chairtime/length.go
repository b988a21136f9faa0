package chairtime

import (
	"fmt"
	"math"
)

// Grid is a set of appointment lengths: Least, Least+Step, ... up to Most.
type Grid struct{ Least, Most, Step int }

// Length is a choice on a grid.
type Length struct {
	Minutes  int
	Cost     float64 // expected cost, in units of one minute's work
	Overrun  float64 // expected minutes beyond the length
	Idle     float64 // expected minutes not filled
	Quantile float64 // probability of at most Minutes: the quantile that the choice implies
}

// Micro is a cost in whole millionths, in which costs are compared so that
// decisions do not flip on the last bits.
func Micro(cost float64) int64 { return int64(math.Round(cost * 1e6)) }

// BestLength returns the length on the grid with the least expected cost of
// overrun and idle minutes, compared in millionths, ties to the shorter.
func (d Dist) BestLength(g Grid, overrun, idle float64) (Length, error) {
	if g.Step < 1 || g.Least < 1 || g.Most < g.Least {
		return Length{}, fmt.Errorf("grid of lengths from %d to %d by %d: want 1 <= least <= most and a step of 1 or more", g.Least, g.Most, g.Step)
	}
	if !(overrun >= 0) || !(idle >= 0) {
		return Length{}, fmt.Errorf("cost of overrun %v and idle %v a minute: want 0 or more", overrun, idle)
	}
	best := Length{}
	for l := g.Least; l <= g.Most; l += g.Step {
		over, idl := d.Overrun(l), d.Idle(l)
		cost := overrun*over + idle*idl
		if best.Minutes == 0 || Micro(cost) < Micro(best.Cost) {
			best = Length{Minutes: l, Cost: cost, Overrun: over, Idle: idl}
		}
	}
	best.Quantile = d.AtMost(best.Minutes)
	return best, nil
}
