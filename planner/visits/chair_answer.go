package visits

import (
	"math"

	"github.com/visitwright/visitwright/planner/chairtime"
)

// answer chooses the thresholds of the rest of this visit for what is known, and
// follows them.
func (c *chairside) answer() Answer {
	r, v := c.r, c.v
	n := len(r.sp.states)
	v.fixed = c.p.Length
	for x := range n {
		v.length[x] = c.p.Length
	}
	r.current = v
	c.settle()
	a := Answer{State: r.sp.states[c.at], Barred: c.barred, Used: c.now()}
	a.Left = max(0, c.p.Length-a.Used)
	a.Canals = r.sp.belief(a.State)
	scaleTo(a.Canals, 1)
	if r.sp.complete(a.State) {
		a.FinishToday, a.Minutes = 1, chairtime.Exactly(a.Used)
		return a
	}
	if c.p.Running == nil && len(c.p.Done) > 1 {
		a.Now = c.choice()
	}
	c.follow(&a)
	c.straight(&a)
	return a
}

// mass returns the probability of everything that lies ahead, by which what was
// observed is divided.
func (c *chairside) mass() float64 {
	total := 0.0
	c.ahead(func(_, _, _ int, cells []float64, q float64) { total += q * sum(cells) })
	return total
}

// inject puts what lies ahead into the lanes. When the present piece has run
// longer than anything foreseen, it is taken to be over in a minute.
func (c *chairside) inject(into func(p, n, first int, cells []float64, q float64)) {
	total := c.mass()
	if total > 0 {
		c.ahead(func(p, n, first int, cells []float64, q float64) {
			if len(cells) > 0 && q > 0 {
				into(p, n, first, cells, q/total)
			}
		})
		return
	}
	used := int(math.Floor(c.used+*c.p.Running+0.5)) + 1
	for n, w := range c.weight {
		if len(c.p.Done) == 0 {
			into(-1-point(c.at, false), n, used, []float64{1}, w)
			continue
		}
		for _, e := range c.r.ks.edges[point(c.at, c.barred)] {
			into(e.to, n, used, []float64{1}, w*e.prob)
		}
	}
}

// settle chooses the thresholds that lie ahead, given the measure from here.
func (c *chairside) settle() {
	r, v := c.r, c.v
	v.stale = true
	for range maxSweeps {
		if v.merged == nil {
			v.merged = make([][][]float64, 2*len(r.sp.states))
			for p := range v.merged {
				if p%2 == 0 || r.ks.bars[p/2] {
					v.merged[p] = r.mem.zeros(r.count(), r.reach+1)
				}
			}
		}
		c.inject(func(p, n, first int, cells []float64, q float64) {
			if p < 0 {
				r.work.first[-1-p][n].addUpTo(c.p.Length, first, cells, q)
			} else {
				r.work.inflow[p][n].addUpTo(c.p.Length, first, cells, q)
			}
		})
		r.moved = false
		next := r.mem.zeros(len(r.sp.states), r.cases())
		r.forwardPoints(v, c.p.Length, next)
		fell := false
		r.reachOf(v)
		for x := len(r.sp.states) - 1; x >= 0; x-- {
			if r.backwardState(v, x, c.after(x)) {
				fell = true
			}
		}
		v.stale, v.moved = false, v.moved[:0]
		if !fell && !r.moved {
			break
		}
	}
	r.last = true
	for x := len(r.sp.states) - 1; x >= 0; x-- {
		r.backwardState(v, x, c.after(x))
	}
	r.last = false
}

// choice weighs going on against stopping at the point where the visit stands.
func (c *chairside) choice() *Choice {
	r, v := c.r, c.v
	p := point(c.at, c.barred)
	if r.closed(v, c.at, c.barred) || !r.m.Stops[r.sp.states[c.at].Stage].Allowed {
		return nil
	}
	rows := v.rows[p]
	cost := func(left int) (goOn, stop float64) {
		for n, w := range c.weight {
			goOn += w * v.tables.goOn[p][n][left]
			stop += w * v.tables.stop[c.at][n][left]
		}
		return goOn, stop
	}
	left := min(max(0, c.p.Length-int(math.Floor(c.used+0.5))), rows-1)
	out := &Choice{Latest: -1}
	out.GoCost, out.StopCost = cost(left)
	out.GoOn = micro(out.GoCost) <= micro(out.StopCost)
	for l := rows - 1; l >= 0; l-- {
		g, s := cost(l)
		if micro(g) > micro(s) {
			break
		}
		out.Latest = c.p.Length - l
	}
	return out
}

// follow follows the chosen thresholds and reads off the odds of this visit.
func (c *chairside) follow(a *Answer) {
	r, v := c.r, c.v
	n := len(r.sp.states)
	ends := r.mem.grid(n, r.count())
	o := &outcome{reached: make([]float64, 2*n), goes: make([]float64, 2*n)}
	c.start(ends)
	r.followOn(v, 0, c.p.Length, ends, o)
	minutes := make([]float64, r.m.Cap+1)
	pace, planned := 0.0, 0.0
	for x := range ends {
		for i := range ends[x] {
			l := &ends[x][i]
			r.lost = max(r.lost, l.settle(r.m.Cap))
			mass := 0.0
			for j, q := range l.cells() {
				t := l.lo + j
				minutes[t] += q
				mass += q
				a.Overrun += q * float64(max(0, t-c.p.Length))
				if t <= c.p.Length {
					a.OnTime += q
				}
			}
			pace += mass * math.Exp(r.node(i).value)
			if r.sp.complete(r.sp.states[x]) {
				a.FinishToday += mass
			}
		}
	}
	for i := range r.count() {
		planned += r.node(i).prior * math.Exp(r.node(i).value)
	}
	a.Pace = pace / planned
	a.Minutes = distOf(minutes, 1)
}

// start puts what lies ahead where following begins.
func (c *chairside) start(ends [][]lane) {
	r := c.r
	c.inject(func(p, n, first int, cells []float64, q float64) {
		if p >= 0 {
			r.work.inflow[p][n].add(first, cells, q)
			return
		}
		p = -1 - p
		part := make([]float64, len(cells))
		for i, x := range cells {
			part[i] = q * x
		}
		if r.closed(c.v, p/2, p%2 == 1) {
			ends[p/2][n].convolve(r.space, first, part, r.dist(r.ks.ends[p/2], n), 1)
			return
		}
		r.spread(c.v, p/2, p, n, first, part, ends, nil)
	})
}

// straight goes on at every stopping point where that is allowed, and reads off
// the odds of coming to each.
func (c *chairside) straight(a *Answer) {
	r, v := c.r, c.v
	n := len(r.sp.states)
	ends := r.mem.grid(n, r.count())
	c.start(ends)
	for x, s := range r.sp.states {
		for b := range 2 {
			p := point(x, b == 1)
			pt := Point{State: s, Barred: b == 1, Stop: r.m.Stops[s.Stage].ID, Latest: c.p.Length - v.left[p]}
			closed := r.closed(v, x, b == 1)
			if closed {
				pt.Latest = -1
			}
			for i := range r.count() {
				l := &r.work.inflow[p][i]
				if l.empty() {
					continue
				}
				r.lost = max(r.lost, l.settle(r.m.Cap))
				l.trim(laneTail)
				end := r.dist(r.ks.ends[x], i)
				for j, q := range l.cells() {
					pt.Reach += q
					pt.InTime += q * end.AtMost(c.p.Length-l.lo-j)
				}
				if !closed && !r.sp.complete(s) {
					r.spread(v, x, p, i, l.lo, l.cells(), ends, nil)
				}
				l.reset()
			}
			if pt.Reach > 0 && (x != c.at || c.p.Running != nil) {
				a.Ahead = append(a.Ahead, pt)
			}
		}
	}
}
