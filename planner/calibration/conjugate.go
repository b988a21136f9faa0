package calibration

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// NormalGamma is the conjugate law of a normal mean and variance
// (normal-inverse-gamma): the closed case against which the grid is checked,
// and a quick answer for one person and one kind of work.
//
//	mean | variance ~ N(Mean, variance/Weight), variance ~ InvGamma(Shape, Rate)
//
// Source: Murphy 2007; Hoff 2009, chapter 5.
type NormalGamma struct{ Mean, Weight, Shape, Rate float64 }

// Observe adds one observation.
func (g NormalGamma) Observe(x float64) NormalGamma {
	d := x - g.Mean
	g.Rate += g.Weight * d * d / (2 * (g.Weight + 1))
	g.Mean = (g.Weight*g.Mean + x) / (g.Weight + 1)
	g.Weight++
	g.Shape += 0.5
	return g
}

// Next is the law of the next observation: Student's t. On minutes,
// exp of it has no mean for any number of degrees of freedom, so only
// quantiles and odds are taken from it.
func (g NormalGamma) Next() distuv.StudentsT {
	return distuv.StudentsT{
		Mu:    g.Mean,
		Sigma: math.Sqrt(g.Rate * (g.Weight + 1) / (g.Shape * g.Weight)),
		Nu:    2 * g.Shape,
	}
}

// MeanInterval is the central interval for the mean that holds share p.
func (g NormalGamma) MeanInterval(p float64) (lo, hi float64) {
	t := distuv.StudentsT{Mu: g.Mean, Sigma: math.Sqrt(g.Rate / (g.Shape * g.Weight)), Nu: 2 * g.Shape}
	return t.Quantile((1 - p) / 2), t.Quantile((1 + p) / 2)
}

// LogEvidence is the log probability of the n observations that led from
// prior to g.
func (g NormalGamma) LogEvidence(prior NormalGamma) float64 {
	n := g.Weight - prior.Weight
	lgn, _ := math.Lgamma(g.Shape)
	lg0, _ := math.Lgamma(prior.Shape)
	return lgn - lg0 + prior.Shape*math.Log(prior.Rate) - g.Shape*math.Log(g.Rate) +
		0.5*math.Log(prior.Weight/g.Weight) - n/2*math.Log(2*math.Pi)
}

// Shrink is the posterior of a person's mean when the spread between people
// (between) and within a person (within) are known and n observations average
// mean: the estimate moves from centre to mean by the returned weight.
func Shrink(centre, between, within, mean float64, n int) (weight, estimate, sd float64) {
	b2, w2 := between*between, within*within/float64(n)
	weight = b2 / (b2 + w2)
	return weight, centre + weight*(mean-centre), math.Sqrt(weight * w2)
}
