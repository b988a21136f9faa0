package visits

import (
	"github.com/visitwright/visitwright/planner/chairtime"
)

// run is the solving of one option: the kernels, what the option fixes, and for
// each visit the lengths and thresholds found so far.
type run struct {
	sp     *space
	ks     *kernelSet
	m      Model
	o      Option
	reach  int // R: minutes left are followed from 0 to R, the longest length
	grid   []int
	visits []*visit // visits[0] is visit 1

	endCost [][][]float64 // by state and node: cost of ending there with r minutes left
	rest    [][]float64   // by state and case node: price of what is left after the horizon
	lost    float64

	fixedLeft *int // one threshold everywhere, for comparison
}

// visit is one visit's part of the plan.
type visit struct {
	number    int
	ahead     bool    // booked ahead: one length
	forbidden bool    // the option forbids filling in it
	unused    float64 // cost of the booked visits not needed when it completes the treatment
	floor     int     // least LeastLeft, which keeps to what the patient can bear

	left   []int // by point: least minutes left at which the clinician goes on
	length []int // by state in which the visit begins
	fixed  int   // length asked for, 0 when free

	// From the forward pass.
	weight [][]float64   // by begin state and case node
	merged [][][]float64 // by point and node: measure over minutes left
	// From the backward pass, by begin state and case node: cost by length on the
	// grid, cost at the length chosen, and the expected minutes of the least visit.
	curve [][][]float64
	value [][]float64
	least [][]float64
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
	return r.sp.fills[s.Stage] && (v.forbidden || barred)
}

func (r *run) ready(v *visit, g *Gate) float64 {
	if v.number == 1 && r.m.Begin == (State{}) {
		return g.FirstVisit
	}
	return g.AfterDress
}

// newRun prepares the solving of a validated option.
func newRun(sp *space, ks *kernelSet, o Option) *run {
	m := sp.m
	r := &run{sp: sp, ks: ks, m: m, o: o, reach: m.Grid.Most}
	for l := m.Grid.Least; l <= m.Grid.Most; l += m.Grid.Step {
		// Nobody is booked for longer than they can bear.
		if b := o.Bear.Minutes; b == 0 || l <= b || len(r.grid) == 0 {
			r.grid = append(r.grid, l)
		}
	}
	for _, l := range o.Lengths {
		r.reach = max(r.reach, l)
	}
	n := len(sp.states)
	for i := range m.Horizon {
		v := &visit{number: i + 1, ahead: i < o.BookedAhead, forbidden: i+1 < o.EarliestCompletion,
			unused: m.Cost.Unused * float64(max(0, o.BookedAhead-i-1)),
			left:   make([]int, 2*n), length: make([]int, n)}
		if i < len(o.Lengths) {
			v.fixed = o.Lengths[i]
		}
		v.curve, v.value, v.least = make([][][]float64, n), make([][]float64, n), make([][]float64, n)
		r.visits = append(r.visits, v)
	}
	r.ends()
	r.rests()
	return r
}

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
		t := make([][]float64, len(r.ks.nodes))
		for n := range t {
			row := make([]float64, r.reach+1)
			for left := range row {
				over := 0.0
				if left < len(k.over[n]) {
					over = k.over[n][left]
				}
				idle := float64(left) - k.mean[n] + over
				row[left] = c.Work*k.mean[n] + c.Overrun*over + c.Idle*idle
			}
			t[n] = row
		}
		known[k], r.endCost[x] = t, t
	}
}

// rests prices what is unfinished after the horizon: a further visit that does
// everything left, at its mean minutes.
func (r *run) rests() {
	cases := r.cases()
	onward := make([][]float64, len(r.sp.states)) // mean minutes to the end, by state and node
	r.rest = make([][]float64, len(r.sp.states))
	for x := len(r.sp.states) - 1; x >= 0; x-- {
		row := make([]float64, len(r.ks.nodes))
		for n := range row {
			if r.sp.complete(r.sp.states[x]) {
				row[n] = r.ks.ends[x].mean[n]
				continue
			}
			if k := r.ks.checks[x]; k != nil {
				row[n] += k.mean[n]
			}
			for j, mv := range r.sp.moves[x] {
				p := r.ks.portions[x][j]
				for _, k := range [2]*kernel{p.clear, p.barred} {
					if k != nil {
						row[n] += mv.prob * (k.mean[n] + k.mass*onward[mv.to][n])
					}
				}
			}
		}
		onward[x] = row
		if r.sp.complete(r.sp.states[x]) {
			continue
		}
		r.rest[x] = make([]float64, cases)
		for n, nd := range r.ks.nodes {
			mean := row[n]
			for _, k := range [2]*kernel{r.ks.again[x].clear, r.ks.again[x].barred} {
				if k != nil {
					mean += k.mean[n]
				}
			}
			r.rest[x][nd.caseAt] += nd.weight * (r.m.Cost.Visit + r.m.Cost.Work*mean)
		}
	}
}

func (r *run) cases() int { return r.ks.nodes[len(r.ks.nodes)-1].caseAt + 1 }

// after adds the expected cost of a piece of work followed by what lies behind
// it: dst[left] += q * (Work*minutes + E[next(left - minutes)]). From 0 minutes
// left downwards every cost rises by Overrun a minute, so next is needed at 0
// and above only.
func (r *run) after(dst []float64, q float64, k *kernel, n int, next []float64) {
	d := k.at[n]
	work := q * r.m.Cost.Work * k.mean[n]
	over := q * r.m.Cost.Overrun
	if d.First == 0 && len(d.P) == 1 {
		w := q * d.P[0]
		for i := range dst {
			dst[i] += w*next[i] + work
		}
		return
	}
	tail, beyond := k.tail[n], k.over[n]
	at0 := q * next[0]
	for i := range dst {
		dst[i] += work
	}
	for i := 0; i < len(tail) && i < len(dst); i++ {
		dst[i] += at0*tail[i] + over*beyond[i]
	}
	if d.First < len(dst) {
		p := d.P
		if q != 1 {
			p = make([]float64, len(d.P))
			for i, v := range d.P {
				p[i] = q * v
			}
		}
		chairtime.Convolve(dst[d.First:], p, next)
	}
}
