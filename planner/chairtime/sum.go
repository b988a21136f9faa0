package chairtime

// Plus returns the distribution of the sum of two independent durations. What
// lies beyond cap minutes is put into the cell of cap and counted as Lost.
func (d Dist) Plus(e Dist, cap int) Dist { return d.PlusIn(new(Convolver), nil, e, cap, 0) }

// PlusIn is Plus with working space, and with the result in the cells given when
// they are enough; neither operand may lie there. Products far out that come to no
// more than tail at either end are left out as in Convolver.AddWithin.
func (d Dist) PlusIn(space *Convolver, cells []float64, e Dist, cap int, tail float64) Dist {
	if len(d.P) == 0 || len(e.P) == 0 {
		return Dist{}
	}
	size := len(d.P) + len(e.P) - 1
	if len(cells) < size {
		cells = make([]float64, size)
	}
	out := Dist{First: d.First + e.First, P: cells[:size]}
	clear(out.P)
	moved := space.AddWithin(out.P, d.P, e.P, 1, tail)
	out.Lost = d.Lost + e.Lost + moved // at most
	out.capAt(cap)
	return out
}

// capAt moves what lies beyond cap into the cell of cap.
func (d *Dist) capAt(cap int) {
	if d.Last() <= cap {
		return
	}
	if d.First > cap {
		mass := d.Mass()
		*d = Dist{First: cap, P: []float64{mass}, Lost: mass}
		return
	}
	beyond := 0.0
	for i := len(d.P) - 1; d.First+i > cap; i-- {
		beyond += d.P[i]
	}
	d.P = d.P[:cap-d.First+1]
	d.P[len(d.P)-1] += beyond
	d.Lost += beyond
}

// Part is one case of a mixture.
type Part struct {
	Weight float64
	Dist   Dist
}

// Mix returns the mixture of distributions with the given weights, which are
// not normalised: weights that sum to 1 give a distribution.
func Mix(parts ...Part) Dist {
	first, last := -1, -1
	for _, p := range parts {
		if len(p.Dist.P) == 0 {
			continue
		}
		if first < 0 || p.Dist.First < first {
			first = p.Dist.First
		}
		last = max(last, p.Dist.Last())
	}
	if first < 0 {
		return Dist{}
	}
	out := Dist{First: first, P: make([]float64, last-first+1)}
	for _, p := range parts {
		cells := out.P[p.Dist.First-first:]
		for i, q := range p.Dist.P {
			cells[i] += p.Weight * q
		}
		out.Lost += p.Weight * p.Dist.Lost
	}
	return out
}

// Maybe returns the distribution of a duration that is added with probability
// p, and takes no time otherwise.
func (d Dist) Maybe(p float64) Dist {
	return Mix(Part{1 - p, Exactly(0)}, Part{p, d})
}

// AtLeast returns the distribution of the longer of the duration and a fixed
// number of whole minutes: irrigant contact while the work goes on.
func (d Dist) AtLeast(minutes int) Dist {
	if len(d.P) == 0 || d.First >= minutes {
		return d
	}
	out := Dist{First: minutes, P: make([]float64, max(d.Last()-minutes, 0)+1), Lost: d.Lost}
	for i, q := range d.P {
		out.P[max(d.First+i-minutes, 0)] += q
	}
	return out
}

// Trim drops cells at both ends as long as the probability dropped at that end
// stays within tail. What is dropped is put into the outermost cell kept and
// counted as Lost, so the sum of the cells is kept.
func (d Dist) Trim(tail float64) Dist {
	d.P = append([]float64(nil), d.P...)
	d.cut(tail)
	return d
}

// TrimIn is Trim that changes the cells of the distribution themselves.
func (d Dist) TrimIn(tail float64) Dist {
	d.cut(tail)
	return d
}

// cut is TrimIn for a distribution that stays.
func (d *Dist) cut(tail float64) {
	lo, hi := 0, len(d.P)
	low, high := 0.0, 0.0
	for lo < hi-1 && low+d.P[lo] <= tail {
		low += d.P[lo]
		lo++
	}
	for hi-1 > lo && high+d.P[hi-1] <= tail {
		high += d.P[hi-1]
		hi--
	}
	if hi <= lo {
		return
	}
	d.First += lo
	d.P = d.P[lo:hi]
	d.Lost += low + high
	d.P[0] += low
	d.P[len(d.P)-1] += high
}
