package visits

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"github.com/visitwright/visitwright/planner/chairtime"
)

// Numbers of quadrature nodes, chosen by the error measured in
// TestNodesAreEnough.
const (
	DefaultCaseNodes  = 5
	DefaultVisitNodes = 3
)

// maxSweeps bounds the sweeps; each lowers the cost, so it is met only by a
// fault.
const maxSweeps = 60

// ErrUnbearable says that no way of ending the visits early keeps to what the
// patient can bear.
var ErrUnbearable = errors.New("the patient cannot bear even the shortest visits")

// ErrTooShort says that no length on the grid holds the shortest visit.
var ErrTooShort = errors.New("no appointment length holds one portion of work")

// resolve fills in defaults and checks the option against the model.
func (o Option) resolve(m Model) (Option, error) {
	if o.EarliestCompletion == 0 {
		o.EarliestCompletion = 1
	}
	if o.EarliestCompletion < 1 || o.EarliestCompletion > m.Horizon {
		return o, wrong("earliest_completion", "%d: want 1 to the horizon, %d", o.EarliestCompletion, m.Horizon)
	}
	if o.BookedAhead == 0 {
		o.BookedAhead = o.EarliestCompletion
	}
	if o.BookedAhead < 1 || o.BookedAhead > m.Horizon {
		return o, wrong("booked_ahead", "%d: want 1 to the horizon, %d", o.BookedAhead, m.Horizon)
	}
	if len(o.Lengths) > o.BookedAhead {
		return o, wrong("lengths", "%d lengths: want at most %d, one for each visit booked ahead", len(o.Lengths), o.BookedAhead)
	}
	for i, l := range o.Lengths {
		if l < 0 || l > m.Cap {
			return o, wrong(fmt.Sprintf("lengths[%d]", i), "%d: want 1 to the cap, %d, or 0 to leave it open", l, m.Cap)
		}
	}
	if o.Bear != nil {
		c := checker{m: m}
		c.bear("bear", *o.Bear)
		if c.err != nil {
			return o, c.err
		}
		b := *o.Bear
		o.Bear = &b
	} else {
		b := m.Bear
		o.Bear = &b
	}
	if o.CaseNodes == 0 {
		o.CaseNodes = DefaultCaseNodes
	}
	if o.VisitNodes == 0 {
		o.VisitNodes = DefaultVisitNodes
	}
	if o.CaseNodes < 1 || o.CaseNodes > 64 || o.VisitNodes < 1 || o.VisitNodes > 64 {
		return o, wrong("case_nodes", "%d and %d: want 1 to 64 nodes", o.CaseNodes, o.VisitNodes)
	}
	o.Lengths = slices.Clone(o.Lengths)
	return o, nil
}

func (r *run) solve() (Result, error) {
	sweeps := r.settle()
	if err := r.bear(); err != nil {
		return Result{}, err
	}
	if err := r.holdAll(); err != nil {
		return Result{}, err
	}
	return r.result(sweeps)
}

func (r *run) holdAll() error {
	for _, v := range r.visits {
		if err := r.holds(v); err != nil {
			return err
		}
	}
	return nil
}

func micro(cost float64) int64 { return chairtime.Micro(cost) }

// settle sweeps backward and forward until nothing changes.
func (r *run) settle() int {
	r.backward(true)
	for sweep := 1; ; sweep++ {
		r.forward(false)
		if !r.backward(true) || sweep == maxSweeps {
			return sweep
		}
	}
}

// cost is the expected cost of the treatment under the values of the last
// backward pass.
func (r *run) cost() float64 {
	total := 0.0
	for _, b := range r.sp.begins() {
		x := r.sp.index[b.state]
		for c, w := range r.sp.caseWeight {
			total += b.prob * w * r.visits[0].value[x][c]
		}
	}
	return total
}

// bear keeps to what the patient can bear. No appointment is longer than the
// limit (see newRun), and where a visit still lasts longer too often, the least
// minutes that must be left to go on are raised for the whole visit, no further
// than needed.
func (r *run) bear() error {
	b := r.o.Bear
	if b.Minutes == 0 {
		return nil
	}
	excess := func(i int) float64 {
		o := r.forward(false)[i]
		return longerThan(o.minutes, b.Minutes) - b.Chance*o.happens
	}
	for i := 0; i < len(r.visits); i++ {
		v := r.visits[i]
		if excess(i) <= bearSlack {
			continue
		}
		lo, hi := v.floor, r.reach+1 // lo is too low; hi stops at every chance
		v.floor = hi
		r.settle()
		if excess(i) > bearSlack {
			return fmt.Errorf("visit %d: %w: want a limit above %d minutes or a chance above %v", v.number, ErrUnbearable, b.Minutes, b.Chance)
		}
		for hi-lo > 1 {
			v.floor = (lo + hi) / 2
			r.settle()
			if excess(i) > bearSlack {
				lo = v.floor
			} else {
				hi = v.floor
			}
		}
		v.floor = hi
		r.settle()
		i = -1 // what comes later also weighs on earlier choices: look again
	}
	return nil
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

// barrable marks the states that can be met with filling barred.
func (sp *space) barrable(ks *kernelSet) {
	sp.bars = make([]bool, len(sp.states))
	for x := range sp.states {
		if sp.complete(sp.states[x]) {
			continue
		}
		if ks.again[x].barred != nil || ks.first[x].barred != nil {
			sp.bars[x] = true
		}
	}
	for x := range sp.states {
		for j, mv := range sp.moves[x] {
			if ks.portions[x][j].barred != nil || sp.bars[x] {
				sp.bars[mv.to] = !sp.complete(sp.states[mv.to])
			}
		}
	}
}

// result reads the plan off the last passes.
func (r *run) result(sweeps int) (Result, error) {
	sp, m := r.sp, r.m
	outs := r.forward(true)
	res := Result{Option: r.o, Cost: r.cost(), CostMicro: chairtime.Micro(r.cost()),
		Numbers: Numbers{CaseNodes: r.o.CaseNodes, VisitNodes: r.o.VisitNodes, Sweeps: sweeps}}
	done := 0.0
	found := make([]float64, sp.most+1)
	foundDone := make([][]float64, sp.most+1)
	total := make([]float64, m.Cap+1)
	for i, v := range r.visits {
		o := outs[i]
		vis := Visit{Number: v.number, Happens: o.happens, BookedAhead: v.ahead}
		if o.happens > 0 {
			vis.Minutes = distOf(o.minutes, 1/o.happens)
			vis.Overrun, vis.Idle = o.overrun/o.happens, o.idle/o.happens
			if r.o.Bear.Minutes > 0 {
				vis.Longer = longerThan(o.minutes, r.o.Bear.Minutes) / o.happens
			}
			r.lengthOf(v, &vis)
		}
		for x := range sp.states {
			odds := sum(o.ends[x])
			if odds > 0 {
				vis.Ends = append(vis.Ends, End{State: sp.states[x], Stop: m.Stops[sp.states[x].Stage].ID, Odds: odds / o.happens})
			}
			finished := sp.complete(sp.states[x])
			if finished || i == len(r.visits)-1 {
				found[sp.states[x].Found] += odds
				for c := range o.total[x] {
					l := &o.total[x][c]
					for t, q := range l.cells() {
						total[l.lo+t] += q
					}
				}
			}
			if finished {
				if foundDone[sp.states[x].Found] == nil {
					foundDone[sp.states[x].Found] = make([]float64, m.Horizon)
				}
				foundDone[sp.states[x].Found][i] += odds
			}
		}
		slices.SortStableFunc(vis.Ends, func(a, b End) int {
			switch {
			case a.Odds > b.Odds:
				return -1
			case a.Odds < b.Odds:
				return 1
			}
			return 0
		})
		c := sum(o.complete)
		done += c
		res.Complete = append(res.Complete, done)
		res.ExpectedVisits += o.happens
		unused := c * float64(max(0, r.o.BookedAhead-v.number))
		res.ExpectedUnused += unused
		res.Parts.Overrun += m.Cost.Overrun * o.overrun
		res.Parts.Idle += m.Cost.Idle * o.idle
		if i > 0 {
			res.Parts.Visits += m.Cost.Visit * o.happens
		}
		res.Parts.Unused += m.Cost.Unused * unused
		for t, q := range o.minutes {
			res.Parts.Work += m.Cost.Work * q * float64(t)
		}
		res.Visits = append(res.Visits, vis)
		r.entries(v, o, &res)
	}
	last := outs[len(outs)-1]
	for x, row := range r.rest {
		for c, price := range row {
			res.Unfinished += last.ends[x][c]
			res.Parts.Unfinished += last.ends[x][c] * price
		}
	}
	res.Total = distOf(total, 1)
	res.Numbers.Lost = max(r.lost, r.ks.lost)
	one, err := r.oneGo()
	if err != nil {
		return Result{}, err
	}
	for f, odds := range found {
		if odds <= 0 {
			continue
		}
		c := CanalOutcome{Found: f, Odds: odds, OneGo: one[f], Complete: make([]float64, m.Horizon)}
		for i, q := range foundDone[f] {
			c.Complete[i] = q / odds
			if i > 0 {
				c.Complete[i] += c.Complete[i-1]
			}
		}
		res.Canals = append(res.Canals, c)
	}
	return res, nil
}

// lengthOf fills in the visit's length and what follows from it.
func (r *run) lengthOf(v *visit, vis *Visit) {
	best := 0.0
	least, mass := 0.0, 0.0
	for x, w := range v.weight {
		q := sum(w)
		if q > best {
			best, vis.Length = q, v.length[x]
		}
		for c, wc := range w {
			if wc > 0 {
				least += wc * v.least[x][c]
				mass += wc
			}
		}
	}
	vis.LeastMinutes = least / mass
	vis.Quantile = vis.Minutes.AtMost(vis.Length)
}

// holds reports a length that cannot hold the least visit.
func (r *run) holds(v *visit) error {
	short := func(length int, least, mass float64) error {
		if mass > leastMass && float64(length)*mass < least {
			return fmt.Errorf("visit %d of %d minutes: %w: want at least %d", v.number, length, ErrTooShort, int(math.Ceil(least/mass)))
		}
		return nil
	}
	least, mass, length := 0.0, 0.0, 0
	for x, w := range v.weight {
		l, q := 0.0, 0.0
		for c, wc := range w {
			if wc > 0 {
				l += wc * v.least[x][c]
				q += wc
			}
		}
		if q == 0 {
			continue
		}
		if !v.ahead {
			if err := short(v.length[x], l, q); err != nil {
				return err
			}
		}
		least, mass, length = least+l, mass+q, v.length[x]
	}
	if v.ahead {
		return short(length, least, mass)
	}
	return nil
}

// entries writes the visit's part of the table and its lengths.
func (r *run) entries(v *visit, o *outcome, res *Result) {
	for x, s := range r.sp.states {
		if v.value[x] != nil {
			res.Lengths = append(res.Lengths, Length{Visit: v.number, Begin: s, Minutes: v.length[x]})
		}
		if r.sp.complete(s) {
			continue
		}
		for b := range 2 {
			if b == 1 && !r.sp.bars[x] {
				continue
			}
			p := point(x, b == 1)
			e := Entry{Visit: v.number, State: s, Barred: b == 1, Stop: r.m.Stops[s.Stage].ID, Rule: Chosen, LeastLeft: v.left[p], Reached: o.reached[p]}
			switch {
			case r.closed(v, x, b == 1):
				e.Rule = MayNotBegin
			case !r.m.Stops[s.Stage].Allowed:
				e.Rule = NotAllowed
			}
			if e.Reached > 0 {
				e.GoOn = o.goes[p] / e.Reached
			}
			res.Table = append(res.Table, e)
		}
	}
}

// distOf cuts a measure over minutes from 0 to the range that holds it.
func distOf(p []float64, scale float64) chairtime.Dist {
	lo, hi := 0, len(p)
	for lo < hi && p[lo] == 0 {
		lo++
	}
	for hi > lo && p[hi-1] == 0 {
		hi--
	}
	d := chairtime.Dist{First: lo, P: make([]float64, hi-lo)}
	for i := range d.P {
		d.P[i] = p[lo+i] * scale
	}
	return d
}
