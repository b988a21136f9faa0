package visits

import (
	"errors"
	"fmt"
	"math"

	"github.com/visitwright/visitwright/planner/chairtime"
)

// maxSweeps bounds the sweeps; each lowers the cost, so it is met only by a
// fault.
const maxSweeps = 60

// ErrUnbearable says that no way of ending the visits early keeps to what the
// patient can bear.
var ErrUnbearable = errors.New("the patient cannot bear even the shortest visits")

// ErrTooShort says that no length on the grid holds the shortest visit.
var ErrTooShort = errors.New("no appointment length holds one portion of work")

// solve chooses lengths and thresholds and reports what follows.
func (r *run) solve() (Result, error) {
	sweeps := r.choose()
	outs := r.followed()
	if r.o.Bear.Minutes == 0 || r.bearable(outs) {
		if r.short != nil {
			return Result{}, r.short
		}
		return r.result(sweeps, outs), nil
	}
	// Two ways of keeping to what the patient can bear go together: stopping earlier
	// and booking shorter. Ever shorter appointments are tried until one needs no
	best, err := r.raised(sweeps, outs)
	for len(r.grid) > 1 {
		r.grid = r.grid[:len(r.grid)-1]
		for _, v := range r.visits {
			v.floor = 0
			clear(v.length)
			clear(v.left)
		}
		sweeps = r.choose()
		if r.short != nil {
			break
		}
		outs = r.followed()
		enough := r.bearable(outs)
		var next Result
		var nextErr error
		if enough {
			next = r.result(sweeps, outs)
		} else {
			next, nextErr = r.raised(sweeps, outs)
		}
		if nextErr == nil && (err != nil || next.CostMicro < best.CostMicro) {
			best, err = next, nil
		}
		if enough {
			break
		}
	}
	return best, err
}

// choose finds lengths and thresholds: a first guess on few nodes over every
// length, then on the nodes that decide.
func (r *run) choose() int {
	r.use(scouting)
	r.first = r.firstLook()
	r.forced = true
	r.backward()
	r.asPlanned()
	r.together()
	r.worth = firstWorth
	for sweep := 1; sweep <= maxSweeps; sweep++ {
		if r.sweep() {
			break
		}
	}
	r.worth = worthwhile
	r.use(deciding)
	return r.settle()
}

// firstLook is the lengths with which the search begins: up to the one that holds
// nine in ten treatments in one go. Where a longer one is better, the search goes
// on from there.
func (r *run) firstLook() []int {
	by, odds := r.straight()
	for i, l := range r.grid {
		held := 0.0
		for f, d := range by {
			held += odds[f] * d.AtMost(l)
		}
		if held >= 0.9 {
			return r.grid[:i+1]
		}
	}
	return r.grid
}

// settle sweeps forward and backward until the cost falls no more.
func (r *run) settle() int {
	for sweep := 1; ; sweep++ {
		if r.sweep() && !r.jointly() || sweep == maxSweeps {
			r.last = true
			r.backward()
			r.last = false
			r.short = r.holdAll()
			return sweep
		}
	}
}

// sweep goes forward and backward once and reports whether no choice was worth
// making.
func (r *run) sweep() bool {
	r.moved = false
	r.forward()
	return !r.backward() && !r.moved
}

// excess is by how much a visit (from 0) lasts longer than the patient can bear
// more often than allowed.
func (r *run) excess(outs []*outcome, i int) float64 {
	b := r.o.Bear
	return longerThan(outs[i].minutes, b.Minutes) - b.Chance*outs[i].happens
}

func (r *run) bearable(outs []*outcome) bool {
	for i := range outs {
		if r.excess(outs, i) > bearSlack {
			return false
		}
	}
	return true
}

// raised raises the least minutes that must be left to go on, for every visit that
// would last too long too often, no further than needed. (No appointment is longer
// than the limit in any case, see newRun.)
func (r *run) raised(sweeps int, outs []*outcome) (Result, error) {
	raise := func(v *visit, floor int) {
		v.floor = floor
		r.use(deciding)
		for i := range r.visits { // thresholds below the floor are lifted at once
			for p, left := range r.visits[i].left {
				if r.m.Stops[r.sp.states[p/2].Stage].Allowed {
					r.visits[i].left[p] = max(left, r.visits[i].floor)
				}
			}
		}
		r.backward()
		r.settle()
		outs = r.followed()
	}
	for i := 0; i < len(r.visits); i++ {
		v := r.visits[i]
		if r.excess(outs, i) <= bearSlack {
			continue
		}
		lo, hi := v.floor, r.reach+1 // lo is too low; hi stops at every chance
		raise(v, hi)
		if r.excess(outs, i) > bearSlack {
			return Result{}, fmt.Errorf("visit %d: %w: want a limit above %d minutes or a chance above %v", v.number, ErrUnbearable, r.o.Bear.Minutes, r.o.Bear.Chance)
		}
		for hi-lo > 1 {
			raise(v, (lo+hi)/2)
			if r.excess(outs, i) > bearSlack {
				lo = v.floor
			} else {
				hi = v.floor
			}
		}
		raise(v, hi)
		i = -1 // what comes later also weighs on earlier choices: look again
	}
	if r.short != nil {
		return Result{}, r.short
	}
	return r.result(sweeps, outs), nil
}

// followed follows the present plan on the nodes of the odds.
func (r *run) followed() []*outcome {
	r.use(odds)
	return r.follow()
}

// bearSlack is the rounding allowed in the comparison with the patient's limit.
const bearSlack = 1e-12

func longerThan(minutes []float64, limit int) float64 {
	s := 0.0
	for t := len(minutes) - 1; t > limit; t-- {
		s += minutes[t]
	}
	return s
}

// holdAll reports the first visit with a length that cannot hold the least visit,
// in the mean over how the visit begins.
func (r *run) holdAll() error {
	short := func(v *visit, length int, least float64) error {
		if float64(length) < least {
			return fmt.Errorf("visit %d of %d minutes: %w: want at least %d", v.number, length, ErrTooShort, int(math.Ceil(least)))
		}
		return nil
	}
	for _, v := range r.visits {
		least, mass, length := 0.0, 0.0, 0
		for x, w := range v.weight {
			q := sum(w)
			if q <= leastMass {
				continue
			}
			if !v.ahead {
				if err := short(v, v.length[x], v.least[x]); err != nil {
					return err
				}
			}
			least, mass, length = least+q*v.least[x], mass+q, v.length[x]
		}
		if v.ahead && mass > 0 {
			if err := short(v, length, least/mass); err != nil {
				return err
			}
		}
	}
	return nil
}

func micro(cost float64) int64 { return chairtime.Micro(cost) }
