package visits

import (
	"math"

	"github.com/visitwright/visitwright/planner/chairtime"
)

// perMinute is the number of cells a minute on which the steps of a block are
// added before the sum is put on whole minutes.
const perMinute = 4

// node is one value of the two shared factors together.
type node struct {
	value  float64 // log factor, case and visit together
	prior  float64 // probability
	shares []share // by which cases it is met
}

// share says that a node is met in a visit of one case node with a probability.
type share struct {
	caseAt int
	weight float64 // of the visit node, given the case node
}

// nodeSet is a quadrature over both factors: the nodes lo to hi-1 of a workshop.
type nodeSet struct {
	lo, hi int
	cases  []float64 // probability of each case node
	values []float64 // log factor of each case node
	visits int       // visit nodes
}

// purposes of a node set
const (
	scouting  = iota // a first guess of lengths and thresholds
	deciding         // lengths and thresholds
	odds             // everything that is reported
	answering        // the question in the chair: as odds, with costs
	purposes
)

// nodeCounts is how many nodes each factor gets for deciding and for the odds.
type nodeCounts struct {
	decideCase, decideVisit, oddsCase, oddsVisit int

	chair   bool // costs are wanted on the nodes of the odds too
	planned bool // lengths and thresholds are given: no first guess is made
}

// deciding is the case nodes on which lengths and thresholds are chosen: equally
// spaced unless their number was asked for, since few of those see more of where
// costs bend than Gauss-Hermite nodes do.
func (c nodeCounts) deciding(sd float64) []chairtime.Node {
	switch {
	case c.oddsCase > 0:
		return chairtime.Nodes(sd, c.decideCase)
	case c.decideCase < 5:
		return chairtime.Even(sd, c.decideCase, 1.2)
	}
	return chairtime.Even(sd, c.decideCase, 1.1)
}

// kernel is the distribution of a piece of work's minutes, for every node. It
// may be a part of a distribution: the part in which filling was not barred.
type kernel struct {
	at   []chairtime.Dist
	mass float64   // the same at every node, but for rounding
	mean []float64 // of minutes, times mass
	// tail[n][r] and over[n][r] are the probability of more than r minutes and the
	// expected minutes beyond r, for the nodes that decide; both are 0 from the end
	// of the slices on.
	tail, over [][]float64
	none       bool    // certainly takes no time
	lost       float64 // greatest probability in an outermost cell instead of its own
	first      int     // least minutes, at the nodes that decide
}

// workshop makes kernels from steps and keeps them: the same steps in the same
// order are convolved once, whatever belief, costs or lengths go with them.
type workshop struct {
	cap   int
	sets  [purposes]nodeSet
	nodes []node
	scale []float64 // exp of each node's value
	lost  float64   // of the kernel being made

	space  *chairtime.Convolver
	buffer [3][]float64 // cells of a distribution, of a sum with it, and of what is added
	cells  *arena

	straight bool // barring does not count
	costed   int  // nodes that have tables for costs
	coarse   int  // nodes on which nothing is reported, the first ones

	laws    map[law]int
	lawFine []chairtime.Fine
	sums    map[[2]int]int // sum and law to the sum with the law added
	sumFine []chairtime.Fine
	excess  []*chairtime.Excess
	kernels map[recipe]*kernel
	mixes   map[mixKey]*kernel
	turns   map[mixKey]*kernel
	chair   bool
}

// law is one duration on the fine lattice: lognormal, added with a probability.
type law struct{ prob, median, logSD float64 }

// recipe is the content of a kernel without barring events.
type recipe struct {
	scaled, fixed         int // sums
	shift                 float64
	overScaled, overFixed int
	overShift, contact    float64
	weight                float64
}

// mixKey is a kernel made of two: their sum, or one after the other.
type mixKey struct{ a, b *kernel }

func newWorkshop(f Factor, cap int, c nodeCounts, s *scratch) *workshop {
	w := &workshop{cap: cap, space: &s.convolver, cells: &s.cells,
		laws: map[law]int{}, sums: map[[2]int]int{}, kernels: map[recipe]*kernel{}, mixes: map[mixKey]*kernel{}, turns: map[mixKey]*kernel{}, chair: c.chair}
	if c.decideVisit > 0 {
		if !c.planned {
			w.sets[scouting] = w.product(chairtime.Nodes(f.CaseLogSD, min(c.decideCase, 3)), chairtime.Nodes(0, 1))
		}
		w.sets[deciding] = w.product(c.deciding(f.CaseLogSD), chairtime.Nodes(f.VisitLogSD, c.decideVisit))
	}
	switch {
	case c.decideVisit > 0 && c.oddsCase == c.decideCase && c.oddsVisit == c.decideVisit:
		w.sets[odds] = w.sets[deciding]
	case c.oddsCase > 0:
		w.sets[odds] = w.product(chairtime.Nodes(f.CaseLogSD, c.oddsCase), chairtime.Nodes(f.VisitLogSD, c.oddsVisit))
	default:
		w.sets[odds] = w.lattice(f)
	}
	w.sets[answering] = w.sets[odds]
	w.costed = w.sets[deciding].hi
	w.coarse = w.sets[odds].lo
	if c.chair {
		w.costed = len(w.nodes)
	}
	for i := range w.buffer {
		w.buffer[i] = w.cells.take(2*cap + 2)
	}
	w.addSum(chairtime.FineExactly(0, perMinute)) // sum 0: no time
	return w
}

// product adds every combination of case and visit nodes.
func (w *workshop) product(cases, visits []chairtime.Node) nodeSet {
	set := nodeSet{lo: len(w.nodes), visits: len(visits)}
	for i, c := range cases {
		set.cases, set.values = append(set.cases, c.Weight), append(set.values, c.Value)
		for _, v := range visits {
			w.addNode(node{value: c.Value + v.Value, prior: c.Weight * v.Weight, shares: []share{{i, v.Weight}}})
		}
	}
	set.hi = len(w.nodes)
	return set
}

func (w *workshop) addNode(n node) {
	w.nodes = append(w.nodes, n)
	w.scale = append(w.scale, math.Exp(n.value))
}

// widest is the greatest spacing of equally spaced nodes, in standard deviations
// of either factor. For a normal density the rule with spacing h sd is wrong by
// about 2 exp(-2 pi^2/h^2) only: 2e-7 at 1.1.
//
// farthest is their greatest spacing on the log scale. A visit's minutes given the
// factors vary by an eighth or more, and nodes much farther apart than that show
// as waves in their sum.
const (
	widest   = 1.1
	farthest = 0.18
)

// spaced is equally spaced nodes of one factor alone.
func spaced(sd float64) []chairtime.Node {
	return chairtime.Spaced(sd, min(0.9*sd, farthest))
}

// lattice adds nodes for both factors that are multiples of one spacing. The work
// of a visit depends on the sum of both, and on a lattice many combinations have
// the same sum. The spacing is that of the three Gauss-Hermite nodes of the visit,
// or a whole part of it; a visit with a greater spread has equally spaced nodes.
func (w *workshop) lattice(f Factor) nodeSet {
	switch {
	case f.CaseLogSD == 0:
		return w.product(chairtime.Nodes(0, 1), spaced(f.VisitLogSD))
	case f.VisitLogSD == 0:
		return w.product(spaced(f.CaseLogSD), chairtime.Nodes(0, 1))
	}
	const threeUpTo = 0.12
	visit := chairtime.Nodes(f.VisitLogSD, 3)
	step, stride := visit[2].Value, 1
	if f.VisitLogSD > threeUpTo {
		step = min(widest*min(f.CaseLogSD, f.VisitLogSD), farthest)
		visit = chairtime.Spaced(f.VisitLogSD, step)
	} else if parts := math.Ceil(step / min(widest*f.CaseLogSD, farthest)); parts > 1 {
		step /= parts
		stride = int(parts)
	}
	cases := chairtime.Spaced(f.CaseLogSD, step)
	set := nodeSet{lo: len(w.nodes), visits: len(visit)}
	half := len(cases)/2 + stride*(len(visit)/2)
	nodes := make([]node, 2*half+1)
	for i, c := range cases {
		set.cases, set.values = append(set.cases, c.Weight), append(set.values, c.Value)
		for j, v := range visit {
			at := &nodes[half+(i-len(cases)/2)+stride*(j-len(visit)/2)]
			at.prior += c.Weight * v.Weight
			at.shares = append(at.shares, share{i, v.Weight})
		}
	}
	for i, n := range nodes {
		if len(n.shares) == 0 {
			continue
		}
		n.value = float64(i-half) * step
		w.addNode(n)
	}
	set.hi = len(w.nodes)
	return set
}

func (w *workshop) addSum(f chairtime.Fine) int {
	w.sumFine = append(w.sumFine, f)
	w.excess = append(w.excess, nil)
	return len(w.sumFine) - 1
}

// plus returns the sum with one more law added.
func (w *workshop) plus(sum int, l law) int {
	if l.prob == 0 || l.median == 0 {
		return sum
	}
	id, ok := w.laws[l]
	if !ok {
		id = len(w.lawFine)
		w.lawFine = append(w.lawFine, chairtime.FineMaybe(w.space, l.prob, chairtime.Lognormal{Median: l.median, LogSD: l.logSD}, perMinute))
		w.laws[l] = id
	}
	key := [2]int{sum, id}
	next, ok := w.sums[key]
	if !ok {
		next = w.addSum(w.sumFine[sum].PlusWith(w.space, w.lawFine[id]))
		w.sums[key] = next
	}
	return next
}

func (w *workshop) excessOf(sum int) *chairtime.Excess {
	if w.excess[sum] == nil {
		f := w.sumFine[sum]
		e := f.ExcessIn(w.cells.take(len(f.P)))
		w.excess[sum] = &e
	}
	return w.excess[sum]
}

// make returns the kernel of a recipe.
func (w *workshop) make(r recipe) *kernel {
	if k, ok := w.kernels[r]; ok {
		return k
	}
	k := &kernel{at: make([]chairtime.Dist, len(w.nodes))}
	var fixed chairtime.Dist
	if r.fixed != 0 {
		fixed = w.excessOf(r.fixed).Minutes(1, 0, w.cap)
	}
	for n, scale := range w.scale {
		tail := w.tail(n) / 4 // of each part
		d := w.excessOf(r.scaled).MinutesIn(w.buffer[0], scale, r.shift+r.contact, w.cap, tail)
		if r.fixed != 0 {
			d = w.sum(d, fixed, tail)
		}
		if r.contact > 0 {
			d = w.sum(d, w.beyondContact(r, scale, tail), tail)
		}
		k.at[n] = w.trim(d, n)
		if r.weight != 1 {
			for i := range k.at[n].P {
				k.at[n].P[i] *= r.weight
			}
		}
	}
	k.lost, w.lost = w.lost, 0
	w.finish(k)
	w.kernels[r] = k
	return k
}

// choosingTail is the probability cut from either side of a kernel at nodes on
// which lengths and thresholds are chosen and nothing is reported. A plan chosen
// with it costs as much as one chosen without, to a part in a million.
const choosingTail = 1e-4

// sum is the distribution of two durations one after the other. It lies in one of
// the buffers, as the first may.
func (w *workshop) sum(a, b chairtime.Dist, tail float64) chairtime.Dist {
	d := a.PlusIn(w.space, w.buffer[1], b, w.cap, tail)
	w.buffer[0], w.buffer[1] = w.buffer[1], w.buffer[0]
	return d
}

// tail is the probability cut from either side of a node's kernel: 1e-8 in all,
// counting the node's own weight, and never more than a hundred thousandth.
func (w *workshop) tail(n int) float64 {
	if n < w.coarse {
		return choosingTail
	}
	return min(1e-8/w.nodes[n].prior, 1e-5)
}

// trim returns a copy of a node's kernel without its ends. What lay there stays in
// the outermost cells and is reported.
func (w *workshop) trim(d chairtime.Dist, n int) chairtime.Dist {
	d = d.TrimIn(w.tail(n))
	if n >= w.coarse {
		w.lost = max(w.lost, d.Lost*w.nodes[n].prior)
	}
	d.P = w.cells.keep(d.P)
	return d
}

// beyondContact is the distribution of max(overlapping work - contact, 0): what
// the work adds to the contact that runs anyway.
func (w *workshop) beyondContact(r recipe, scale, tail float64) chairtime.Dist {
	e := w.excessOf(r.overScaled)
	if r.overFixed == 0 {
		return e.MinutesIn(w.buffer[2], scale, r.overShift-r.contact, w.cap, tail)
	}
	// Both kinds of work are added before the contact is taken off, so they stay on
	// the fine lattice until then.
	return w.sumFine[r.overFixed].Beyond(w.space, w.buffer[2], *e, scale, r.contact-r.overShift, w.cap, tail)
}

// mix returns the sum of two kernels; nil stands for none.
func (w *workshop) mix(a, b *kernel) *kernel {
	if a == nil {
		return b
	}
	if b == nil {
		return a
	}
	if k, ok := w.mixes[mixKey{a, b}]; ok {
		return k
	}
	k := &kernel{at: make([]chairtime.Dist, len(w.nodes))}
	for n := range k.at {
		k.at[n] = chairtime.Mix(chairtime.Part{Weight: 1, Dist: a.at[n]}, chairtime.Part{Weight: 1, Dist: b.at[n]})
	}
	k.lost = max(a.lost, b.lost)
	w.finish(k)
	w.mixes[mixKey{a, b}] = k
	return k
}

// plusKernel returns the kernel of two pieces of work one after the other.
func (w *workshop) plusKernel(a, b *kernel) *kernel {
	if a == nil || b == nil {
		return nil
	}
	return w.plusAt(a, b, len(w.nodes))
}

// plusAt is plusKernel at the first nodes only.
func (w *workshop) plusAt(a, b *kernel, nodes int) *kernel {
	k := &kernel{at: make([]chairtime.Dist, nodes)}
	for n := range k.at {
		k.at[n] = w.trim(w.sum(a.at[n], b.at[n], w.tail(n)/4), n)
	}
	k.lost, w.lost = max(a.lost, b.lost, w.lost), 0
	w.finish(k)
	return k
}

// inTurn returns the kernel of two pieces of work one after the other, kept. For
// the question in the chair it holds the nodes that decide only: what comes later
// is valued there and not followed.
func (w *workshop) inTurn(a, b *kernel) *kernel {
	k, ok := w.turns[mixKey{a, b}]
	if !ok {
		nodes := len(w.nodes)
		if w.chair {
			nodes = w.sets[deciding].hi
		}
		k = w.plusAt(a, b, nodes)
		w.turns[mixKey{a, b}] = k
	}
	return k
}

// finish computes what is read from a kernel over and over.
func (w *workshop) finish(k *kernel) {
	k.mass = k.at[0].Mass()
	k.none = true
	for _, d := range k.at {
		k.none = k.none && d.First == 0 && len(d.P) == 1
	}
	if w.straight {
		return // nothing but the distributions is read
	}
	k.mean = make([]float64, len(k.at))
	tables := min(w.costed, len(k.at))
	k.tail, k.over = make([][]float64, tables), make([][]float64, tables)
	total := 0
	for _, d := range k.at[:tables] {
		total += d.Last() + 1
	}
	slab := w.cells.take(2 * total)
	k.first = k.at[0].First
	for _, d := range k.at[:tables] {
		k.first = min(k.first, d.First)
	}
	for n, d := range k.at {
		if n >= tables {
			k.mean[n] = d.Moment()
			continue
		}
		size := d.Last() + 1
		tail, over := slab[:size:size], slab[size:2*size:2*size]
		slab = slab[2*size:]
		survival, beyond := 0.0, 0.0
		for r := size - 1; r >= d.First; r-- {
			beyond += survival
			tail[r], over[r] = survival, beyond
			survival += d.P[r-d.First]
		}
		for r := d.First - 1; r >= 0; r-- {
			beyond += survival
			tail[r], over[r] = survival, beyond
		}
		k.mean[n] = beyond // expected minutes beyond 0
		k.tail[n], k.over[n] = tail, over
	}
}
