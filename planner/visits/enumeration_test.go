package visits

import (
	"encoding/binary"
	"math"
	"slices"
	"testing"

	"github.com/visitwright/visitwright/planner/chairtime"
)

// smallTooth has one or two canals, two stopping points to choose at and six
// lengths. Its minutes are few, so that every plan can be tried.
func smallTooth(overrun, idle, visitCost float64, ready float64) Model {
	step := func(id string, median, sd float64) Block {
		return Block{Once: []Step{{id, Minutes{median, sd, true}}}}
	}
	each := func(id string, median, sd float64) Block {
		return Block{PerCanal: []CanalStep{{id, []float64{median, median + 0.6}, sd, true}}}
	}
	fill := each("fill", 1, .3)
	return Model{
		Protocol: "small", Tooth: "14",
		Canals: CanalBelief{P: []float64{0, .6, .4}, Expected: 1, Names: []string{"B", "P"}},
		Factor: Factor{CaseLogSD: .25, VisitLogSD: .15},
		Start:  Block{Once: []Step{{"start", Minutes{1, 0, false}}}},
		Stages: []Stage{
			{ID: "open", Locates: true, Discovery: .5, Work: step("open", 1.5, .4)},
			{ID: "shape", Discovery: .3, Work: Block{PerCanal: each("shape", 1.5, .4).PerCanal, Events: []Event{{ID: "wet", Probability: .1, Minutes: Minutes{1, 0, false}, BarsFilling: true}}}},
			{ID: "fill", Fills: true, Gate: &Gate{FirstVisit: ready, AfterDress: 1}, Work: fill},
		},
		Stops: []Stop{
			{ID: "closed"},
			{ID: "opened", Allowed: true, End: step("dress", 1, .2)},
			{ID: "shaped", Allowed: true, End: step("dress", 1, .2)},
			{ID: "complete", End: step("picture", .5, 0)},
		},
		Cost:    Cost{Work: 1, Overrun: overrun, Idle: idle, Visit: visitCost, Unused: 1},
		Grid:    Grid{Least: 4, Most: 9, Step: 1},
		Horizon: 2, Cap: 60, Clock: NearestMinute,
	}
}

// trial is one visit tried with a length and thresholds: the cost of the visit
// from a beginning, and where it ends, by case node. It is a plain forward pass
// over whole minutes, without the backward recursion or its data.
type trial struct {
	cost []float64   // by case node, given the beginning
	ends [][]float64 // by state and case node
	pass []float64   // by case node: chance of lasting longer than the patient can bear
}

func try(r *run, number int, begin, length int, left map[int]int) trial {
	sp, ks := r.sp, r.ks
	const size = 61
	c := r.m.Cost
	out := trial{cost: make([]float64, r.cases()), pass: make([]float64, r.cases()), ends: make([][]float64, len(sp.states))}
	for x := range out.ends {
		out.ends[x] = make([]float64, r.cases())
	}
	for n := range r.count() {
		nd := r.only(n)
		at := make(map[int]*[size]float64)
		put := func(p, t int, q float64) {
			if q == 0 {
				return
			}
			if at[p] == nil {
				at[p] = new([size]float64)
			}
			at[p][min(t, size-1)] += q
		}
		end := func(x, t int, q float64) {
			d := r.dist(ks.ends[x], n)
			for i, e := range d.P {
				m := float64(min(t+d.First+i, size-1))
				l := float64(length)
				if b := r.o.Bear.Minutes; b > 0 && m > float64(b) {
					out.pass[nd.caseAt] += q * e
				}
				out.cost[nd.caseAt] += q * e * (c.Work*m + c.Overrun*math.Max(m-l, 0) + c.Idle*math.Max(l-m, 0))
			}
			out.ends[x][nd.caseAt] += q
		}
		portion := func(x int, barred bool, t int, q float64) {
			s := sp.states[x]
			if sp.fills[s.Stage] && (barred || number < r.o.EarliestCompletion) {
				end(x, t, q)
				return
			}
			if g := r.m.Stages[s.Stage].Gate; g != nil {
				ready := g.AfterDress
				if number == 1 {
					ready = g.FirstVisit
				}
				end(x, t, q*(1-ready)) // this tooth's check takes no time
				q *= ready
			}
			for j, mv := range sp.moves[x] {
				for b, k := range [2]*kernel{ks.portions[x][j].clear, ks.portions[x][j].barred} {
					if k == nil {
						continue
					}
					for i, p := range r.dist(k, n).P {
						to := 2 * mv.to
						if b == 1 || barred {
							to++
						}
						put(to, t+r.dist(k, n).First+i, q*mv.prob*p)
					}
				}
			}
		}
		open := ks.first[begin].clear
		if number > 1 {
			open = ks.again[begin].clear
		}
		for i, p := range r.dist(open, n).P {
			portion(begin, false, r.dist(open, n).First+i, p*nd.weight)
		}
		for p := 2 * (begin + 1); p < 2*len(sp.states); p++ {
			if at[p] == nil {
				continue
			}
			x := p / 2
			for t, q := range at[p] {
				switch {
				case q == 0:
				case sp.complete(sp.states[x]), max(0, length-t) < left[p]:
					end(x, t, q)
				default:
					portion(x, p%2 == 1, t, q)
				}
			}
		}
	}
	return out
}

func TestOnASmallToothThePlanEqualsTheBestOfAllPlans(t *testing.T) {
	for _, c := range []struct {
		name string
		m    Model
		o    Option
	}{
		{"one visit", smallTooth(2, 1, 3, .9), Option{}},
		{"two visits", smallTooth(2, 1, 3, .9), Option{EarliestCompletion: 2}},
		{"a second place kept", smallTooth(3, .5, 2, .7), Option{BookedAhead: 2}},
		{"dear overrun", smallTooth(6, .3, 1, 1), Option{}},
		{"one visit, no more than eight minutes", smallTooth(2, 1, 3, .9), Option{Bear: &Bear{8, .3}}},
		{"one visit, no more than seven minutes", smallTooth(3, .5, 2, .7), Option{Bear: &Bear{7, .2}}},
		{"two visits, no more than seven minutes", smallTooth(2, 1, 3, .9), Option{BookedAhead: 2, Bear: &Bear{7, .15}}},
		{"two visits, seldom more than eight minutes", smallTooth(3, .5, 2, .7), Option{BookedAhead: 2, Bear: &Bear{8, .05}}},
		{"the filling in the second, no more than seven minutes", smallTooth(2, 1, 3, .9), Option{EarliestCompletion: 2, Bear: &Bear{7, .1}}},
		{"dear overrun, no more than eight minutes", smallTooth(6, .3, 1, 1), Option{BookedAhead: 2, Bear: &Bear{8, .1}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.o.CaseNodes, c.o.VisitNodes = 2, 2
			res, err := Solve(c.m, c.o)
			if err != nil {
				t.Fatal(err)
			}
			r, err := new(Solver).prepare(c.m, c.o)
			if err != nil {
				t.Fatal(err)
			}
			r.use(deciding)
			best := enumerate(t, r)
			if best.beyond < best.micro {
				t.Fatalf("a plan of %d millionths was not tried out, the best has %d", best.beyond, best.micro)
			}
			if got := res.CostMicro; math.Abs(float64(got-best.micro)) > 1 {
				t.Errorf("solved cost %d millionths, best of %d plans %d", got, best.plans, best.micro)
			}
			if res.Visits[0].Length != best.length1 {
				t.Errorf("first visit %d minutes, best %d", res.Visits[0].Length, best.length1)
			}
			for _, l := range res.Lengths {
				if l.Visit == 2 && best.length2[r.sp.index[l.Begin]] != 0 && l.Minutes != best.length2[r.sp.index[l.Begin]] {
					t.Errorf("second visit from %+v %d minutes, best %d", l.Begin, l.Minutes, best.length2[r.sp.index[l.Begin]])
				}
			}
			for _, e := range res.Table {
				want, ok := best.left[[2]int{e.Visit, point(r.sp.index[e.State], e.Barred)}]
				if ok && e.Rule == Chosen && e.Reached > 1e-9 && e.LeastLeft != want {
					t.Errorf("visit %d at %+v barred %v: go on from %d minutes, best %d", e.Visit, e.State, e.Barred, e.LeastLeft, want)
				}
			}
			t.Logf("%d plans, cost %.6f, first visit %d minutes", best.plans, res.Cost, res.Visits[0].Length)
		})
	}
}

type enumerated struct {
	micro   int64
	plans   int
	length1 int
	length2 []int          // by state in which visit 2 begins
	left    map[[2]int]int // by visit and point
	beyond  int64          // least cost of a plan that was not looked at since its second visit passes the limit with the lengths that cost least
}

// enumerate tries every length and every threshold of both visits. The second
// visit's plans are tried once from each beginning and then combined with every
// plan of the first: what a plan of the second visit costs depends on the first
// only through where and for which kind of case it ends.
func enumerate(t *testing.T, r *run) enumerated {
	t.Helper()
	sp := r.sp
	begin := sp.index[sp.begins()[0].state]
	// The points at which a visit can choose: states after a portion, barred or
	// not, that are not complete; closed points always stop.
	points := func(v *visit, from int) []int {
		var out []int
		for x := from + 1; x < len(sp.states); x++ {
			for b := range 2 {
				if !sp.complete(sp.states[x]) && (b == 0 || r.ks.bars[x]) && !r.closed(v, x, b == 1) {
					out = append(out, point(x, b == 1))
				}
			}
		}
		return out
	}
	// A threshold above the most minutes that can be left at its point is never.
	each := func(ps []int, top func(p int) int, do func(map[int]int)) {
		left := map[int]int{}
		var rec func(int)
		rec = func(i int) {
			if i == len(ps) {
				do(left)
				return
			}
			for l := 0; l <= top(ps[i]); l++ {
				left[ps[i]] = l
				rec(i + 1)
			}
		}
		rec(0)
	}
	// Below a state the thresholds that matter are those of states reached from
	// it, so a visit's plan is tried beginning by beginning.
	reach := func(from int, ps []int) []int {
		seen := map[int]bool{from: true}
		var out []int
		for x := from; x < len(sp.states); x++ {
			if !seen[x] {
				continue
			}
			for _, mv := range sp.moves[x] {
				seen[mv.to] = true
			}
		}
		for _, p := range ps {
			if p/2 != from && seen[p/2] {
				out = append(out, p)
			}
		}
		return out
	}
	v1, v2 := r.visits[0], r.visits[1]
	longest := r.m.Grid.Most
	if b := r.o.Bear.Minutes; b > 0 {
		longest = max(r.m.Grid.Least, min(longest, b))
	}
	borne := func(pass, happens float64) bool {
		return r.o.Bear.Minutes == 0 || pass <= r.o.Bear.Chance*happens+1e-12
	}
	next := func(tr trial, c int) float64 { // what is left after visit 2
		s := 0.0
		for x := range sp.states {
			if !sp.complete(sp.states[x]) {
				s += tr.ends[x][c] * r.rest[x][c]
			}
		}
		return s
	}
	rows := map[[2]int]float64{}
	leastRow := func(v *visit, x int) float64 {
		k := [2]int{v.number, x}
		if rows[k] == 0 {
			rows[k] = r.leastVisit(v, x)
		}
		return rows[k]
	}
	fits := func(v *visit, x, length int) bool { return float64(length) >= leastRow(v, x) }
	best := enumerated{micro: math.MaxInt64, beyond: math.MaxInt64}
	// Second visit: all (length, thresholds), for each beginning.
	var begins []int
	for x := range sp.states {
		if x != begin && !sp.complete(sp.states[x]) {
			begins = append(begins, x)
		}
	}
	var ps2 []int
	for _, p := range points(v2, -1) {
		for _, x := range begins {
			if slices.Contains(reach(x, []int{p}), p) {
				ps2 = append(ps2, p)
				break
			}
		}
	}
	type plan2 struct {
		length int
		left   map[int]int
		cost   [][]float64 // by beginning
		pass   [][]float64 // by beginning
	}
	var plans2 []plan2
	cache := map[string]trial{}
	key := func(x, length int, left map[int]int) string {
		k := []byte{byte(x), byte(length)}
		for _, p := range reach(x, ps2) {
			k = append(k, byte(p), byte(left[p]))
		}
		return string(k)
	}
	for l := r.m.Grid.Least; l <= longest; l++ {
		each(ps2, func(int) int { return r.m.Grid.Most + 1 }, func(left map[int]int) {
			p := plan2{length: l, left: map[int]int{}, cost: make([][]float64, len(sp.states)), pass: make([][]float64, len(sp.states))}
			for k, v := range left {
				p.left[k] = v
			}
			for _, x := range begins {
				k := key(x, l, left)
				tr, ok := cache[k]
				if !ok {
					tr = try(r, 2, x, l, left)
					cache[k] = tr
				}
				row := make([]float64, r.cases())
				for c := range row {
					row[c] = tr.cost[c] + r.m.Cost.Visit + next(tr, c)
				}
				p.cost[x], p.pass[x] = row, tr.pass
			}
			plans2 = append(plans2, p)
		})
	}
	ps1 := reach(begin, points(v1, begin))
	earliest := make([]int, len(sp.states)) // minutes used at least
	for x := range earliest {
		earliest[x] = math.MaxInt / 2
	}
	shortest := func(k *kernel) int {
		least := k.at[0].First
		for _, d := range k.at {
			least = min(least, d.First)
		}
		return least
	}
	earliest[begin] = shortest(r.ks.first[begin].clear)
	for x := range sp.states {
		for j, mv := range sp.moves[x] {
			for _, k := range [2]*kernel{r.ks.portions[x][j].clear, r.ks.portions[x][j].barred} {
				if k != nil {
					earliest[mv.to] = min(earliest[mv.to], earliest[x]+shortest(k))
				}
			}
		}
	}
	per := len(plans2) / (longest - r.m.Grid.Least + 1)
	seen := map[int]map[string]bool{}
	for l := r.m.Grid.Least; l <= longest; l++ {
		if !fits(v1, begin, l) {
			continue
		}
		seen[l] = map[string]bool{}
		each(ps1, func(p int) int { return max(0, l-earliest[p/2]) + 1 }, func(left map[int]int) {
			tr := try(r, 1, begin, l, left)
			base, pass1 := 0.0, 0.0
			for c, w := range r.set.cases {
				base += w * tr.cost[c]
				pass1 += w * tr.pass[c]
				for x := range sp.states {
					if sp.complete(sp.states[x]) {
						base += w * tr.ends[x][c] * v1.unused
					}
				}
			}
			if !borne(pass1, 1) {
				best.plans += per
				return
			}
			w := make([][]float64, len(sp.states))
			for _, x := range begins {
				w[x] = make([]float64, r.cases())
				for c := range w[x] {
					w[x][c] = r.set.cases[c] * tr.ends[x][c]
				}
			}
			// Plans that differ only where the first visit never comes cost the same:
			// the first of them, with the lowest thresholds, stands for all.
			var same []byte
			for _, x := range begins {
				for _, q := range append(w[x], base) {
					same = binary.LittleEndian.AppendUint64(same, math.Float64bits(q))
				}
			}
			if seen[l][string(same)] {
				best.plans += per
				return
			}
			seen[l][string(same)] = true
			// The thresholds are shared by all beginnings; the lengths only when the
			// second visit is booked ahead.
			consider := func(cost float64, length2 []int, left2 map[int]int) {
				best.plans++
				if m := chairtime.Micro(base + cost); m < best.micro {
					best.micro, best.length1, best.length2 = m, l, length2
					best.left = map[[2]int]int{}
					for p, v := range left {
						best.left[[2]int{1, p}] = v
					}
					for p, v := range left2 {
						best.left[[2]int{2, p}] = v
					}
				}
			}
			if v2.ahead {
				least, mass := 0.0, 0.0
				for _, x := range begins {
					least += sum(w[x]) * leastRow(v2, x)
					mass += sum(w[x])
				}
				for i := range plans2 {
					p := &plans2[i]
					if float64(p.length)*mass < least {
						continue
					}
					cost, pass := 0.0, 0.0
					for _, x := range begins {
						for c, q := range w[x] {
							cost += q * p.cost[x][c]
							pass += q * p.pass[x][c]
						}
					}
					if !borne(pass, mass) {
						continue
					}
					consider(cost, allLengths(len(sp.states), p.length), p.left)
				}
				return
			}
			mass := make([]float64, len(sp.states))
			for _, x := range begins {
				mass[x] = sum(w[x])
			}
			holds := make([][]bool, longest-r.m.Grid.Least+1)
			for k := range holds {
				holds[k] = make([]bool, len(sp.states))
				for _, x := range begins {
					holds[k][x] = fits(v2, x, r.m.Grid.Least+k)
				}
			}
			for i := range per { // the same thresholds at every length
				cost, pass2 := 0.0, 0.0
				length2 := make([]int, len(sp.states))
				for _, x := range begins {
					bestX, bestL, bestP := math.Inf(1), 0, 0.0
					if mass[x] == 0 {
						continue
					}
					for k := range longest - r.m.Grid.Least + 1 {
						p := &plans2[k*per+i]
						if !holds[k][x] {
							continue
						}
						c, pass := 0.0, 0.0
						for n, q := range w[x] {
							c += q * p.cost[x][n]
							pass += q * p.pass[x][n]
						}
						if c < bestX-1e-12 {
							bestX, bestL, bestP = c, p.length, pass
						}
					}
					cost += bestX
					pass2 += bestP
					length2[x] = bestL
				}
				if total := mass[0]; !borne(pass2, total+sum(mass[1:])) {
					// Lengths that go together would have to be tried; they cost more.
					best.beyond = min(best.beyond, chairtime.Micro(base+cost))
					continue
				}
				consider(cost, length2, plans2[i].left)
			}
		})
	}
	return best
}

func allLengths(states, l int) []int {
	out := make([]int, states)
	for x := range out {
		out[x] = l
	}
	return out
}
