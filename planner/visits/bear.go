package visits

import (
	"errors"
	"fmt"
	"slices"
)

// ErrUnbearable says that no way of ending the visits early keeps to what the
// patient can bear.
var ErrUnbearable = errors.New("the patient cannot bear even the shortest visits")

// solveBounded chooses lengths and thresholds that keep to what the patient can
// bear. (No appointment is longer than the limit in any case, see newRun.)
//
// Two ways of keeping to it go together: stopping earlier and booking shorter. For
// ever shorter longest appointments the best plan without the limit is sought; it
// costs no more than any plan with the limit, so the search ends where it costs
// more than the cheapest found, or where twice in a row nothing was gained. In
// between, the plan is bounded by floors.
func (r *run) solveBounded() (Result, error) {
	var best Result
	var err error
	found := false
	for worse := 0; worse < 2; {
		sweeps := r.choose()
		if r.short != nil {
			if !found && err == nil {
				err = r.short
			}
			break
		}
		outs := r.followed()
		res := r.result(sweeps, outs)
		if found && res.CostMicro >= best.CostMicro {
			break
		}
		if r.bearable(outs) {
			best, found = res, true // and a shorter one may turn out cheaper yet
		} else {
			res, bounded := r.bounded()
			switch {
			case bounded != nil && err == nil:
				err = bounded
			case bounded == nil && (!found || res.CostMicro < best.CostMicro):
				best, found, worse = res, true, 0
			case bounded == nil:
				worse++
			}
		}
		if len(r.grid) == 1 {
			break
		}
		r.grid = r.grid[:len(r.grid)-1]
		for _, v := range r.visits {
			v.floor = 0
			clear(v.length)
			clear(v.left)
		}
	}
	if !found {
		return Result{}, err
	}
	return best, nil
}

// bounded raises the least minutes that must be left to go on, no further than
// needed: in one visit after the other, and in all alike and then in each back as
// far as the limit allows. The cheaper of both counts.
func (r *run) bounded() (Result, error) {
	b := bounding{run: r, free: r.snapshot(), most: max(r.grid[len(r.grid)-1], slices.Max(append(r.o.Lengths, 0))) + 1}
	err := b.upwards()
	b.downwards()
	if b.best == nil {
		return Result{}, err
	}
	b.around()
	b.anew()
	r.restore(b.best)
	return r.result(b.sweeps, r.followed()), nil
}

// bounding is the search for floors.
type bounding struct {
	*run
	free []choices // the plan without the limit
	most int       // floor that stops at every chance

	best   []choices // the cheapest plan that keeps to the limit, nil for none
	floors []int     // its floors
	cost   float64
	sweeps int
}

// from chooses the plan for the floors, beginning with another plan.
func (b *bounding) from(plan []choices, floors []int) []*outcome {
	return b.judge(b.under(plan, floors))
}

// under is from without following the plan.
func (b *bounding) under(plan []choices, floors []int) int {
	b.restore(plan)
	for i, v := range b.visits {
		v.floor = floors[i]
	}
	b.use(deciding)
	b.lift()
	return b.settle()
}

// judge follows the present plan and keeps it when it is the cheapest so far.
func (b *bounding) judge(sweeps int) []*outcome {
	cost := b.expected()
	outs := b.followed()
	if b.short == nil && (b.best == nil || cost < b.cost-worthwhile) && b.bearable(outs) {
		b.best, b.cost, b.sweeps = b.snapshot(), cost, sweeps
		b.floors = b.floors[:0]
		for _, v := range b.visits {
			b.floors = append(b.floors, v.floor)
		}
	}
	return outs
}

// upwards raises the floor of the first visit that lasts too long too often, and
// looks again.
func (b *bounding) upwards() error {
	floors := make([]int, len(b.visits))
	outs := b.from(b.free, floors)
	for i := 0; i < len(b.visits); i++ {
		if b.excess(outs, i) <= bearSlack {
			continue
		}
		lo, hi := floors[i], b.most // lo is too low
		for floors[i] = hi; ; floors[i] = (lo + hi) / 2 {
			outs = b.from(b.free, floors)
			switch borne := b.excess(outs, i) <= bearSlack; {
			case borne:
				hi = floors[i]
			case floors[i] == b.most:
				return fmt.Errorf("visit %d: %w: want a limit above %d minutes or a chance above %v", i+1, ErrUnbearable, b.o.Bear.Minutes, b.o.Bear.Chance)
			default:
				lo = floors[i]
			}
			if hi-lo <= 1 {
				break
			}
		}
		floors[i] = hi
		outs = b.from(b.free, floors)
		i = -1 // what comes later also weighs on earlier choices
	}
	return b.short
}

// downwards comes down from plans that stop at every chance. Each is sought from
// the last one that kept to the limit, so a looser limit leads farther along the
// same way.
func (b *bounding) downwards() {
	floors := make([]int, len(b.visits))
	plan := b.free
	try := func(set func(floor int), floor int) bool {
		set(floor)
		outs := b.from(plan, floors)
		if b.short != nil || !b.bearable(outs) {
			return false
		}
		plan = b.snapshot()
		return true
	}
	// down finds the least floor that is borne, between one that is not and one that is.
	down := func(set func(floor int), lo, hi int) int {
		for hi-lo > 1 {
			if mid := (lo + hi) / 2; try(set, mid) {
				hi = mid
			} else {
				lo = mid
			}
		}
		return hi
	}
	all := func(floor int) {
		for i := range floors {
			floors[i] = floor
		}
	}
	if !try(all, b.most) {
		return
	}
	common := down(all, 0, b.most)
	all(common)
	for i := len(floors) - 1; i >= 0; i-- {
		one := func(floor int) { floors[i] = floor }
		if !try(one, 0) {
			floors[i] = down(one, 0, common)
		}
	}
}

// around tries floors beside those found: a visit keeps to the limit more often
// under a higher floor as a rule, and not always, since lengths follow.
func (b *bounding) around() {
	for i := range b.visits {
		found := slices.Clone(b.floors)
		if found[i] == 0 {
			continue
		}
		for _, by := range []int{-3, -1, 1, 3} {
			floors := slices.Clone(found)
			floors[i] = max(0, floors[i]+by)
			if n := b.under(b.best, floors); b.expected() < b.cost-worthwhile {
				b.judge(n)
			}
		}
	}
}

// anew searches once more from the beginning for lengths and thresholds that go
// with the floors found.
func (b *bounding) anew() {
	for i, v := range b.visits {
		v.floor = b.floors[i]
		clear(v.length)
		clear(v.left)
	}
	b.judge(b.choose())
}

// lift raises every threshold to its visit's floor.
func (r *run) lift() {
	for _, v := range r.visits {
		for p := range v.left {
			if s := r.sp.states[p/2]; !r.sp.complete(s) && r.m.Stops[s.Stage].Allowed {
				v.left[p] = max(v.left[p], v.floor)
			}
		}
	}
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

// bearSlack is the rounding allowed in the comparison with the patient's limit.
const bearSlack = 1e-12

func longerThan(minutes []float64, limit int) float64 {
	s := 0.0
	for t := len(minutes) - 1; t > limit; t-- {
		s += minutes[t]
	}
	return s
}
