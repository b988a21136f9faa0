package visits

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// ErrUnbearable says that no way of ending the visits early keeps to what the
// patient can bear.
var ErrUnbearable = errors.New("the patient cannot bear even the shortest visits")

// solveBounded chooses lengths and thresholds that keep to what the patient can
// bear.
//
// The best plan without the limit is sought first, over all lengths or else over
// those up to the limit: no appointment may be longer. Where it passes the limit too
// often in a visit, passing gets a price, just high enough (see bounding). Then other
// lengths are tried, and the way back from plans for a tighter limit.
func (r *run) solveBounded() (Result, error) {
	b := r.newBounding()
	defer b.judge.free()
	sweeps := r.choose()
	if r.short != nil || !r.within() {
		r.grid = upTo(r.grid, r.o.Bear.Minutes)
		for _, v := range r.visits {
			clear(v.length)
			clear(v.left)
		}
		if sweeps = r.choose(); r.short != nil {
			return Result{}, r.short
		}
	}
	r.grid = upTo(r.grid, r.o.Bear.Minutes)
	b.judged(sweeps)
	b.slowly()
	r.worth = boundWorth
	if b.best == nil {
		b.borne()
	}
	b.budget = fartherWork
	b.lengthsBeside()
	b.fromTighter()
	if b.best == nil {
		return Result{}, b.why
	}
	return b.answer(), nil
}

// slowly sweeps once more with lengths for the slowest cases where no visit begins,
// since those would be the first to come there.
func (b *bounding) slowly() {
	b.slow = true
	sweeps := b.settle()
	b.judged(sweeps)
}

// within reports whether no visit that may happen has a length beyond the limit,
// but for those asked for.
func (r *run) within() bool {
	for _, v := range r.visits {
		for x, l := range v.length {
			if v.fixed == 0 && r.begins(v, x) && l > max(r.o.Bear.Minutes, r.grid[0]) {
				return false
			}
		}
	}
	return true
}

// fromTighter searches again from plans for a chance that the cheapest plan so far
// does not keep to: they may lead to where the search has not been.
func (b *bounding) fromTighter() {
	if b.best == nil {
		return
	}
	limit := *b.o.Bear
	for _, part := range [2]float64{0.6, 0.25} {
		if b.budget <= 0 {
			return
		}
		best, cost, here, sweeps, prices := b.best, b.cost, b.here, b.sweeps, slices.Clone(b.prices)
		b.again()
		chance := 0.0
		for i, v := range b.visits {
			v.bounded, v.price, b.off[i] = false, 0, 0
		}
		b.judged(sweeps)
		for i, m := range b.more {
			if q := b.happens[i]; q > seldom {
				chance = max(chance, m/q+limit.Chance)
			}
		}
		b.o.Bear.Chance = part * chance
		b.best = nil
		b.judged(sweeps)
		found := b.best == nil && b.borne()
		plan := b.best
		*b.o.Bear = limit
		b.best, b.cost, b.here, b.sweeps, b.prices = best, cost, here, sweeps, prices
		if !found || plan == nil {
			continue
		}
		b.restore(plan)
		for i, v := range b.visits {
			v.price, b.off[i] = 0, 0
		}
		b.settled()
		if b.gap() && b.cost < cost-b.gain {
			b.lengthsBeside()
		}
	}
}

// seldom is the chance below which a visit is not looked at for that.
const seldom = 0.01

// upTo is the lengths up to a limit; the shortest in any case.
func upTo(lengths []int, limit int) []int {
	n := 1
	for n < len(lengths) && lengths[n] <= limit {
		n++
	}
	return lengths[:n]
}

// bounding is the search for a plan that keeps to the limit.
//
// With a price on passing the limit beyond the chance allowed, the plan that costs
// least in all costs less than any other that passes it no more often. The price
// that a visit needs is the one at which two such plans cost the same, one that keeps
// to the limit and one that does not. Between those two others may keep to the limit
// and cost less (see gap).
type bounding struct {
	*run
	judge *run // follows plans on the nodes of the odds

	best    []choices // the cheapest plan that keeps to the limit, nil for none
	cost    float64   // its cost
	here    float64   // the same on the nodes that decide
	sweeps  int
	prices  []float64 // with which it was found
	off     []float64 // by visit: by how much the limit is passed more often on the nodes of the odds than on those that decide
	more    []float64 // by visit: how much too often the plan judged last passes it
	happens []float64 // by visit
	why     error     // there is none
	gain    float64   // what a change must gain to be made
	unit    int       // work of a sweep: states times nodes
	budget  int       // work that may still be spent on looking farther
}

func (r *run) newBounding() *bounding {
	j := newRun(r.sp, r.ks, r.o)
	for i, v := range j.visits {
		v.starts, v.beginnings = r.visits[i].starts, r.visits[i].beginnings
	}
	j.lost = r.lost
	n := len(r.visits)
	// Where the nodes of the odds are others than those that decide, smaller gains
	// are not to be told from the difference.
	gain := 1e-3
	if d, o := r.ks.sets[deciding], r.ks.sets[odds]; d.lo == o.lo {
		gain = 1e-7
	}
	return &bounding{run: r, judge: j, gain: gain, why: ErrUnbearable,
		unit:   len(r.sp.states) * (r.ks.sets[deciding].hi - r.ks.sets[deciding].lo),
		prices: make([]float64, n), off: make([]float64, n), more: make([]float64, n), happens: make([]float64, n)}
}

// judged follows the present plan, and keeps it when it is the cheapest so far that
// keeps to the limit.
func (b *bounding) judged(sweeps int) {
	j := b.judge
	b.budget -= 4 * b.unit
	plan := b.snapshot()
	outs := b.watch(plan)
	borne := true
	for i := range outs {
		b.more[i], b.happens[i] = j.excess(outs, i), outs[i].happens
		borne = borne && b.more[i] <= bearSlack
	}
	cost := j.parts(outs).sum()
	if short := b.holdAll(); short != nil {
		b.why = short
		return
	}
	if borne && (b.best == nil || cost < b.cost) {
		b.best, b.cost, b.sweeps, b.here = plan, cost, sweeps, b.costHere()
		for i, v := range b.visits {
			b.prices[i] = v.price
		}
	}
}

// costHere is the cost of the present plan on the nodes that decide, without the
// prices.
func (b *bounding) costHere() float64 {
	cost := b.expected()
	for _, v := range b.visits {
		if v.bounded {
			cost -= v.price * b.passesMore(v)
		}
	}
	return cost
}

// answer is what follows from the cheapest plan.
func (b *bounding) answer() Result {
	return b.judge.result(b.sweeps, b.watch(b.best))
}

// watch follows a plan on the nodes of the odds.
func (b *bounding) watch(plan []choices) []*outcome {
	b.judge.restore(plan)
	return b.judge.followed()
}

// borne leaves a plan that keeps to the limit, beside which none is cheaper, and
// reports whether there is one.
func (b *bounding) borne() bool {
	for range mostRounds {
		if !b.pricedAll() {
			return false
		}
		if b.gap() {
			return true
		}
	}
	b.why = fmt.Errorf("%w: want a limit above %d minutes or a chance above %v", ErrUnbearable, b.o.Bear.Minutes, b.o.Bear.Chance)
	return false
}

const (
	boundWorth = 1e-5 // minutes of work: what a sweep must gain while a price is sought
	firstPrice = 32.0 // minutes of work: where the search for a price begins
	lastPrice  = 1e7  // a price at which nothing else counts
	mostRounds = 5
	// fartherWork is how much work is spent on looking beside the first plan found.
	// It is counted, not timed, so that the same tooth gets the same plan; a small
	// tooth is looked at from all sides.
	fartherWork = 10_000
)

// pricedAll finds prices at which every visit keeps to the limit, or nearly. It
// reports whether there are some.
func (b *bounding) pricedAll() bool {
	for range 2 {
		priced := 0
		for i, v := range b.visits {
			if !v.bounded && b.more[i] > bearSlack || v.bounded && b.passesMore(v)+b.off[i] > 0 {
				priced++
				if !b.price(i) {
					return false
				}
			}
		}
		if priced < 2 {
			break
		}
	}
	return true
}

// adjusted learns from the plan judged last how much more often the limit is passed
// than on the nodes that decide, and reports whether that plan keeps to it.
func (b *bounding) adjusted() bool {
	borne := true
	for i := range b.visits {
		borne = borne && b.more[i] <= bearSlack
	}
	for i, v := range b.visits {
		if v.bounded {
			off := b.more[i] - b.passesMore(v)
			if !borne {
				off = max(off, b.off[i])
			}
			b.off[i] = off + bearSlack
		}
	}
	return borne
}

// price finds the least price at which visit i (from 0) keeps to the limit, with
// the other prices as they are, and leaves the plan for it. It reports whether
// there is one.
func (b *bounding) price(i int) bool {
	v := b.visits[i]
	at := func(price float64) priced {
		v.price, v.bounded = price, true
		b.settled()
		p := priced{price: price, more: b.passesMore(v) + b.off[i]}
		p.cost = b.expected() - price*b.passesMore(v)
		return p
	}
	guess, by := firstPrice, 4.0
	if v.price > 0 {
		guess, by = v.price, 1.25
	}
	first := at(guess)
	over, under, borne := first, first, b.snapshot()
	for under.more > 0 {
		if guess > lastPrice {
			b.why = fmt.Errorf("visit %d: %w: want a limit above %d minutes or a chance above %v", i+1, ErrUnbearable, b.o.Bear.Minutes, b.o.Bear.Chance)
			return false
		}
		guess, by = by*guess, by*by
		over, under = under, at(guess)
		borne = b.snapshot()
	}
	for guess, by = first.price, 1.25; over.more <= 0 && over.price > 0; by *= by {
		under, borne = over, b.snapshot()
		if guess /= by; by > 100 {
			guess = 0
		}
		over = at(guess)
	}
	if over.more <= 0 {
		under, borne = over, b.snapshot()
	}
	// Where both plans cost the same, the price included, a third may cost less; if
	// none does, no price tells them apart.
	for tries := 0; tries < 30 && over.more > 0; tries++ {
		price := (under.cost - over.cost) / (over.more - under.more)
		if !(price > over.price && price < under.price) {
			break
		}
		next := at(price)
		if next.cost+price*next.more > under.cost+price*under.more-b.worth {
			break
		}
		if next.more > 0 {
			over = next
		} else {
			under, borne = next, b.snapshot()
		}
	}
	v.price = under.price
	b.present(borne)
	return true
}

// priced is what a price leads to: how much too often the limit is passed, and what
// the plan costs but for this price.
type priced struct{ price, more, cost float64 }

// settled sweeps until no choice is worth making.
func (b *bounding) settled() {
	at := math.Inf(1)
	for range maxSweeps {
		still := b.sweep()
		b.budget -= b.unit
		cost := b.expected()
		if still || cost > at-boundWorth {
			return
		}
		at = cost
	}
}

// present makes a plan the present one and works out its costs.
func (b *bounding) present(plan []choices) {
	b.restore(plan)
	b.budget -= b.unit
	b.keep = true
	b.forward()
	b.backward()
	b.keep = false
}

// excess is by how much a visit (from 0) lasts longer than the patient can bear
// more often than allowed.
func (r *run) excess(outs []*outcome, i int) float64 {
	b := r.o.Bear
	return longerThan(outs[i].minutes, b.Minutes) - b.Chance*outs[i].happens
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
