package visits

import "fmt"

// given puts lengths and thresholds that are given in the place of chosen ones.
func (r *run) given(lengths []Length, table []Entry) error {
	for _, v := range r.visits {
		for x := range r.sp.states {
			v.length[x] = r.m.Grid.Most
			for b := range 2 {
				if r.closed(v, x, b == 1) {
					v.left[point(x, b == 1)] = Never
				}
			}
		}
	}
	for i, l := range lengths {
		x, ok := r.sp.index[l.Begin]
		if !ok || l.Visit < 1 || l.Visit > len(r.visits) || l.Minutes < 1 || l.Minutes > r.m.Cap {
			return wrong(fmt.Sprintf("lengths[%d]", i), "visit %d from %+v of %d minutes: want a visit up to the horizon, a state of this model and 1 minute to the cap, %d", l.Visit, l.Begin, l.Minutes, r.m.Cap)
		}
		r.visits[l.Visit-1].length[x] = l.Minutes
	}
	for i, e := range table {
		x, ok := r.sp.index[e.State]
		if !ok || e.Visit < 1 || e.Visit > len(r.visits) || e.LeastLeft < 0 {
			return wrong(fmt.Sprintf("table[%d]", i), "visit %d at %+v with %d minutes: want a visit up to the horizon, a state of this model and 0 minutes or more", e.Visit, e.State, e.LeastLeft)
		}
		v := r.visits[e.Visit-1]
		if r.closed(v, x, e.Barred) || !r.m.Stops[e.State.Stage].Allowed || (e.Barred && !r.ks.bars[x]) {
			continue // not a choice, or the same as the entry without the bar
		}
		v.left[point(x, e.Barred)] = e.LeastLeft
	}
	return nil
}
