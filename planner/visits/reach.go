package visits

// Which points a visit can come to depends on the option and on the stops, not on
// minutes: a visit ends only where the clinician may stop or where the next
// portion may not begin. Costs are computed where the plan can come, and nowhere
// else.

// findStarts marks the states in which each visit can begin.
func (r *run) findStarts() {
	n := len(r.sp.states)
	starts := make([]bool, n)
	for _, b := range r.sp.entry {
		starts[r.sp.index[b.state]] = true
	}
	for _, v := range r.visits {
		v.starts = starts
		starts = make([]bool, n)
		met := make([]bool, 2*n)
		for x := range n {
			if v.starts[x] {
				open := r.opening(v, x)
				for b, k := range [2]*kernel{open.clear, open.barred} {
					if k == nil {
						continue
					}
					if r.closed(v, x, b == 1) {
						starts[x] = true
						continue
					}
					starts[x] = starts[x] || r.mayFail(v, x)
					r.onward(point(x, b == 1), met)
				}
			}
			for b := range 2 {
				if p := point(x, b == 1); met[p] {
					starts[x] = starts[x] || r.endsIn(v, x, b == 1)
					if !r.closed(v, x, b == 1) {
						r.onward(p, met)
					}
				}
			}
		}
	}
}

// onward marks the points to which a portion leads.
func (r *run) onward(p int, met []bool) {
	for _, e := range r.edges(p) {
		met[e.to] = true
	}
}

// endsIn reports whether a visit that comes to a point can end there.
func (r *run) endsIn(v *visit, x int, barred bool) bool {
	s := r.sp.states[x]
	return !r.sp.complete(s) && (r.m.Stops[s.Stage].Allowed || r.closed(v, x, barred) || r.mayFail(v, x))
}

// mayFail reports whether the check before the state's next portion can show that
// the tooth is not ready.
func (r *run) mayFail(v *visit, x int) bool {
	return r.ks.checks[x] != nil && r.ready(v, x) < 1
}

// startAnywhere lets later visits begin wherever one can end, among the states
// given, nil for all, since a visit in the chair need not have followed the plan.
func (r *run) startAnywhere(among []bool) {
	for _, v := range r.visits[1:] {
		v.starts = make([]bool, len(r.sp.states))
		for x := range v.starts {
			s := r.sp.states[x]
			if !r.ks.resumes[x] || among != nil && !among[x] {
				continue
			}
			v.starts[x] = r.m.Stops[s.Stage].Allowed || r.mayFail(r.visits[0], x) || r.mayFail(v, x) ||
				r.sp.fills[s.Stage] && (r.ks.bars[x] || r.o.EarliestCompletion > 1)
		}
	}
}

// begins reports whether the visit can begin in the state: as the plan goes, or
// at first also after a stop that is forced on it.
func (r *run) begins(v *visit, x int) bool {
	if r.forced {
		return r.beginsForced(v, x)
	}
	return v.starts[x]
}

// beginsForced reports whether the visit can begin in the state when visits may
// also be broken off where no stop is allowed.
func (r *run) beginsForced(v *visit, x int) bool {
	if v.number > 1 {
		return r.ks.resumes[x]
	}
	return v.starts[x]
}

// asPlanned leaves out from now on what only a forced stop leads to. Lengths and
// thresholds there stay as they are.
func (r *run) asPlanned() {
	r.forced = false
	for _, v := range r.visits {
		for x := range v.curve {
			if !v.starts[x] {
				v.curve[x], v.value[x] = nil, nil
			}
		}
		v.rows = r.rowsOf(v, v.limit)
	}
}

// rowsOf is how many minutes left must be followed at each point of a visit; 0
// where it cannot come.
func (r *run) rowsOf(v *visit, limit []int) []int {
	n := len(r.sp.states)
	rows := make([]int, 2*n)
	for x := range n {
		if longest := limit[x]; longest < 0 {
			// not followed from here
		} else if r.begins(v, x) && v.beginning(x) != nil {
			for _, b := range v.beginning(x) {
				if !b.ends {
					rows[b.to] = max(rows[b.to], longest-b.k.first+1, 1)
				}
			}
		} else if r.begins(v, x) {
			open := r.opening(v, x)
			for b, k := range [2]*kernel{open.clear, open.barred} {
				if k != nil {
					p := point(x, b == 1)
					rows[p] = max(rows[p], longest-k.first+1, 1)
				}
			}
		}
		for b := range 2 {
			p := point(x, b == 1)
			if rows[p] == 0 {
				continue
			}
			rows[2*x] = max(rows[2*x], rows[p]) // what a stop costs is shared
			if v != r.current && r.closed(v, x, b == 1) {
				continue
			}
			for _, e := range r.edges(p) {
				if e.whole == nil {
					rows[e.to] = max(rows[e.to], rows[p]-e.k.first, 1)
				}
			}
		}
	}
	return rows
}
