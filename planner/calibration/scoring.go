package calibration

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// PIT is the probability integral transform of an observed whole number of
// minutes under a distribution on whole minutes, spread over its cell by v in
// [0, 1). Over many visits it is uniform when the predictions are honest.
func PIT(p []float64, minutes int, v float64) float64 {
	var below float64
	for k := 0; k < minutes && k < len(p); k++ {
		below += p[k]
	}
	if minutes < 0 || minutes >= len(p) {
		return math.Min(below, 1)
	}
	return math.Min(below+v*p[minutes], 1)
}

// Histogram counts transforms into n equal bins (n at least 1).
func Histogram(pits []float64, n int) []int {
	bins := make([]int, n)
	for _, u := range pits {
		i := int(u * float64(n))
		bins[min(max(i, 0), n-1)]++
	}
	return bins
}

// Pinball is the quantile loss of a forecast q at level tau when y was seen:
// tau*(y-q) when short, (1-tau)*(q-y) when long.
func Pinball(tau, q, y float64) float64 {
	return math.Max(tau*(y-q), (tau-1)*(y-q))
}

// BookingLoss is what a booked length cost against the minutes it took: overrun
// and idle minutes at their costs. It is (overrun+idle) times the pinball loss
// at level overrun/(overrun+idle), so that a length is judged by the same cost
// that chose it.
func BookingLoss(overrun, idle, booked, took float64) float64 {
	return (overrun + idle) * Pinball(overrun/(overrun+idle), booked, took)
}

// IntervalScore judges a central interval [lo, hi] meant to hold a share of
// 1-alpha: its width plus 2/alpha times the distance by which y lies outside.
// Source: Gneiting and Raftery 2007.
func IntervalScore(alpha, lo, hi, y float64) float64 {
	return hi - lo + 2/alpha*math.Max(0, math.Max(lo-y, y-hi))
}

// CRPS of a distribution on whole minutes: the integral of the squared
// distance between forecast and observed step, in minutes.
func CRPS(p []float64, y float64) float64 {
	var absolute, spread, cdf float64
	for k, w := range p {
		absolute += w * math.Abs(float64(k)-y)
		cdf += w
		// Sum over cells of F(1-F) is half of E|X-X'|.
		spread += cdf * (1 - cdf)
	}
	return absolute - spread
}

// CRPSNormal is the continuous ranked probability score of N(mean, sd^2).
func CRPSNormal(mean, sd, y float64) float64 {
	z := (y - mean) / sd
	n := distuv.UnitNormal
	return sd * (z*(2*n.CDF(z)-1) + 2*n.Prob(z) - 1/math.Sqrt(math.Pi))
}

// CRPSLogNormal is the score of exp(N(mu, sigma^2)). Source: Baran and Lerch
// 2015; two widely read documentation pages print it wrong, the test holds the
// numerical integral.
func CRPSLogNormal(mu, sigma, y float64) float64 {
	if sigma == 0 {
		return math.Abs(math.Exp(mu) - y)
	}
	n := distuv.UnitNormal
	w := (math.Log(y) - mu) / sigma
	return y*(2*n.CDF(w)-1) - 2*math.Exp(mu+sigma*sigma/2)*(n.CDF(w-sigma)+n.CDF(sigma/math.Sqrt2)-1)
}

// Coverage says how many of n visits stayed within their length and the 95 %
// interval for the true share (Wilson 1927).
type Coverage struct {
	Visits, Within int
	Share, Lo, Hi  float64
}

// Cover counts the visits that took no longer than booked. The two lists have
// one entry a visit.
func Cover(booked, took []float64) Coverage {
	c := Coverage{Visits: min(len(booked), len(took))}
	for i := range c.Visits {
		if took[i] <= booked[i] {
			c.Within++
		}
	}
	if c.Visits == 0 {
		c.Hi = 1
		return c
	}
	const z = 1.959963984540054
	n := float64(c.Visits)
	c.Share = float64(c.Within) / n
	mid := (c.Share + z*z/(2*n)) / (1 + z*z/n)
	half := z / (1 + z*z/n) * math.Sqrt(c.Share*(1-c.Share)/n+z*z/(4*n*n))
	c.Lo, c.Hi = math.Max(0, mid-half), math.Min(1, mid+half)
	return c
}
