package visits

import (
	"slices"
	"sync"

	"github.com/visitwright/visitwright/planner/chairtime"
)

// work collects the content of a piece of work: sums on the fine lattice, whole
// fixed minutes, the steps that overlap with a contact, and the events that bar
// filling.
type work struct {
	w       *workshop
	r       recipe
	barring []barring
}

// barring is an event that bars filling.
type barring struct {
	prob    float64
	minutes Minutes
}

func (w *workshop) begin() *work { return &work{w: w, r: recipe{weight: 1}} }

// step adds one step's minutes, under the contact or beside it.
func (b *work) step(m Minutes, overlaps bool) {
	l := law{1, m.Median, m.LogSD}
	switch {
	case m.Scaled && overlaps:
		b.r.overScaled = b.w.plus(b.r.overScaled, l)
	case m.Scaled:
		b.r.scaled = b.w.plus(b.r.scaled, l)
	case m.LogSD == 0 && overlaps:
		b.r.overShift += m.Median
	case m.LogSD == 0:
		b.r.shift += m.Median
	case overlaps:
		b.r.overFixed = b.w.plus(b.r.overFixed, l)
	default:
		b.r.fixed = b.w.plus(b.r.fixed, l)
	}
}

// event adds one event.
func (b *work) event(e Event) {
	switch {
	case e.Probability == 0:
	case e.BarsFilling && !b.w.straight:
		b.barring = append(b.barring, barring{e.Probability, e.Minutes})
	default:
		b.maybe(&b.r, e.Probability, e.Minutes)
	}
}

func (b *work) maybe(r *recipe, p float64, m Minutes) {
	l := law{p, m.Median, m.LogSD}
	switch {
	case m.Scaled:
		r.scaled = b.w.plus(r.scaled, l)
	case m.LogSD == 0 && p == 1:
		r.shift += m.Median
	default:
		r.fixed = b.w.plus(r.fixed, l)
	}
}

// block adds a block: its Once part when once is set, and the PerCanal part for
// the given ranks. With catchUp only PerCanal steps and events count, without
// the contact.
func (b *work) block(bl Block, once bool, ranks []int, catchUp bool) {
	overlap := map[string]bool{}
	if bl.Contact > 0 && !catchUp && (once || len(ranks) > 0) {
		b.r.contact = bl.Contact
		for _, id := range bl.Overlaps {
			overlap[id] = true
		}
	}
	if once && !catchUp {
		for _, s := range bl.Once {
			b.step(s.Minutes, overlap[s.ID])
		}
		for _, e := range bl.Events {
			if !e.PerCanal {
				b.event(e)
			}
		}
	}
	for _, rank := range ranks {
		for _, s := range bl.PerCanal {
			b.step(Minutes{s.Medians[rank], s.LogSD, s.Scaled}, overlap[s.ID])
		}
		for _, e := range bl.Events {
			if e.PerCanal {
				b.event(e)
			}
		}
	}
}

// done returns the kernels of the work: the part in which filling stays
// possible and the part in which it is barred, nil when it cannot be.
func (b *work) done() (clear, barred *kernel) {
	none := 1.0
	for i, e := range b.barring {
		// The first barring event that happens is e: none before it, any after.
		r := b.r
		r.weight = none * e.prob
		b.maybe(&r, 1, e.minutes)
		for _, later := range b.barring[i+1:] {
			b.maybe(&r, later.prob, later.minutes)
		}
		if r.weight > 0 {
			barred = b.w.mix(barred, b.w.make(r))
		}
		none *= 1 - e.prob
	}
	if none == 0 {
		return nil, barred
	}
	r := b.r
	r.weight = none
	return b.w.make(r), barred
}

// kernelSet is every kernel of one model, by state, and how its points hang
// together.
type kernelSet struct {
	nodes []node
	sets  [purposes]nodeSet
	// first opens visit 1, again opens a later visit.
	first, again []pair
	portions     [][]pair // by state and move
	checks       []*kernel
	ends         []*kernel
	bars         []bool   // by state: can be met with filling barred while something is left to fill
	barrable     bool     // whether any event bars filling
	never        bool     // what bars filling does not count
	met          []bool   // by state: a portion leads there
	resumes      []bool   // by state: a later visit can begin there
	edges        [][]edge // by point: where a portion begun there leads
	passes       []bool   // by state: no visit can end there
	// joined is the same with portions joined where no visit can end between them,
	// and between the points that are passed that way; nil where nothing is joined.
	joined   [][]edge
	between  [][]passed
	straight [][]edge // by state: the same when barring does not count
	lost     float64

	once   sync.Once // guards oneGo and chance
	oneGo  []chairtime.Dist
	chance []float64
}

// pair is a piece of work by whether filling is barred afterwards.
type pair struct{ clear, barred *kernel }

// edge is one outcome of a portion.
type edge struct {
	k     *kernel
	prob  float64
	to    int     // point
	whole *kernel // where that completes the treatment: with the closing
}

// passed is a point that an edge passes on its way, with the probability that it
// does so.
type passed struct {
	point int
	prob  float64
}

// kernelsOf makes the kernels of a model's states; moves without probability
// have none, nor have portions that do not matter. With nil all matter.
func (w *workshop) kernelsOf(sp *space, matters []bool) *kernelSet {
	m := sp.m
	n := len(sp.states)
	ks := &kernelSet{nodes: w.nodes, sets: w.sets, first: make([]pair, n), again: make([]pair, n),
		portions: make([][]pair, n), checks: make([]*kernel, n), ends: make([]*kernel, n)}
	for i, s := range sp.states {
		ks.ends[i] = w.ending(m, s)
		if sp.complete(s) {
			continue
		}
		ks.first[i] = w.opening(m, s, m.Begin != State{})
		ks.again[i] = w.opening(m, s, true)
		ks.checks[i] = w.check(m, s)
		ks.portions[i] = make([]pair, len(sp.moves[i]))
		for j, mv := range sp.moves[i] {
			if mv.prob > 0 && (matters == nil || matters[i]) {
				ks.portions[i][j] = w.portion(sp, s, mv.found)
			}
		}
	}
	ks.findBarred(sp)
	for x := range sp.states {
		if !ks.bars[x] {
			ks.first[x] = pair{w.mix(ks.first[x].clear, ks.first[x].barred), nil}
			ks.again[x] = pair{w.mix(ks.again[x].clear, ks.again[x].barred), nil}
		}
	}
	ks.link(sp, w)
	ks.join(sp, w)
	ks.findLost()
	ks.resumes = make([]bool, n)
	for x, s := range sp.states {
		if sp.complete(s) {
			continue
		}
		// A visit ends in a state after a portion, or where the next may not begin.
		ks.resumes[x] = ks.met[x] || ks.checks[x] != nil || sp.fills[s.Stage]
	}
	return ks
}

// straightOf makes only the kernels that a treatment in one go needs; barring
// does not count there.
func (w *workshop) straightOf(sp *space) *kernelSet {
	w.straight = true
	n := len(sp.states)
	ks := &kernelSet{nodes: w.nodes, sets: w.sets, first: make([]pair, n), checks: make([]*kernel, n), ends: make([]*kernel, n), straight: make([][]edge, n)}
	for _, b := range sp.entry {
		x := sp.index[b.state]
		ks.first[x] = w.opening(sp.m, b.state, sp.m.Begin != State{})
	}
	for x, s := range sp.states {
		if sp.complete(s) {
			ks.ends[x] = w.ending(sp.m, s)
			continue
		}
		ks.checks[x] = w.check(sp.m, s)
		for _, mv := range sp.moves[x] {
			if mv.prob > 0 {
				p := w.portion(sp, s, mv.found)
				ks.straight[x] = append(ks.straight[x], edge{k: p.clear, prob: mv.prob, to: mv.to})
			}
		}
	}
	ks.findLost()
	return ks
}

// findLost takes the greatest loss of all kernels.
func (ks *kernelSet) findLost() {
	note := func(all ...*kernel) {
		for _, k := range all {
			if k != nil {
				ks.lost = max(ks.lost, k.lost)
			}
		}
	}
	for x := range ks.ends {
		note(ks.ends[x], ks.checks[x], ks.first[x].clear, ks.first[x].barred)
	}
	for _, p := range ks.again {
		note(p.clear, p.barred)
	}
	for _, all := range [][][]edge{ks.edges, ks.joined, ks.straight} {
		for _, es := range all {
			for _, e := range es {
				note(e.k, e.whole)
			}
		}
	}
}

// ending is the end of a visit at the state's stop.
func (w *workshop) ending(m Model, s State) *kernel {
	b := w.begin()
	b.block(m.Stops[s.Stage].End, true, ranks(0, s.Found), false)
	k, _ := b.done()
	return k
}

// check is the check of the gate before the state's next portion, nil for none.
func (w *workshop) check(m Model, s State) *kernel {
	g := m.Stages[s.Stage].Gate
	if g == nil || s.Canal > 0 {
		return nil
	}
	b := w.begin()
	b.step(g.Check, false)
	k, _ := b.done()
	return k
}

// findBarred marks the states that can be met with filling barred while something
// is left to fill: where nothing is, barring no longer counts.
func (ks *kernelSet) findBarred(sp *space) {
	ks.bars = make([]bool, len(sp.states))
	last := 0
	for i, f := range sp.fills {
		if f {
			last = i
		}
	}
	for x, s := range sp.states {
		if s.Stage <= last && (ks.again[x].barred != nil || ks.first[x].barred != nil) {
			ks.bars[x] = true
		}
	}
	ks.met = make([]bool, len(sp.states))
	for x := range sp.states {
		ks.barrable = ks.barrable || ks.again[x].barred != nil
		for _, mv := range sp.moves[x] {
			ks.met[mv.to] = true
			bars := mv.prob > 0 && sp.mayBar(sp.states[x], mv.found)
			ks.barrable = ks.barrable || bars
			if sp.states[mv.to].Stage <= last && (bars || ks.bars[x]) {
				ks.bars[mv.to] = true
			}
		}
	}
}

func (ks *kernelSet) link(sp *space, w *workshop) {
	ks.edges = make([][]edge, 2*len(sp.states))
	ks.straight = make([][]edge, len(sp.states))
	for x := range sp.states {
		for j, mv := range sp.moves[x] {
			p := ks.portions[x][j]
			if p == (pair{}) {
				continue
			}
			ks.straight[x] = append(ks.straight[x], edge{k: w.mix(p.clear, p.barred), prob: mv.prob, to: mv.to})
			barred := point(mv.to, ks.bars[mv.to])
			if !ks.bars[mv.to] || p.barred == nil { // one outcome only
				if all := w.mix(p.clear, p.barred); all != nil {
					ks.edges[point(x, false)] = append(ks.edges[point(x, false)], edge{k: all, prob: mv.prob, to: point(mv.to, false)})
				}
			} else {
				if p.clear != nil {
					ks.edges[point(x, false)] = append(ks.edges[point(x, false)], edge{k: p.clear, prob: mv.prob, to: point(mv.to, false)})
				}
				ks.edges[point(x, false)] = append(ks.edges[point(x, false)], edge{k: p.barred, prob: mv.prob, to: barred})
			}
			if ks.bars[x] {
				if all := w.mix(p.clear, p.barred); all != nil {
					ks.edges[point(x, true)] = append(ks.edges[point(x, true)], edge{k: all, prob: mv.prob, to: barred})
				}
			}
		}
	}
}

// join joins the portions before and after a stop at which no visit can end: not
// allowed, without a check, and with nothing to fill next.
func (ks *kernelSet) join(sp *space, w *workshop) {
	ks.passes = make([]bool, len(sp.states))
	for x, s := range sp.states {
		ks.passes[x] = !sp.complete(s) && !sp.m.Stops[s.Stage].Allowed && ks.checks[x] == nil && !sp.fills[s.Stage]
	}
	if w.chair { // there a visit may stand anywhere
		return
	}
	ks.joined, ks.between = slices.Clone(ks.edges), make([][]passed, len(ks.edges))
	for p := len(ks.edges) - 1; p >= 0; p-- {
		if !ks.met[p/2] {
			continue // only a visit begins there, see beginnings
		}
		var out []edge
		for _, e := range ks.edges[p] {
			x := e.to / 2
			if sp.complete(sp.states[x]) {
				e.whole = w.inTurn(e.k, ks.ends[x])
			}
			if !ks.passes[x] {
				out = append(out, e)
				continue
			}
			through := e.prob * e.k.mass
			ks.between[p] = append(ks.between[p], passed{e.to, through})
			for _, b := range ks.between[e.to] {
				ks.between[p] = append(ks.between[p], passed{b.point, through * b.prob})
			}
			for _, on := range ks.joined[e.to] {
				j := edge{k: w.inTurn(e.k, on.k), prob: e.prob * on.prob, to: on.to}
				if on.whole != nil {
					j.whole = w.inTurn(e.k, on.whole)
				}
				out = append(out, j)
			}
		}
		ks.joined[p] = out
	}
}

// opening is the start of a visit with or without the resumption of a stop.
// Each block may have its own contact, so they are made apart and added.
func (w *workshop) opening(m Model, s State, resumes bool) pair {
	b := w.begin()
	b.block(m.Start, true, nil, false)
	resume := m.Stops[s.Stage].Resume
	if !resumes {
		clear, barred := b.done()
		return pair{clear, barred}
	}
	if m.Start.Contact == 0 || resume.Contact == 0 {
		b.block(resume, true, ranks(0, s.Found), false)
		clear, barred := b.done()
		return pair{clear, barred}
	}
	c1, b1 := b.done()
	b = w.begin()
	b.block(resume, true, ranks(0, s.Found), false)
	c2, b2 := b.done()
	return pair{w.plusKernel(c1, c2), w.mix(w.mix(w.plusKernel(c1, b2), w.plusKernel(b1, c2)), w.plusKernel(b1, b2))}
}

// portion is the work of the next portion when it finds that many canals.
func (w *workshop) portion(sp *space, s State, found int) pair {
	m, stage := sp.m, sp.m.Stages[s.Stage]
	b := w.begin()
	if sp.splits(s) {
		b.block(stage.Work, s.Canal == 0, ranks(s.Canal, s.Canal+1), false)
	} else {
		b.block(stage.Work, true, ranks(0, s.Found+found), false)
	}
	if s.Stage != sp.locates {
		for _, rank := range ranks(s.Found, s.Found+found) {
			for i := 0; i < s.Stage; i++ {
				b.block(m.Stages[i].Work, false, []int{rank}, true)
			}
		}
	}
	clear, barred := b.done()
	return pair{clear, barred}
}

// mayBar reports whether an event of that portion can bar filling.
func (sp *space) mayBar(s State, found int) bool {
	bars := func(b Block, once, each bool) bool {
		return slices.ContainsFunc(b.Events, func(e Event) bool {
			return e.BarsFilling && e.Probability > 0 && (e.PerCanal && each || !e.PerCanal && once)
		})
	}
	stage := sp.m.Stages[s.Stage].Work
	if sp.splits(s) {
		if bars(stage, s.Canal == 0, true) {
			return true
		}
	} else if bars(stage, true, s.Found+found > 0) {
		return true
	}
	if s.Stage != sp.locates && found > 0 { // the catch-up of the canals found
		for _, before := range sp.m.Stages[:s.Stage] {
			if bars(before.Work, false, true) {
				return true
			}
		}
	}
	return false
}

func ranks(from, to int) []int {
	var out []int
	for r := from; r < to; r++ {
		out = append(out, r)
	}
	return out
}
