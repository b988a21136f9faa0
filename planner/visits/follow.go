package visits

import "fmt"

// follow evaluates given lengths and thresholds.
func (r *run) follow(lengths []Length, table []Entry) (Result, error) {
	longest := r.m.Grid.Most
	for _, l := range lengths {
		longest = max(longest, l.Minutes)
	}
	if longest > r.m.Cap {
		return Result{}, wrong("lengths", "%d minutes: want at most the cap, %d", longest, r.m.Cap)
	}
	if longest > r.reach { // tables reach to the longest length
		o := r.o
		o.Lengths = append([]int(nil), make([]int, 1)...)
		o.Lengths[0] = longest
		wide := newRun(r.sp, r.ks, o)
		wide.o = r.o
		for _, v := range wide.visits {
			v.fixed = 0
		}
		r = wide
	}
	for _, v := range r.visits {
		for x, s := range r.sp.states {
			v.length[x] = r.m.Grid.Most
			if r.sp.complete(s) {
				continue
			}
			for b := range 2 {
				if r.closed(v, x, b == 1) {
					v.left[point(x, b == 1)] = Never
				}
			}
		}
	}
	for i, l := range lengths {
		x, ok := r.sp.index[l.Begin]
		if !ok || l.Visit < 1 || l.Visit > len(r.visits) || l.Minutes < 1 {
			return Result{}, wrong(fmt.Sprintf("lengths[%d]", i), "visit %d from %+v of %d minutes: want a visit up to the horizon, a state of this model and 1 minute or more", l.Visit, l.Begin, l.Minutes)
		}
		r.visits[l.Visit-1].length[x] = l.Minutes
	}
	for i, e := range table {
		x, ok := r.sp.index[e.State]
		if !ok || e.Visit < 1 || e.Visit > len(r.visits) || e.LeastLeft < 0 {
			return Result{}, wrong(fmt.Sprintf("table[%d]", i), "visit %d at %+v with %d minutes: want a visit up to the horizon, a state of this model and 0 minutes or more", e.Visit, e.State, e.LeastLeft)
		}
		v, p := r.visits[e.Visit-1], point(x, e.Barred)
		if r.closed(v, x, e.Barred) || !r.m.Stops[e.State.Stage].Allowed {
			continue // not a choice
		}
		v.left[p] = e.LeastLeft
	}
	r.backward(false)
	return r.result(0)
}
