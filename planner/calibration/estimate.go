package calibration

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// Estimate is what the planner takes from calibration for one person or for
// the practice.
type Estimate struct {
	// LogSpeed multiplies the predicted medians by exp(LogSpeed): above 0 is
	// slower than published.
	LogSpeed float64 `json:"log_speed"`
	// LogSpeedSD says how well LogSpeed is known.
	LogSpeedSD float64 `json:"log_speed_sd"`
	// VisitSD is the spread from visit to visit on the log scale.
	VisitSD float64 `json:"visit_sd"`
	// Visits stand behind the estimate, BrokenOff of them stopped early.
	Visits    int `json:"visits"`
	BrokenOff int `json:"broken_off"`
}

// Spread is the log standard deviation to plan with: what is not known about
// the speed and what varies from visit to visit.
func (e Estimate) Spread() float64 { return math.Hypot(e.LogSpeedSD, e.VisitSD) }

// Predictive is the law of log(actual) - log(predicted) for a coming visit, as
// a mixture of normals. It is used for quantiles and odds only: the mean of
// exp of such a mixture need not be a useful number.
type Predictive struct {
	weights, means, variances []float64
	Estimate                  Estimate
}

// Clinician predicts for one person. Somebody without a logged visit is
// predicted as a newcomer to the practice.
func (post *Posterior) Clinician(name string) Predictive {
	S, T := len(post.speeds), len(post.prior.Grid.VisitSDs)
	base, own := post.joint, []float64(nil)
	if c, ok := slices.BinarySearch(post.people, name); ok {
		base, own = post.others[c], post.own[c]
	}
	top := maximum(base)
	weight := make([]float64, T*S)
	for d, k := range post.kernels {
		for t := range T {
			for m := range S {
				w := math.Exp(base[(d*T+t)*S+m] - top)
				if w < 1e-14 {
					continue
				}
				for s := range S {
					weight[t*S+s] += w * k[m*S+s]
				}
			}
		}
	}
	if own != nil {
		peak := maximum(own)
		for i := range weight {
			weight[i] *= math.Exp(own[i] - peak)
		}
	}
	p := post.predictive(weight)
	p.Estimate.Visits = post.visits[name]
	p.Estimate.BrokenOff = post.brokenOff[name]
	return p
}

// Practice predicts for the practice's own speed, the person left open.
func (post *Posterior) Practice() Predictive {
	S, T := len(post.speeds), len(post.prior.Grid.VisitSDs)
	top := maximum(post.joint)
	weight := make([]float64, T*S)
	for i, lw := range post.joint {
		weight[i%(T*S)] += math.Exp(lw - top)
	}
	p := post.predictive(weight)
	for _, c := range post.people {
		p.Estimate.Visits += post.visits[c]
		p.Estimate.BrokenOff += post.brokenOff[c]
	}
	return p
}

func (post *Posterior) predictive(weight []float64) Predictive {
	S := len(post.speeds)
	var total float64
	for _, w := range weight {
		total += w
	}
	var p Predictive
	var mean, square, visit float64
	for i, w := range weight {
		w /= total
		if w < 1e-12 {
			continue
		}
		theta, sd := post.speeds[i%S], post.prior.Grid.VisitSDs[i/S]
		p.weights = append(p.weights, w)
		p.means = append(p.means, theta)
		p.variances = append(p.variances, sd*sd)
		mean += w * theta
		square += w * theta * theta
		visit += w * sd * sd
	}
	p.Estimate.LogSpeed = mean
	p.Estimate.LogSpeedSD = math.Sqrt(math.Max(0, square-mean*mean))
	p.Estimate.VisitSD = math.Sqrt(visit)
	return p
}

// CDF is the probability that a visit whose own log variance is v comes out at
// or below the log ratio y.
func (p Predictive) CDF(y, v float64) float64 {
	var f float64
	for i, w := range p.weights {
		f += w * distuv.UnitNormal.CDF((y-p.means[i])/math.Sqrt(p.variances[i]+v))
	}
	return f
}

// Quantile is the log ratio that a visit whose own log variance is v stays at
// or below with probability q (0 < q < 1).
func (p Predictive) Quantile(q, v float64) float64 {
	lo, hi := -10.0, 10.0
	for i, m := range p.means {
		w := 10 * math.Sqrt(p.variances[i]+v)
		lo, hi = math.Min(lo, m-w), math.Max(hi, m+w)
	}
	for range 80 {
		mid := (lo + hi) / 2
		if p.CDF(mid, v) < q {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}
