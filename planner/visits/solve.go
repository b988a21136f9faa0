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

// ErrTooShort says that no length on the grid holds the shortest visit.
var ErrTooShort = errors.New("no appointment length holds one portion of work")

// solve chooses lengths and thresholds and reports what follows.
func (r *run) solve() (Result, error) {
	if r.o.Bear.Minutes > 0 {
		return r.solveBounded()
	}
	sweeps := r.choose()
	if r.short != nil {
		return Result{}, r.short
	}
	return r.result(sweeps, r.followed()), nil
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

// followed follows the present plan on the nodes of the odds.
func (r *run) followed() []*outcome {
	r.use(odds)
	return r.follow()
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
