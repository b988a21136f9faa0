// Package calibration learns from the practice's own times.
//
// A visit says how much longer or shorter the work took than predicted, on the
// log scale: y = log(actual) - log(predicted for what was really done). With
// the predicted log variance v known,
//
//	y ~ N(mu + d, tau^2 + v)
//
// where mu is the practice's speed against the published figures, d the
// clinician's against the practice, and tau the spread from visit to visit. A
// visit that was stopped adds the probability of "longer than". The spreads
// and the speeds are weighed on a fixed grid, so that the same log always
// gives the same answer, in whatever order it was read.
package calibration

import (
	"fmt"
	"math"
	"sort"
)

// Posterior is what is believed about speeds and spreads after the log.
type Posterior struct {
	prior     Prior
	speeds    []float64
	people    []string
	visits    map[string]int // visits behind each clinician
	brokenOff map[string]int
	kernels   [][]float64 // kernels[d][m*S+s]: P(speed s | practice speed m)
	own       [][]float64 // own[c][t*len(speeds)+s]: log likelihood of c's visits
	// joint[(d*T+t)*S+m]: log weight of practice speed m, clinician spread d,
	// visit spread t, all clinicians' evidence included.
	joint []float64
	// others[c]: the same with c's own evidence left out.
	others [][]float64
	// LogEvidence is the log probability of the log under the prior, up to the
	// grid's resolution; it allows two priors to be compared.
	LogEvidence float64
}

// Fit weighs the log. Visits may come in any order. An empty log gives the
// prior back. Errors name the visit by its place in the list.
func Fit(p Prior, log []Visit) (*Posterior, error) {
	if err := p.Validate(); err != nil {
		return nil, err
	}
	post := &Posterior{prior: p, speeds: p.Grid.speeds(), visits: map[string]int{}, brokenOff: map[string]int{}}
	byPerson := map[string][]summary{}
	for i, v := range log {
		s, err := summarise(v, p.HalfLife.Value)
		if err != nil {
			return nil, fmt.Errorf("visit %d: %w", i+1, err)
		}
		if v.Clinician == "" {
			return nil, fmt.Errorf("visit %d: clinician: want the name of who worked", i+1)
		}
		byPerson[v.Clinician] = append(byPerson[v.Clinician], s)
		post.visits[v.Clinician]++
		if v.BrokenOff != nil {
			post.brokenOff[v.Clinician]++
		}
	}
	for c := range byPerson {
		post.people = append(post.people, c)
	}
	sort.Strings(post.people)
	post.weigh(byPerson)
	return post, nil
}

func (post *Posterior) weigh(byPerson map[string][]summary) {
	g := post.prior.Grid
	S, T, D := len(post.speeds), len(g.VisitSDs), len(g.ClinicianSDs)
	for _, sd := range g.ClinicianSDs {
		post.kernels = append(post.kernels, normalKernel(post.speeds, sd))
	}
	clinicianPrior, visitPrior := post.prior.logPriors()
	post.joint = make([]float64, D*T*S)
	for d := range D {
		for t := range T {
			for m, mu := range post.speeds {
				lp := clinicianPrior[d] + visitPrior[t]
				if !post.prior.Flat {
					z := mu / post.prior.PracticeSD.Value
					lp -= 0.5 * z * z
				}
				post.joint[(d*T+t)*S+m] = lp
			}
		}
	}
	priorMass := logSum(post.joint)
	parts := make([][]float64, len(post.people))
	for c, person := range post.people {
		own := make([]float64, T*S)
		visits := byPerson[person]
		// The order of the log must not change the last bit of the answer.
		sort.Slice(visits, func(i, j int) bool { return visits[i].before(visits[j]) })
		for t, sd := range g.VisitSDs {
			for s, theta := range post.speeds {
				var ll float64
				for _, v := range visits {
					ll += v.logLikelihood(theta, sd*sd)
				}
				own[t*S+s] = ll
			}
		}
		post.own = append(post.own, own)
		part := make([]float64, D*T*S)
		for t := range T {
			row := own[t*S : (t+1)*S]
			top := maximum(row)
			scaled := make([]float64, S)
			for s := range row {
				scaled[s] = math.Exp(row[s] - top)
			}
			for d := range D {
				for m := range S {
					var sum float64
					k := post.kernels[d][m*S : (m+1)*S]
					for s := range scaled {
						sum += k[s] * scaled[s]
					}
					// The floor keeps a speed that the kernel cannot reach at a finite,
					// hopeless weight, so that evidence can be taken out again.
					part[(d*T+t)*S+m] = top + math.Log(math.Max(sum, math.SmallestNonzeroFloat64))
				}
			}
		}
		parts[c] = part
		for i := range part {
			post.joint[i] += part[i]
		}
	}
	post.LogEvidence = logSum(post.joint) - priorMass
	for c := range post.people {
		rest := make([]float64, len(post.joint))
		for i := range rest {
			rest[i] = post.joint[i] - parts[c][i]
		}
		post.others = append(post.others, rest)
	}
}

func (s summary) before(o summary) bool {
	if s.mean != o.mean {
		return s.mean < o.mean
	}
	if s.variance != o.variance {
		return s.variance < o.variance
	}
	if s.weight != o.weight {
		return s.weight < o.weight
	}
	if (s.bound == nil) != (o.bound == nil) {
		return s.bound == nil
	}
	return s.bound != nil && s.bound.LogRatio < o.bound.LogRatio
}

// normalKernel holds P(speed s | practice speed m) for a clinician spread sd,
// normalised on the grid.
func normalKernel(speeds []float64, sd float64) []float64 {
	n := len(speeds)
	k := make([]float64, n*n)
	for m := range n {
		var sum float64
		row := k[m*n : (m+1)*n]
		for s := range n {
			switch {
			case sd == 0 && s == m:
				row[s] = 1
			case sd > 0:
				z := (speeds[s] - speeds[m]) / sd
				row[s] = math.Exp(-0.5 * z * z)
			}
			sum += row[s]
		}
		for s := range n {
			row[s] /= sum
		}
	}
	return k
}

func maximum(x []float64) float64 {
	top := math.Inf(-1)
	for _, v := range x {
		top = math.Max(top, v)
	}
	return top
}

func logSum(x []float64) float64 {
	top := maximum(x)
	var sum float64
	for _, v := range x {
		sum += math.Exp(v - top)
	}
	return top + math.Log(sum)
}
