package visits

import "github.com/visitwright/visitwright/planner/chairtime"

// Treatment is the whole treatment done in one visit, every gate passed and no
// stop made.
type Treatment struct {
	Minutes chairtime.Dist `json:"minutes"`
	// Found[i] is the same given that exactly so many canals are found.
	Found   []FoundMinutes `json:"found"`
	Numbers Numbers        `json:"numbers"`
}

// FoundMinutes is a distribution given the number of canals found.
type FoundMinutes struct {
	Found   int            `json:"found"`
	Odds    float64        `json:"odds"`
	Minutes chairtime.Dist `json:"minutes"`
}

func (r *run) treatment() Treatment {
	by, odds := r.straight()
	t := Treatment{Numbers: r.numbers(0)}
	var parts []chairtime.Part
	for f := range by {
		if odds[f] <= 0 {
			continue
		}
		parts = append(parts, chairtime.Part{Weight: odds[f], Dist: by[f]})
		t.Found = append(t.Found, FoundMinutes{Found: f, Odds: odds[f], Minutes: by[f]})
	}
	t.Minutes = chairtime.Mix(parts...)
	return t
}

// straight returns the distribution of the minutes of a treatment in one visit
// without stops, gates or barring, by canals found, and the odds of each number.
// All options share it.
func (r *run) straight() ([]chairtime.Dist, []float64) {
	r.ks.once.Do(func() {
		set := r.set
		r.set = r.ks.sets[odds]
		r.ks.oneGo, r.ks.chance = r.goStraight()
		r.set = set
	})
	return r.ks.oneGo, r.ks.chance
}

func (r *run) goStraight() ([]chairtime.Dist, []float64) {
	sp := r.sp
	at := r.mem.grid(len(sp.states), r.count())
	for _, b := range sp.entry {
		x := sp.index[b.state]
		for n := range r.count() {
			for _, k := range [2]*kernel{r.ks.first[x].clear, r.ks.first[x].barred} {
				if k != nil {
					at[x][n].add(r.dist(k, n).First, r.dist(k, n).P, b.prob*r.node(n).prior)
				}
			}
		}
	}
	by, odds := r.mem.grid(1, sp.most+1)[0], make([]float64, sp.most+1)
	r.throughout(at, func(s State) *lane { return &by[s.Found] })
	out := make([]chairtime.Dist, sp.most+1)
	for f := range by {
		l := &by[f]
		r.lost = max(r.lost, l.settle(r.m.Cap))
		odds[f] = l.mass()
		if odds[f] > 0 {
			out[f] = distOf(l.p[:l.hi], 1/odds[f])
		}
	}
	return out, odds
}

// throughout carries measures over minutes, by state and node, through every
// portion that is left, and through the closing into the lane of the state that is
// complete then.
func (r *run) throughout(at [][]lane, done func(State) *lane) {
	for x, s := range r.sp.states {
		for n := range r.count() {
			l := &at[x][n]
			if l.empty() {
				continue
			}
			r.lost = max(r.lost, l.settle(r.m.Cap))
			l.trim(laneTail)
			if r.sp.complete(s) {
				done(s).convolve(r.space, l.lo, l.cells(), r.dist(r.ks.ends[x], n), 1)
				continue
			}
			if check := r.ks.checks[x]; check != nil && !check.none {
				l = &r.mem.checked
				l.reset()
				l.convolve(r.space, at[x][n].lo, at[x][n].cells(), r.dist(check, n), 1)
				r.lost = max(r.lost, l.settle(r.m.Cap))
			}
			for _, e := range r.ks.straight[x] {
				at[e.to][n].convolve(r.space, l.lo, l.cells(), r.dist(e.k, n), e.prob)
			}
		}
	}
}
