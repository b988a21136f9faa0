package visits

import (
	"fmt"
	"math"

	"github.com/visitwright/visitwright/planner/chairtime"
)

// Progress is what is known in the chair: the visits before, the pieces of work
// done in this one, and the piece that is running.
type Progress struct {
	Option  Option `json:"option"`  // the option under which the treatment runs
	Visit   int    `json:"visit"`   // number of the present visit, from 1
	Length  int    `json:"length"`  // its booked minutes
	Begin   State  `json:"begin"`   // state in which it began
	Earlier []Log  `json:"earlier"` // visits of this treatment before, as far as they are known
	// Done is the pieces of this visit that are over, in order: the opening first,
	// then one portion after another.
	Done []Piece `json:"done"`
	// Running is the minutes that the present piece has run so far; nil when the
	// clinician stands at a stopping point.
	Running *float64 `json:"running,omitempty"`
	// Lengths and Table are the plan that was accepted. With them later visits are
	// valued as planned; without, they are planned anew, which takes longer.
	Lengths []Length `json:"lengths,omitempty"`
	Table   []Entry  `json:"table,omitempty"`
}

// Log is what is known of a visit before.
type Log struct {
	Visit int     `json:"visit"`
	Begin State   `json:"begin"`
	Done  []Piece `json:"done"`
}

// Piece is a piece of work that is over: the opening of a visit (start and
// resumption) or a portion with the check before it.
type Piece struct {
	Minutes float64 `json:"minutes"` // as observed; compared after rounding to the nearest minute
	Found   int     `json:"found"`   // canals found in the portion
	Barred  bool    `json:"barred"`  // a BarsFilling event happened
}

// Answer is what follows from where the visit stands.
type Answer struct {
	State  State `json:"state"`  // at the last stopping point
	Barred bool  `json:"barred"` // filling is barred in this visit
	Used   int   `json:"used"`   // whole minutes used so far
	Left   int   `json:"left"`   // whole minutes left, 0 when the time is up

	// Canals is the belief about the number of canals now: Canals[n] for n.
	Canals []float64 `json:"canals"`
	// Pace is the expected factor on scaled minutes in this visit, 1 as planned.
	Pace float64 `json:"pace"`

	FinishToday float64        `json:"finish_today"` // odds of completing the treatment in this visit
	OnTime      float64        `json:"on_time"`      // odds that the visit ends within its length
	Overrun     float64        `json:"overrun"`      // expected minutes beyond it
	Minutes     chairtime.Dist `json:"minutes"`      // of the whole visit

	// Now is the choice that stands, when the clinician is at a stopping point
	// where one may be made.
	Now *Choice `json:"now,omitempty"`
	// Ahead is every stopping point that can still be met in this visit.
	Ahead []Point `json:"ahead"`
}

// Choice is going on against stopping, for one point.
type Choice struct {
	GoOn   bool    `json:"go_on"`
	GoCost float64 `json:"go_cost"` // expected cost from here, going on
	// StopCost is the expected cost from here, dressing now.
	StopCost float64 `json:"stop_cost"`
	// Latest is the last whole minute of the visit at which going on costs no more
	// than stopping; -1 when it never does.
	Latest int `json:"latest"`
}

// Point is a stopping point ahead.
type Point struct {
	State  State  `json:"state"`
	Barred bool   `json:"barred"`
	Stop   string `json:"stop"`
	// Reach is the odds of coming there when nobody stops before by choice.
	Reach float64 `json:"reach"`
	// InTime is the odds of coming there and ending there within the length.
	InTime float64 `json:"in_time"`
	// Latest is the last whole minute of the visit at which to go on from there;
	// -1 where the visit ends in any case, and the length where it always goes on.
	Latest int `json:"latest"`
}

// FromHere answers the question in the chair: given what is done, how long each
// piece took and how long the present one has run, what are the odds to finish,
// and until when is it worth going on? It returns a *FieldError for a model or a
// progress that does not fit it.
func FromHere(m Model, p Progress) (Answer, error) { return new(Solver).FromHere(m, p) }

// FromHere is the function FromHere with kernels kept.
func (s *Solver) FromHere(m Model, p Progress) (Answer, error) {
	matters := p.matters
	if !p.planned() { // what is planned anew is planned from the beginning
		matters = everything
	}
	return s.fromHere(m, p, matters)
}

// planned reports whether the plan that was accepted is given.
func (p Progress) planned() bool { return p.Table != nil || p.Lengths != nil }

// fromHere is FromHere with kernels for what matters.
func (s *Solver) fromHere(m Model, p Progress, matters func(*space) []bool) (Answer, error) {
	o := p.Option
	o.CaseNodes, o.VisitNodes, o.Lengths = 0, 0, nil
	chair := s.chairWith(p.planned())
	if err := Validate(m); err != nil { // before what does not fit it
		return Answer{}, err
	}
	if err := p.fits(m); err != nil {
		return Answer{}, err
	}
	r, err := chair.prepareWith(m, o, matters, func(r *run) error {
		r.findStarts()
		r.startAnywhere(matters(r.sp))
		if x, ok := r.sp.index[p.Begin]; ok {
			r.visits[p.Visit-1].starts[x] = true
		}
		r.findBeginnings(chair.shop, p.Visit)
		return nil
	})
	if err != nil {
		return Answer{}, err
	}
	defer r.free()
	r.reach = max(r.reach, p.Length)
	if p.planned() {
		if err := r.given(p.Lengths, p.Table); err != nil {
			return Answer{}, err
		}
		r.use(deciding)
		r.keep = true
		r.backwardFrom(p.Visit)
	} else {
		r.choose()
	}
	c := chairside{r: r, v: r.visits[p.Visit-1], p: p}
	c.later()
	if err := c.observe(); err != nil {
		return Answer{}, err
	}
	return c.answer(), nil
}

// chairWith is the solver of the question in the chair, with or without a plan.
func (s *Solver) chairWith(plan bool) *Solver {
	s.mu.Lock()
	defer s.mu.Unlock()
	which := &s.anew
	if plan {
		which = &s.chair
	}
	if *which == nil {
		*which = &Solver{answers: true, planned: plan}
	}
	return *which
}

// fits checks the visit and its length against the model.
func (p Progress) fits(m Model) error {
	if p.Visit < 1 || p.Visit > m.Horizon {
		return wrong("visit", "%d: want 1 to the horizon, %d", p.Visit, m.Horizon)
	}
	if p.Length < 1 || p.Length > m.Cap {
		return wrong("length", "%d: want 1 minute to the cap, %d", p.Length, m.Cap)
	}
	return nil
}

// chairside is the answering of one question.
type chairside struct {
	r *run
	v *visit
	p Progress

	at     int       // state at the last stopping point
	barred bool      // filling is barred
	used   float64   // minutes up to there
	weight []float64 // of each node, given what was observed
	// cases is the probability of each case node given the visits before, and next
	// the cost of not being complete after this visit, by state and case node.
	cases []float64
	next  [][]float64
}

// later takes what later visits cost from the nodes that decide to those that
// answer: it is smooth in the case, so a cubic through the nearest four is used.
func (c *chairside) later() {
	r := c.r
	at := r.ks.sets[deciding].values
	costs := make([][]float64, len(r.sp.states))
	for x := range costs {
		if r.rest[x] == nil || c.v.number < len(r.visits) && !r.begins(r.visits[c.v.number], x) {
			continue // no visit ends there
		}
		if c.v.number == len(r.visits) {
			costs[x] = append([]float64(nil), r.rest[x]...)
			continue
		}
		for _, value := range r.visits[c.v.number].value[x] {
			costs[x] = append(costs[x], r.m.Cost.Visit+value)
		}
	}
	r.use(answering)
	c.next = make([][]float64, len(costs))
	for x, row := range costs {
		if row == nil {
			continue
		}
		for _, value := range r.ks.sets[answering].values {
			c.next[x] = append(c.next[x], through(at, row, value))
		}
	}
}

// through is the value at x of the polynomial through the four points nearest to
// it, or all when there are fewer. xs rise.
func through(xs, ys []float64, x float64) float64 {
	lo := 0
	for lo+4 < len(xs) && math.Abs(xs[lo+4]-x) < math.Abs(xs[lo]-x) {
		lo++
	}
	xs, ys = xs[lo:min(lo+4, len(xs))], ys[lo:min(lo+4, len(ys))]
	total := 0.0
	for i := range xs {
		w := ys[i]
		for j := range xs {
			if j != i {
				w *= (x - xs[j]) / (xs[i] - xs[j])
			}
		}
		total += w
	}
	return total
}

// after is the cost of not being complete after this visit, by node: given a node,
// the case does not depend on anything else that happens in the visit.
func (c *chairside) after(x int) []float64 {
	r := c.r
	if c.next[x] == nil {
		return r.work.nothing
	}
	out := r.work.follows[:r.count()]
	for n := range out {
		out[n] = 0
		mass := 0.0
		for _, h := range r.node(n).shares {
			mass += c.cases[h.caseAt] * h.weight
		}
		for _, h := range r.node(n).shares {
			if mass > 0 {
				out[n] += c.cases[h.caseAt] * h.weight / mass * c.next[x][h.caseAt]
			}
		}
	}
	return out
}

// observe weighs the nodes by the likelihood of everything that is over.
func (c *chairside) observe() error {
	r := c.r
	cases := append([]float64(nil), r.set.cases...)
	for i, log := range c.p.Earlier {
		if log.Visit < 1 || log.Visit >= c.p.Visit {
			return wrong(fmt.Sprintf("earlier[%d].visit", i), "%d: want 1 to %d, a visit before the present one", log.Visit, c.p.Visit-1)
		}
		like, _, _, err := c.likelihood(fmt.Sprintf("earlier[%d]", i), r.visits[log.Visit-1], log.Begin, log.Done)
		if err != nil {
			return err
		}
		by := make([]float64, len(cases)) // the visit's own factor was drawn anew
		for n, l := range like {
			for _, h := range r.node(n).shares {
				by[h.caseAt] += h.weight * l
			}
		}
		for i := range cases {
			cases[i] *= by[i]
		}
	}
	like, at, barred, err := c.likelihood("", c.v, c.p.Begin, c.p.Done)
	if err != nil {
		return err
	}
	c.at, c.barred = at, barred
	for _, d := range c.p.Done {
		c.used += d.Minutes
	}
	c.weight = make([]float64, r.count())
	for n := range c.weight {
		for _, h := range r.node(n).shares {
			c.weight[n] += cases[h.caseAt] * h.weight * like[n]
		}
	}
	scaleTo(cases, 1)
	c.cases = cases
	scaleTo(c.weight, 1)
	return nil
}

// unlikely is the least likelihood of an observed time: one that no node
// explains says nothing about which node it was.
const unlikely = 1e-9

// likelihood returns the probability of the observed pieces of a visit, by node,
// and where they lead.
func (c *chairside) likelihood(field string, v *visit, begin State, done []Piece) (like []float64, at int, barred bool, err error) {
	r := c.r
	if field != "" {
		field += "."
	}
	at, ok := r.sp.index[begin]
	if !ok || r.sp.complete(begin) {
		return nil, 0, false, wrong(field+"begin", "%+v: want a state of this model in which a visit can begin", begin)
	}
	like = make([]float64, r.count())
	for n := range like {
		like[n] = 1
	}
	for i, d := range done {
		name := fmt.Sprintf("%sdone[%d]", field, i)
		if math.IsNaN(d.Minutes) || d.Minutes < 0 || d.Minutes > float64(r.m.Cap) {
			return nil, 0, false, wrong(name+".minutes", "%v: want 0 to the cap, %d", d.Minutes, r.m.Cap)
		}
		var pr pair
		var check *kernel
		to := at
		if i == 0 {
			if d.Found != 0 {
				return nil, 0, false, wrong(name+".found", "%d: want 0 in the opening of a visit", d.Found)
			}
			pr = r.opening(v, at)
		} else {
			move := -1
			for j, mv := range r.sp.moves[at] {
				if mv.found == d.Found && mv.prob > 0 {
					move, to = j, mv.to
				}
			}
			if move < 0 {
				return nil, 0, false, wrong(name+".found", "%d: want a number of canals that can be found from %+v", d.Found, r.sp.states[at])
			}
			pr, check = r.ks.portions[at][move], r.ks.checks[at]
		}
		k := pr.clear
		if d.Barred && pr.barred != nil {
			k = pr.barred
		} else if d.Barred && i > 0 && !r.ks.never {
			return nil, 0, false, wrong(name+".barred", "want false: no event of this portion bars filling")
		}
		if k == nil {
			k = pr.barred
		}
		minute := int(math.Floor(d.Minutes + 0.5))
		for n := range like {
			piece := r.dist(k, n)
			if check != nil && !check.none {
				piece = piece.Plus(r.dist(check, n), r.m.Cap)
			}
			like[n] *= max(piece.At(minute), unlikely)
		}
		scaleTo(like, float64(len(like))) // keeps far from underflow; only ratios count
		barred = (barred || d.Barred) && r.ks.bars[to]
		at = to
		if r.sp.complete(r.sp.states[at]) && i+1 < len(done) {
			return nil, 0, false, wrong(fmt.Sprintf("%sdone[%d]", field, i+1), "want nothing: the treatment is complete before it")
		}
	}
	return like, at, barred, nil
}

func scaleTo(v []float64, total float64) {
	s := sum(v)
	if s == 0 {
		return
	}
	for i := range v {
		v[i] *= total / s
	}
}

// ahead puts the measure that lies ahead into the lanes of the points that come
// next: over minutes used in the visit, by node.
func (c *chairside) ahead(put func(p, n, first int, cells []float64, q float64)) {
	used := int(math.Floor(c.used + 0.5))
	switch {
	case c.p.Running == nil && len(c.p.Done) > 1:
		for n, w := range c.weight {
			put(point(c.at, c.barred), n, used, []float64{1}, w)
		}
	case c.p.Running == nil && len(c.p.Done) == 1: // the first portion is begun without a choice
		for n, w := range c.weight {
			c.running(n, w, used, nil, put)
		}
	default:
		for n, w := range c.weight {
			elapsed := 0.0
			if c.p.Running != nil {
				elapsed = *c.p.Running
			}
			c.running(n, w, used, &elapsed, put)
		}
	}
}

// running carries one node's measure through the piece that has run for some
// minutes, given that it is not over. Survival is taken at the middle of the
// whole minute that has passed.
func (c *chairside) running(n int, w float64, used int, elapsed *float64, put func(p, n, first int, cells []float64, q float64)) {
	r := c.r
	over := -1
	if elapsed != nil {
		over = int(math.Floor(*elapsed + 0.5))
	}
	rest := func(d chairtime.Dist) (int, []float64) { // what is longer than the minutes run
		i := max(0, over+1-d.First)
		if i >= len(d.P) {
			return used + over + 1, nil
		}
		return used + d.First + i, d.P[i:]
	}
	if len(c.p.Done) == 0 { // the opening runs, and the first portion follows
		open := r.opening(c.v, c.at)
		for b, k := range [2]*kernel{open.clear, open.barred} {
			if k == nil {
				continue
			}
			first, cells := rest(r.dist(k, n))
			put(-1-point(c.at, b == 1), n, first, cells, w)
		}
		return
	}
	p := point(c.at, c.barred)
	if elapsed == nil {
		put(-1-p, n, used, []float64{1}, w)
		return
	}
	check := r.ks.checks[c.at]
	for _, e := range r.ks.edges[p] {
		d := r.dist(e.k, n)
		if check != nil && !check.none {
			d = d.Plus(r.dist(check, n), r.m.Cap)
		}
		first, cells := rest(d)
		put(e.to, n, first, cells, w*e.prob)
	}
}
