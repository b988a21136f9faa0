package visits

import "github.com/visitwright/visitwright/planner/chairtime"

// run is the solving of one option: the kernels, what the option fixes, and for
// each visit the lengths and thresholds found so far.
type run struct {
	sp     *space
	ks     *kernelSet
	m      Model
	o      Option
	reach  int    // the longest length: more minutes are never left
	grid   []int  // lengths to choose from
	first  []int  // those with which the search begins
	wide   bool   // all of those are looked at, for the first visit
	look   *visit // and for this one
	forced bool   // visits may be broken off where no stop is allowed
	visits []*visit
	space  *chairtime.Convolver
	mem    *memory
	lost   float64

	keep      bool    // lengths and thresholds are given,
	current   *visit  // but for the rest of this visit
	fixedLeft *int    // one threshold everywhere, for comparison
	worth     float64 // gain that calls for another sweep
	moved     bool    // the last forward pass changed a threshold
	short     error   // a length that cannot hold the least visit
	slow      bool    // lengths that no visit has are for the slowest cases
	last      bool    // the last sweep: choices that the whole would not notice are made too

	// The node set in use and what depends on it.
	set     nodeSet
	endCost [][][]float64 // by state and node: cost of ending there with r minutes left
	rest    [][]float64   // by state and case node: price of what is left after the horizon
	work    working
}

// tables holds what it costs to stand somewhere in a visit with so many minutes
// left, and what changed in the present sweep.
type tables struct {
	value  [][][]float64 // by point, node and minutes left
	goOn   [][][]float64 // by point, node and minutes left
	stop   [][][]float64 // by state, node and minutes left
	next   [][]float64   // by state and node: what follows a stop, as in stop
	begun  [][]float64   // by state and node: what follows a visit that ends where it began
	drift  []float64     // by point: by how much value changed in this sweep
	owed   []float64     // by point: by how much goOn may be wrong since it was computed
	opens  []float64     // by state: the same for a visit that begins there
	judged []bool        // by point: the threshold is right for the measure and the costs at hand
}

// working is space that is used again in every visit.
type working struct {
	gated   []float64
	nothing []float64 // by node
	follows []float64 // by node
	inflow  [][]lane  // by point and node: measure over minutes used, before the choice
	first   [][]lane  // by point and node: of visits that begin there
}

// visit is one visit's part of the plan.
type visit struct {
	number    int
	ahead     bool    // booked ahead: one length
	forbidden bool    // the option forbids filling in it
	unused    float64 // cost of the booked visits not needed when it completes the treatment
	bounded   bool    // how often it lasts longer than the patient can bear is known,
	price     float64 // and has a price
	passing   *passing

	starts []bool // by state: the visit can begin there,
	// and how; nil where it is not put together
	beginnings [][]beginning
	left       []int // by point: least minutes left at which the clinician goes on
	length     []int // by state in which the visit begins
	fixed      int   // length asked for, 0 when free

	// From the forward pass. Nothing that it depends on changed since when same is
	// set; out is what it returned.
	same   bool
	out    [][]float64
	weight [][]float64   // by begin state and case node; nil before the first pass
	merged [][][]float64 // by point and node: measure over minutes left
	mass   []float64     // by point: probability of coming to choose there
	could  []float64     // by point: the same if nobody stopped; nil before the first pass
	tables *tables
	choice [][]int // lengths considered, by state in which the visit begins
	rows   []int   // minutes left that the tables follow, by point
	limit  []int   // longest length for which they do, by state in which the visit begins
	stale  bool    // the tables are to be computed anew
	moved  []int   // points whose threshold the last forward pass changed
	// From the backward pass, by begin state and case node.
	curve [][][]float64 // cost by length on the grid
	value [][]float64   // cost at the length chosen
	least []float64     // by begin state: expected minutes of the least visit
}

// A point is a state with or without filling barred: 2*state, plus 1 if barred.
func point(state int, barred bool) int {
	if barred {
		return 2*state + 1
	}
	return 2 * state
}

// closed reports whether the next portion of the state may not begin.
func (r *run) closed(v *visit, state int, barred bool) bool {
	s := r.sp.states[state]
	return !r.sp.complete(s) && r.sp.fills[s.Stage] && (v.forbidden || barred)
}

func (r *run) ready(v *visit, x int) float64 {
	g := r.m.Stages[r.sp.states[x].Stage].Gate
	if v.number == 1 && r.m.Begin == (State{}) {
		return g.FirstVisit
	}
	return g.AfterDress
}

func (r *run) opening(v *visit, x int) pair {
	if v.number == 1 {
		return r.ks.first[x]
	}
	return r.ks.again[x]
}

// newRun prepares the solving of a validated option.
func newRun(sp *space, ks *kernelSet, o Option) *run {
	m := sp.m
	r := &run{sp: sp, ks: ks, m: m, o: o, reach: m.Grid.Most, mem: memories.Get().(*memory), worth: worthwhile}
	for l := m.Grid.Least; l <= m.Grid.Most; l += m.Grid.Step {
		r.grid = append(r.grid, l)
	}
	for _, l := range o.Lengths {
		r.reach = max(r.reach, l)
	}
	r.space = &r.mem.space
	n := len(sp.states)
	for i := range m.Horizon {
		v := &visit{number: i + 1, ahead: i < o.BookedAhead, forbidden: i+1 < o.EarliestCompletion,
			unused: m.Cost.Unused * float64(max(0, o.BookedAhead-i-1)),
			left:   make([]int, 2*n), length: make([]int, n), mass: make([]float64, 2*n)}
		if i < len(o.Lengths) {
			v.fixed = o.Lengths[i]
		}
		r.visits = append(r.visits, v)
	}
	return r
}

// edges is where a portion begun at a point leads.
func (r *run) edges(p int) []edge {
	if r.ks.joined == nil {
		return r.ks.edges[p]
	}
	return r.ks.joined[p]
}

// use changes to another node set. Lengths and thresholds stay.
func (r *run) use(purpose int) {
	r.mem.reset()
	r.set = r.ks.sets[purpose]
	n := len(r.sp.states)
	for _, v := range r.visits {
		v.weight, v.merged, v.could, v.same, v.moved = nil, nil, nil, false, v.moved[:0]
		v.curve, v.value, v.least = make([][][]float64, n), make([][]float64, n), make([]float64, n)
	}
	r.work.inflow, r.work.first = r.mem.grid(2*n, r.count()), r.mem.grid(2*n, r.count())
	r.rests()
	if purpose == odds {
		return
	}
	for _, v := range r.visits {
		v.tables = r.newTables()
		v.stale, v.rows, v.choice, v.limit = true, nil, make([][]int, n), make([]int, n)
	}
	r.work.gated = make([]float64, max(r.reach, r.o.Bear.Minutes)+1)
	r.work.nothing, r.work.follows = make([]float64, r.count()), make([]float64, r.count())
	r.ends()
}

func (r *run) newTables() *tables {
	n := len(r.sp.states)
	t := &tables{value: make([][][]float64, 2*n), goOn: make([][][]float64, 2*n), stop: make([][][]float64, n),
		next: r.mem.zeros(n, r.count()), begun: r.mem.zeros(n, r.count()), drift: make([]float64, 2*n), owed: make([]float64, 2*n), opens: make([]float64, n), judged: make([]bool, 2*n)}
	for x := range n {
		t.stop[x] = r.table()
		for b := range 2 {
			if b == 0 || r.ks.bars[x] {
				t.value[point(x, b == 1)], t.goOn[point(x, b == 1)] = r.table(), r.table()
			}
		}
	}
	return t
}

func (r *run) count() int { return r.set.hi - r.set.lo }

func (r *run) cases() int { return len(r.set.cases) }

// node is the n-th of the nodes in use.
func (r *run) node(n int) *node { return &r.ks.nodes[r.set.lo+n] }

// only is the share of a node that one case alone meets, as all do that decide.
func (r *run) only(n int) share { return r.ks.nodes[r.set.lo+n].shares[0] }

// dist is a kernel's distribution at the n-th of the nodes in use.
func (r *run) dist(k *kernel, n int) chairtime.Dist { return k.at[r.set.lo+n] }

func (r *run) mean(k *kernel, n int) float64 { return k.mean[r.set.lo+n] }

// table is space for one value by node in use and minutes left.
func (r *run) table() [][]float64 { return r.mem.matrix(r.count(), r.reach+1) }

// ends tabulates the cost of ending a visit: work of the end block, and overrun
// or idle by the minutes left before it.
func (r *run) ends() {
	c := r.m.Cost
	r.endCost = make([][][]float64, len(r.sp.states))
	known := map[*kernel][][]float64{}
	for x, k := range r.ks.ends {
		if t, ok := known[k]; ok {
			r.endCost[x] = t
			continue
		}
		t := r.table()
		for n, row := range t {
			beyond, mean := k.over[r.set.lo+n], r.mean(k, n)
			for left := range row {
				over := 0.0
				if left < len(beyond) {
					over = beyond[left]
				}
				row[left] = c.Work*mean + c.Overrun*over + c.Idle*(float64(left)-mean+over)
			}
		}
		known[k], r.endCost[x] = t, t
	}
}

// rests prices what is unfinished after the horizon: a further visit that does
// everything left, at its mean minutes.
func (r *run) rests() {
	states := r.sp.states
	onward := r.mem.zeros(len(states), r.count()) // mean minutes to the end
	r.rest = make([][]float64, len(states))
	for x := len(states) - 1; x >= 0; x-- {
		row := onward[x]
		for n := range row {
			if r.sp.complete(states[x]) {
				row[n] = r.mean(r.ks.ends[x], n)
				continue
			}
			if k := r.ks.checks[x]; k != nil {
				row[n] += r.mean(k, n)
			}
			for j, mv := range r.sp.moves[x] {
				p := r.ks.portions[x][j]
				for _, k := range [2]*kernel{p.clear, p.barred} {
					if k != nil {
						row[n] += mv.prob * (r.mean(k, n) + k.mass*onward[mv.to][n])
					}
				}
			}
		}
		if r.sp.complete(states[x]) {
			continue
		}
		r.rest[x] = make([]float64, r.cases())
		for n, mean := range row {
			for _, k := range [2]*kernel{r.ks.again[x].clear, r.ks.again[x].barred} {
				if k != nil {
					mean += r.mean(k, n)
				}
			}
			for _, h := range r.node(n).shares {
				r.rest[x][h.caseAt] += h.weight * (r.m.Cost.Visit + r.m.Cost.Work*mean)
			}
		}
	}
}

// leastVisit is the mean minutes of the least visit that begins in the state:
// start, one portion and the end after it, or the end alone when no portion may
// begin.
func (r *run) leastVisit(v *visit, x int) float64 {
	out := 0.0
	open := r.opening(v, x)
	for n := range r.count() {
		mean := 0.0
		for _, k := range [2]*kernel{open.clear, open.barred} {
			if k != nil {
				mean += r.mean(k, n)
			}
		}
		if r.closed(v, x, false) {
			mean += r.mean(r.ks.ends[x], n)
		} else {
			if k := r.ks.checks[x]; k != nil {
				mean += r.mean(k, n)
			}
			for _, e := range r.ks.edges[point(x, false)] {
				mean += e.prob * (r.mean(e.k, n) + e.k.mass*r.mean(r.ks.ends[e.to/2], n))
			}
		}
		out += r.node(n).prior * mean
	}
	return out
}

// free gives the working space back; the run is not used any more.
func (r *run) free() {
	r.mem.reset()
	memories.Put(r.mem)
	r.mem = nil
}

// sum adds in four sums side by side.
func sum(v []float64) float64 {
	s0, s1, s2, s3 := 0.0, 0.0, 0.0, 0.0
	i := 0
	for ; i+4 <= len(v); i += 4 {
		q := v[i : i+4 : i+4]
		s0 += q[0]
		s1 += q[1]
		s2 += q[2]
		s3 += q[3]
	}
	for ; i < len(v); i++ {
		s0 += v[i]
	}
	return (s0 + s1) + (s2 + s3)
}
