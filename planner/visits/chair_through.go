package visits

import (
	"math"
	"slices"

	"github.com/visitwright/visitwright/planner/chairtime"
)

// ToTheEnd answers a part of the question in the chair: the minutes of the whole
// present visit if it goes on to the end of the model's stages, whatever that costs.
// Nobody stops before, every gate is passed and nothing bars filling. It asks
// neither for a plan nor for a price, so Option, Lengths and Table do not count. It
// returns a *FieldError for a model or a progress that does not fit it.
func (s *Solver) ToTheEnd(m Model, p Progress) (chairtime.Dist, error) {
	if err := Validate(m); err != nil {
		return chairtime.Dist{}, err
	}
	if err := p.fits(m); err != nil {
		return chairtime.Dist{}, err
	}
	o, err := Option{}.resolve(m)
	if err != nil {
		return chairtime.Dist{}, err
	}
	sp := newSpace(m)
	sp.enumerate()
	r := newRun(sp, s.wayOf(sp, p), o)
	defer r.free()
	r.set = r.ks.sets[odds]
	c := chairside{r: r, v: r.visits[p.Visit-1], p: p}
	if err := c.observe(); err != nil {
		return chairtime.Dist{}, err
	}
	return c.toTheEnd(), nil
}

// wayOf returns the kernels that the way to the end needs. Those of all ways of a
// visit are kept apart from those of plans: they are made on the nodes that answer
// alone, and what costs depend on is left out.
func (s *Solver) wayOf(sp *space, p Progress) *kernelSet {
	s.mu.Lock()
	defer s.mu.Unlock()
	key := shopKey{factor: sp.m.Factor, cap: sp.m.Cap}
	if s.way == nil || s.wayKey != key || len(s.way.kernels) > keepKernels {
		s.wayKey, s.way = key, newWorkshop(sp.m.Factor, sp.m.Cap, nodeCounts{}, new(scratch))
	}
	return s.way.onwardOf(sp, p)
}

// onwardOf makes only the kernels of what was done and of what lies ahead.
func (w *workshop) onwardOf(sp *space, p Progress) *kernelSet {
	w.straight = true
	n := len(sp.states)
	ks := &kernelSet{never: true, nodes: w.nodes, sets: w.sets, first: make([]pair, n), again: make([]pair, n), portions: make([][]pair, n),
		checks: make([]*kernel, n), ends: make([]*kernel, n), bars: make([]bool, n), edges: make([][]edge, 2*n), straight: make([][]edge, n)}
	for _, l := range append(slices.Clone(p.Earlier), Log{p.Visit, p.Begin, p.Done}) {
		if x, ok := sp.index[l.Begin]; ok && !sp.complete(l.Begin) {
			if l.Visit == 1 {
				ks.first[x] = w.opening(sp.m, l.Begin, sp.m.Begin != State{})
			} else {
				ks.again[x] = w.opening(sp.m, l.Begin, true)
			}
		}
	}
	need := p.matters(sp)
	for x, s := range sp.states {
		switch {
		case !need[x]:
		case sp.complete(s):
			ks.ends[x] = w.ending(sp.m, s)
		default:
			ks.checks[x] = w.check(sp.m, s)
			ks.portions[x] = make([]pair, len(sp.moves[x]))
			for j, mv := range sp.moves[x] {
				if mv.prob > 0 {
					k := w.portion(sp, s, mv.found)
					ks.portions[x][j] = k
					ks.straight[x] = append(ks.straight[x], edge{k: k.clear, prob: mv.prob, to: mv.to})
					ks.edges[2*x] = append(ks.edges[2*x], edge{k: k.clear, prob: mv.prob, to: 2 * mv.to})
				}
			}
		}
	}
	return ks
}

// matters reports of each state whether what is done there matters: it was observed,
// or it lies ahead.
func (p Progress) matters(sp *space) []bool {
	out := make([]bool, len(sp.states))
	for _, l := range p.Earlier {
		sp.passed(l.Begin, l.Done, out)
	}
	if at := sp.passed(p.Begin, p.Done, out); at >= 0 {
		ahead := sp.ahead(at)
		for x := range out {
			out[x] = out[x] || ahead[x]
		}
	}
	return out
}

// passed marks the states in which portions that are over began, and returns the
// state reached, -1 where they do not fit.
func (sp *space) passed(begin State, done []Piece, marks []bool) int {
	x, ok := sp.index[begin]
	if !ok || sp.complete(begin) {
		return -1
	}
	for _, d := range done[min(1, len(done)):] { // the opening leads nowhere
		marks[x] = true
		j := slices.IndexFunc(sp.moves[x], func(mv move) bool { return mv.found == d.Found && mv.prob > 0 })
		if j < 0 {
			return -1
		}
		x = sp.moves[x][j].to
	}
	return x
}

// ahead reports which states can be met from one on, itself among them.
func (sp *space) ahead(at int) []bool {
	out := make([]bool, len(sp.states))
	out[at] = true
	for x := at; x < len(out); x++ {
		for _, mv := range sp.moves[x] {
			out[mv.to] = out[mv.to] || out[x] && mv.prob > 0
		}
	}
	return out
}

// toTheEnd follows the measure that lies ahead through everything that is left.
func (c *chairside) toTheEnd() chairtime.Dist {
	r := c.r
	if r.sp.complete(r.sp.states[c.at]) {
		return chairtime.Exactly(c.now())
	}
	at := r.mem.grid(len(r.sp.states), r.count())
	c.inject(func(p, n, first int, cells []float64, q float64) {
		if p < 0 { // begun without a choice
			p = -1 - p
		}
		at[p/2][n].add(first, cells, q)
	})
	all := &r.mem.grid(1, 1)[0][0]
	r.throughout(at, func(State) *lane { return all })
	r.lost = max(r.lost, all.settle(r.m.Cap))
	return distOf(all.p[:all.hi], 1)
}

// now is the whole minutes used so far.
func (c *chairside) now() int {
	now := c.used
	if c.p.Running != nil {
		now += *c.p.Running
	}
	return int(math.Floor(now + 0.5))
}
