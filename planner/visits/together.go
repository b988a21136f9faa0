package visits

// together looks for lengths of the visits booked ahead that go well with each
// other, before the search settles: a long first visit with a short second one may
// be as good as the reverse, and no step along one length leads from one to the
// other. Each length of a visit after the first is tried while the thresholds and
// lengths of the visits before follow; the first visit's length is read off its
// curve every time.
func (r *run) together() {
	ahead := r.visits[:r.o.BookedAhead]
	if len(ahead) < 2 {
		return
	}
	r.wide = true
	defer func() { r.wide = false }()
	now := make([]int, len(ahead))
	for i, v := range ahead {
		now[i] = r.first[len(r.first)/2]
		if v.fixed > 0 {
			now[i] = v.fixed
		}
	}
	// settle makes visit i (from 0) have its length and the visits before it follow,
	// and returns the cost with the best first length.
	settle := func(i int) (float64, int) {
		for j := i; j > 0; j-- {
			if j < i {
				r.backwardVisit(j)
			}
			r.setLength(ahead[j], now[j])
		}
		r.backwardVisit(0)
		best, length := 0.0, 0
		for _, l := range ahead[0].choice[r.sp.index[r.sp.entry[0].state]] {
			cost, least := 0.0, 0.0
			for _, b := range r.sp.entry {
				x := r.sp.index[b.state]
				least += b.prob * ahead[0].least[x]
				for c, w := range r.set.cases {
					cost += b.prob * w * ahead[0].curve[x][c][l]
				}
			}
			if float64(l) >= least && (length == 0 || micro(cost) < micro(best)) {
				best, length = cost, l
			}
		}
		return best, length
	}
	const apart = 3
	for i := len(ahead) - 1; i > 0; i-- {
		if ahead[i].fixed == 0 {
			r.backwardVisit(i) // for the lengths behind it as they are now
			best, length := 0.0, 0
			for at := 0; at < len(r.first); at += apart {
				now[i] = r.first[at]
				if cost, first := settle(i); first > 0 && (length == 0 || micro(cost) < micro(best)) {
					best, length = cost, now[i]
				}
			}
			if length > 0 {
				now[i] = length
			}
			settle(i)
		}
	}
	_, now[0] = settle(len(ahead) - 1)
	if now[0] > 0 {
		r.setLength(ahead[0], now[0])
	}
}

// setLength gives a visit one length in every state.
func (r *run) setLength(v *visit, length int) {
	for x, curve := range v.curve {
		v.length[x] = length
		for c, row := range curve {
			v.value[x][c] = row[length]
		}
	}
}
