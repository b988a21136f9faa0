package visits

import (
	"cmp"
	"slices"

	"github.com/visitwright/visitwright/planner/chairtime"
)

// result reads the plan off what was followed on the nodes of the odds.
func (r *run) result(sweeps int, outs []*outcome) Result {
	sp, m := r.sp, r.m
	res := Result{Option: r.o, Numbers: r.numbers(sweeps)}
	found := make([]float64, sp.most+1)
	finished := r.mem.zeros(sp.most+1, len(r.visits))
	total := make([]float64, m.Cap+1)
	done := 0.0
	for i, v := range r.visits {
		o := outs[i]
		completed := 0.0
		for x, s := range sp.states {
			q := sum(o.ends[x])
			complete := sp.complete(s)
			if complete {
				completed += q
				finished[s.Found][i] += q
			}
			if complete || i == len(r.visits)-1 {
				found[s.Found] += q
				for c := range o.total[x] {
					l := &o.total[x][c]
					for t, q := range l.cells() {
						total[l.lo+t] += q
					}
				}
			}
		}
		done += completed
		unused := completed * float64(max(0, r.o.BookedAhead-v.number))
		res.Complete = append(res.Complete, done)
		res.ExpectedVisits += o.happens
		res.ExpectedUnused += unused
		res.Visits = append(res.Visits, r.visitOf(v, o))
		r.entries(v, o, &res)
	}
	last := outs[len(outs)-1]
	for x, row := range r.rest {
		for c := range row {
			res.Unfinished += last.ends[x][c]
		}
	}
	res.Parts = r.parts(outs)
	res.Cost = res.Parts.sum()
	res.CostMicro = micro(res.Cost)
	res.Total = distOf(total, 1)
	one, _ := r.straight()
	for f, q := range found {
		if q <= 0 {
			continue
		}
		c := CanalOutcome{Found: f, Odds: q, OneGo: one[f], Complete: make([]float64, len(r.visits))}
		sum := 0.0
		for i, done := range finished[f] {
			sum += done
			c.Complete[i] = sum / q
		}
		res.Canals = append(res.Canals, c)
	}
	res.Numbers.Lost = max(r.lost, r.ks.lost)
	return res
}

// parts is what the plan that was followed costs, by cause.
func (r *run) parts(outs []*outcome) Parts {
	var p Parts
	c := r.m.Cost
	for i, v := range r.visits {
		o := outs[i]
		completed := 0.0
		for x, s := range r.sp.states {
			if r.sp.complete(s) {
				completed += sum(o.ends[x])
			}
		}
		p.Unused += c.Unused * completed * float64(max(0, r.o.BookedAhead-v.number))
		p.Overrun += c.Overrun * o.overrun
		p.Idle += c.Idle * o.idle
		if i > 0 {
			p.Visits += c.Visit * o.happens
		}
		for t, q := range o.minutes {
			p.Work += c.Work * q * float64(t)
		}
	}
	last := outs[len(outs)-1]
	for x, row := range r.rest {
		for c, price := range row {
			p.Unfinished += last.ends[x][c] * price
		}
	}
	return p
}

func (p Parts) sum() float64 {
	return p.Work + p.Overrun + p.Idle + p.Visits + p.Unused + p.Unfinished
}

func (r *run) numbers(sweeps int) Numbers {
	d, o := r.ks.sets[deciding], r.ks.sets[odds]
	return Numbers{
		DecideCaseNodes: len(d.cases), DecideVisitNodes: d.visits,
		CaseNodes: len(o.cases), VisitNodes: o.visits, FactorNodes: o.hi - o.lo,
		Sweeps: sweeps, Lost: max(r.lost, r.ks.lost),
	}
}

// visitOf is what is expected of one visit.
func (r *run) visitOf(v *visit, o *outcome) Visit {
	vis := Visit{Number: v.number, Happens: o.happens, BookedAhead: v.ahead}
	if o.happens == 0 {
		return vis
	}
	vis.Minutes = distOf(o.minutes, 1/o.happens)
	vis.Quantile = o.onTime / o.happens
	vis.Overrun, vis.Idle = o.overrun/o.happens, o.idle/o.happens
	if b := r.o.Bear.Minutes; b > 0 {
		vis.Longer = longerThan(o.minutes, b) / o.happens
	}
	likeliest := 0.0
	for x, w := range o.weight {
		q := sum(w)
		if q == 0 {
			continue
		}
		if q > likeliest {
			likeliest, vis.Length = q, v.length[x]
		}
		vis.LeastMinutes += q / o.happens * r.leastVisit(v, x)
	}
	for x, s := range r.sp.states {
		if q := sum(o.ends[x]); q > 0 {
			vis.Ends = append(vis.Ends, End{State: s, Stop: r.m.Stops[s.Stage].ID, Odds: q / o.happens})
		}
	}
	slices.SortStableFunc(vis.Ends, func(a, b End) int { return cmp.Compare(b.Odds, a.Odds) })
	return vis
}

// entries writes the visit's part of the table and its lengths.
func (r *run) entries(v *visit, o *outcome, res *Result) {
	for x, s := range r.sp.states {
		if r.sp.complete(s) {
			continue
		}
		if r.beginsForced(v, x) {
			res.Lengths = append(res.Lengths, Length{Visit: v.number, Begin: s, Minutes: v.length[x]})
		}
		if !r.ks.met[x] {
			continue
		}
		for b := range 2 {
			barred := b == 1
			if barred && !r.ks.barrable {
				continue
			}
			p := point(x, barred && r.ks.bars[x])
			e := Entry{Visit: v.number, State: s, Barred: barred, Stop: r.m.Stops[s.Stage].ID, Rule: Chosen, LeastLeft: v.left[p]}
			switch {
			case r.closed(v, x, barred):
				e.Rule, e.LeastLeft = MayNotBegin, Never
			case !r.m.Stops[s.Stage].Allowed:
				e.Rule = NotAllowed
			}
			if barred == (p%2 == 1) {
				e.Reached = o.reached[p]
				if e.Reached > 0 {
					e.GoOn = o.goes[p] / e.Reached
				}
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
