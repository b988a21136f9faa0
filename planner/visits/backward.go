package visits

import (
	"github.com/visitwright/visitwright/planner/chairtime"
)

// backward goes through the visits from the last to the first and through each
// visit's states from the end of treatment to its beginning. At every stopping
// point it takes the threshold, and at every beginning the length, that costs
// least given the measure of the last forward pass and what was just chosen
// behind it. Each choice is therefore an exact minimum along one coordinate, and
// the total never rises. It reports whether anything changed.
func (r *run) backward(choose bool) bool {
	changed := false
	for i := len(r.visits) - 1; i >= 0; i-- {
		if r.backwardVisit(r.visits[i], r.next(i), choose) {
			changed = true
		}
	}
	return changed
}

// next returns the cost of not being complete when visit i (from 0) ends, by
// state and case node.
func (r *run) next(i int) [][]float64 {
	if i+1 == len(r.visits) {
		return r.rest
	}
	v := r.visits[i+1]
	out := make([][]float64, len(v.value))
	for x, row := range v.value {
		if row == nil {
			continue
		}
		out[x] = make([]float64, len(row))
		for c, value := range row {
			out[x][c] = r.m.Cost.Visit + value
		}
	}
	return out
}

func (r *run) backwardVisit(v *visit, cont [][]float64, choose bool) bool {
	states, nodes := r.sp.states, r.ks.nodes
	changed := false
	value := make([][][]float64, 2*len(states)) // by point, node and minutes left
	least := make([][]float64, len(states))     // mean minutes from the state through one portion to the end
	goOn, stop := r.table(), r.table()
	for x := len(states) - 1; x >= 0; x-- {
		if r.sp.complete(states[x]) {
			t := r.endCost[x]
			if v.unused > 0 {
				t = r.table()
				for n := range t {
					for i := range t[n] {
						t[n][i] = r.endCost[x][n][i] + v.unused
					}
				}
			}
			value[2*x], value[2*x+1] = t, t
			continue
		}
		for n, nd := range nodes {
			c := cont[x][nd.caseAt]
			for i, e := range r.endCost[x][n] {
				stop[n][i] = e + c
			}
		}
		for b := 1; b >= 0; b-- {
			barred := b == 1
			if barred && !r.sp.bars[x] {
				continue
			}
			p := point(x, barred)
			closed := r.closed(v, x, barred)
			if !closed {
				r.goingOn(goOn, v, x, barred, value, stop)
			}
			if choose {
				left := v.left[p]
				switch {
				case closed:
					left = Never
				case !r.m.Stops[states[x].Stage].Allowed:
					left = 0
				default:
					left = r.threshold(v, p, goOn, stop)
				}
				if left != v.left[p] {
					v.left[p], changed = left, true
				}
			}
			value[p] = r.table()
			for n := range value[p] {
				cut := min(v.left[p], r.reach+1)
				copy(value[p][n], stop[n][:cut])
				copy(value[p][n][cut:], goOn[n][cut:])
			}
			if !r.begins(v, x) {
				continue
			}
			first := goOn
			if closed {
				first = stop
			}
			r.open(v, x, barred, first, barred || !r.sp.bars[x])
		}
		least[x] = r.leastFrom(v, x)
		if r.begins(v, x) {
			v.least[x] = r.leastVisit(v, x, least[x])
		}
	}
	if r.lengths(v, choose) {
		changed = true
	}
	return changed
}

func (r *run) table() [][]float64 {
	size := r.reach + 1
	slab := make([]float64, len(r.ks.nodes)*size)
	t := make([][]float64, len(r.ks.nodes))
	for n := range t {
		t[n] = slab[n*size : (n+1)*size : (n+1)*size]
	}
	return t
}

// goingOn fills dst with the cost of going on from the state, by node and
// minutes left.
func (r *run) goingOn(dst [][]float64, v *visit, x int, barred bool, value [][][]float64, stop [][]float64) {
	check := r.ks.checks[x]
	for n := range dst {
		out := dst[n]
		clear(out)
		for j, mv := range r.sp.moves[x] {
			if mv.prob == 0 {
				continue
			}
			p := r.ks.portions[x][j]
			if p.clear != nil {
				r.after(out, mv.prob, p.clear, n, value[point(mv.to, barred && r.sp.bars[mv.to])][n])
			}
			if p.barred != nil {
				r.after(out, mv.prob, p.barred, n, value[point(mv.to, r.sp.bars[mv.to])][n])
			}
		}
		if check == nil {
			continue
		}
		ready := r.ready(v, r.m.Stages[r.sp.states[x].Stage].Gate)
		for i := range out {
			out[i] = ready*out[i] + (1-ready)*stop[n][i]
		}
		if !check.nothing() {
			with := make([]float64, len(out))
			r.after(with, 1, check, n, out)
			copy(out, with)
		}
	}
}

// threshold returns the least minutes left at which going on costs no more,
// given the measure over nodes and minutes left at the point: the cut that costs
// least in all, compared in millionths, ties to going on.
func (r *run) threshold(v *visit, p int, goOn, stop [][]float64) int {
	if r.fixedLeft != nil {
		return max(*r.fixedLeft, v.floor)
	}
	var m [][]float64
	mass := 0.0
	if v.merged != nil {
		m = v.merged[p]
		for _, row := range m {
			for _, q := range row {
				mass += q
			}
		}
	}
	if mass < leastMass {
		m = nil
	}
	best, bestCost, sum := v.floor, int64(0), 0.0
	for left := v.floor; left <= r.reach; left++ {
		for n := range goOn {
			w := r.prior(n)
			if m != nil {
				w = m[n][left] / mass
			}
			sum += w * (stop[n][left] - goOn[n][left])
		}
		if c := chairtime.Micro(sum); c < bestCost {
			best, bestCost = left+1, c
		}
	}
	return best
}

// leastMass is the probability of a point below which its threshold is taken
// with the nodes' own weights: nothing that happens there shows in a cost.
const leastMass = 1e-12

func (r *run) prior(n int) float64 {
	return r.ks.nodes[n].weight * r.sp.caseWeight[r.ks.nodes[n].caseAt]
}

// begins reports whether the visit can begin in the state.
func (r *run) begins(v *visit, x int) bool {
	if v.number > 1 {
		return true
	}
	for _, b := range r.sp.begins() {
		if r.sp.index[b.state] == x {
			return true
		}
	}
	return false
}

// open adds the cost of the visit from its start, by case node and length.
func (r *run) open(v *visit, x int, barred bool, first [][]float64, fresh bool) {
	if fresh || v.curve[x] == nil {
		v.curve[x] = make([][]float64, r.cases())
		for c := range v.curve[x] {
			v.curve[x][c] = make([]float64, r.reach+1)
		}
	}
	pr := r.ks.again[x]
	if v.number == 1 {
		pr = r.ks.first[x]
	}
	k := pr.clear
	if barred {
		k = pr.barred
	}
	if k == nil {
		return
	}
	for n, nd := range r.ks.nodes {
		r.after(v.curve[x][nd.caseAt], nd.weight, k, n, first[n])
	}
}

// leastFrom is the mean minutes of one portion begun in the state and the end of
// the visit after it, by node; of the end alone when no portion may begin.
func (r *run) leastFrom(v *visit, x int) []float64 {
	row := make([]float64, len(r.ks.nodes))
	for n := range row {
		if r.closed(v, x, false) {
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
					row[n] += mv.prob * (k.mean[n] + k.mass*r.ks.ends[mv.to].mean[n])
				}
			}
		}
	}
	return row
}

func (r *run) leastVisit(v *visit, x int, from []float64) []float64 {
	out := make([]float64, r.cases())
	pr := r.ks.again[x]
	if v.number == 1 {
		pr = r.ks.first[x]
	}
	for n, nd := range r.ks.nodes {
		mean := from[n]
		for _, k := range [2]*kernel{pr.clear, pr.barred} {
			if k != nil {
				mean += k.mean[n]
			}
		}
		out[nd.caseAt] += nd.weight * mean
	}
	return out
}

// lengths chooses the visit's length or lengths from the curves just computed.
func (r *run) lengths(v *visit, choose bool) bool {
	changed := false
	total := make([]float64, r.reach+1)
	set := func(x, l int) {
		if v.length[x] != l {
			v.length[x], changed = l, true
		}
	}
	if choose && v.fixed == 0 && v.ahead && v.weight != nil {
		clear(total)
		least, mass := 0.0, 0.0
		for x := range v.curve {
			if v.curve[x] == nil {
				continue
			}
			for c, row := range v.curve[x] {
				w := v.weight[x][c]
				mass += w
				least += w * v.least[x][c]
				for _, l := range r.grid {
					total[l] += w * row[l]
				}
			}
		}
		l := r.bestLength(total, least, mass)
		for x := range v.curve {
			set(x, l)
		}
	}
	for x := range v.curve {
		if v.curve[x] == nil {
			continue
		}
		if choose && v.fixed > 0 {
			set(x, v.fixed)
		} else if choose && (!v.ahead || v.weight == nil) {
			clear(total)
			least, mass := 0.0, 0.0
			w := r.sp.caseWeight
			if v.weight != nil && sum(v.weight[x]) > leastMass {
				w = v.weight[x]
			}
			for c, row := range v.curve[x] {
				mass += w[c]
				least += w[c] * v.least[x][c]
				for _, l := range r.grid {
					total[l] += w[c] * row[l]
				}
			}
			set(x, r.bestLength(total, least, mass))
		}
		v.value[x] = make([]float64, r.cases())
		for c, row := range v.curve[x] {
			v.value[x][c] = row[v.length[x]]
		}
	}
	return changed
}

// bestLength returns the length on the grid that costs least in the mean, ties
// to the shorter, among those that hold the least visit. When none does it
// returns the longest: the caller reports it.
func (r *run) bestLength(total []float64, least, mass float64) int {
	best, bestCost := 0, int64(0)
	for _, l := range r.grid {
		if float64(l)*mass < least {
			continue
		}
		if c := chairtime.Micro(total[l] / mass); best == 0 || c < bestCost {
			best, bestCost = l, c
		}
	}
	if best == 0 {
		return r.grid[len(r.grid)-1]
	}
	return best
}

func sum(v []float64) float64 {
	s := 0.0
	for _, x := range v {
		s += x
	}
	return s
}
