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
	t := Treatment{Numbers: Numbers{CaseNodes: r.o.CaseNodes, VisitNodes: r.o.VisitNodes, Lost: max(r.lost, r.ks.lost)}}
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

// oneGo is straight by the number of canals found.
func (r *run) oneGo() ([]chairtime.Dist, error) {
	by, _ := r.straight()
	return by, nil
}

// straight follows the treatment through one visit without stops, gates or
// barring, and returns the distribution of its minutes by canals found, and the
// odds of each number.
func (r *run) straight() ([]chairtime.Dist, []float64) {
	sp, nodes := r.sp, r.ks.nodes
	at := make([][]lane, len(sp.states))
	for x := range at {
		at[x] = make([]lane, len(nodes))
	}
	for _, b := range sp.begins() {
		x := sp.index[b.state]
		for n := range nodes {
			for _, k := range [2]*kernel{r.ks.first[x].clear, r.ks.first[x].barred} {
				if k != nil {
					at[x][n].add(k.at[n].First, k.at[n].P, b.prob*r.prior(n))
				}
			}
		}
	}
	by, odds := make([]lane, sp.most+1), make([]float64, sp.most+1)
	for x := range sp.states {
		for n := range nodes {
			l := &at[x][n]
			if l.hi <= l.lo {
				continue
			}
			r.lost = max(r.lost, l.settle(r.m.Cap))
			l.trim()
			if sp.complete(sp.states[x]) {
				by[sp.states[x].Found].convolve(l.lo, l.cells(), r.ks.ends[x].at[n])
				continue
			}
			d := chairtime.Dist{First: l.lo, P: l.cells()}
			if check := r.ks.checks[x]; check != nil && !check.nothing() {
				d = d.Plus(check.at[n], r.m.Cap)
			}
			for j, mv := range sp.moves[x] {
				if mv.prob == 0 {
					continue
				}
				scaled := make([]float64, len(d.P))
				for i, q := range d.P {
					scaled[i] = mv.prob * q
				}
				p := r.ks.portions[x][j]
				for _, k := range [2]*kernel{p.clear, p.barred} {
					if k != nil {
						at[mv.to][n].convolve(d.First, scaled, k.at[n])
					}
				}
			}
		}
	}
	out := make([]chairtime.Dist, sp.most+1)
	for f := range by {
		r.lost = max(r.lost, by[f].settle(r.m.Cap))
		odds[f] = sum(by[f].cells())
		if odds[f] > 0 {
			l := by[f]
			d := chairtime.Dist{First: l.lo, P: make([]float64, l.hi-l.lo)}
			for i, q := range l.cells() {
				d.P[i] = q / odds[f]
			}
			out[f] = d
		}
	}
	return out, odds
}
