package visits

// The first portion of a visit is begun without a choice, so from its beginning to
// the first point at which the clinician chooses a visit is one piece of work. It
// is put together once and serves every visit, every option and every sweep.

// beginning is one way in which a visit can begin: the minutes up to a point, or up
// to its end.
type beginning struct {
	k       *kernel
	prob    float64
	ends    bool     // the visit is over, closing included,
	to      int      // in this state; else it has come to this point
	between []passed // points passed on the way, by their probability
}

// findBeginnings puts the beginnings of all visits together, but for those of one
// visit (0 for none).
func (r *run) findBeginnings(w *workshop, but int) {
	var later [2][][]beginning // of visits after the first: filling allowed, forbidden
	for _, v := range r.visits {
		var all [][]beginning
		switch {
		case v.number == but:
			continue
		case v.number == 1:
			all = make([][]beginning, len(r.sp.states))
		case v.forbidden:
			all = later[1]
		default:
			all = later[0]
		}
		if all == nil {
			all = make([][]beginning, len(r.sp.states))
			if v.forbidden {
				later[1] = all
			} else {
				later[0] = all
			}
		}
		for x, starts := range v.starts {
			if starts && all[x] == nil {
				all[x] = r.beginnings(w, v, x)
			}
			if starts {
				for _, b := range all[x] {
					r.lost = max(r.lost, b.k.lost)
				}
			}
		}
		v.beginnings = all
	}
}

// beginnings returns the ways in which a visit can begin in a state.
func (r *run) beginnings(w *workshop, v *visit, x int) []beginning {
	var out []beginning
	open := r.opening(v, x)
	for b, k := range [2]*kernel{open.clear, open.barred} {
		if k == nil {
			continue
		}
		if r.closed(v, x, b == 1) {
			out = append(out, beginning{k: w.inTurn(k, r.ks.ends[x]), prob: 1, ends: true, to: x})
			continue
		}
		ready := 1.0
		if check := r.ks.checks[x]; check != nil {
			ready = r.ready(v, x)
			if !check.none {
				k = w.inTurn(k, check)
			}
			if ready < 1 {
				out = append(out, beginning{k: w.inTurn(k, r.ks.ends[x]), prob: 1 - ready, ends: true, to: x})
			}
		}
		out = r.onwardFrom(w, out, k, point(x, b == 1), ready)
	}
	return out
}

// onwardFrom adds what a portion begun at a point leads to, after work that took
// as long as k with a probability.
func (r *run) onwardFrom(w *workshop, out []beginning, k *kernel, p int, prob float64) []beginning {
	for _, e := range r.ks.edges[p] {
		x := e.to / 2
		q := prob * e.prob
		switch {
		case q == 0:
		case r.sp.complete(r.sp.states[x]):
			out = append(out, beginning{k: w.inTurn(k, w.inTurn(e.k, r.ks.ends[x])), prob: q, ends: true, to: x})
		case r.ks.passes[x]:
			sofar := w.inTurn(k, e.k)
			first := len(out)
			out = r.onwardFrom(w, out, sofar, e.to, q)
			if first < len(out) {
				out[first].between = append(out[first].between, passed{e.to, q * sofar.mass})
			}
		default:
			out = append(out, beginning{k: w.inTurn(k, e.k), prob: q, to: e.to})
		}
	}
	return out
}

// beginning is how the visit can begin in the state, nil where that is not put
// together.
func (v *visit) beginning(x int) []beginning {
	if v.beginnings == nil {
		return nil
	}
	return v.beginnings[x]
}
