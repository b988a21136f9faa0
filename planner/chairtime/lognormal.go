package chairtime

import (
	"fmt"
	"math"
)

// Lognormal is the law of a duration whose logarithm is normal: Median minutes
// times exp(LogSD z). LogSD 0 is a duration of exactly Median minutes.
type Lognormal struct {
	Median float64 // minutes, >= 0
	LogSD  float64 // >= 0
}

// FromMeanCV returns the lognormal law with that mean (minutes, above 0) and
// coefficient of variation (>= 0): LogSD^2 = ln(1+CV^2).
func FromMeanCV(mean, cv float64) (Lognormal, error) {
	if !(mean > 0) || !(cv >= 0) || math.IsInf(mean, 0) || math.IsInf(cv, 0) {
		return Lognormal{}, fmt.Errorf("mean %v minutes, coefficient of variation %v: want a mean above 0 and a coefficient of 0 or more", mean, cv)
	}
	s2 := math.Log1p(cv * cv)
	return Lognormal{Median: mean * math.Exp(-s2/2), LogSD: math.Sqrt(s2)}, nil
}

// FromMedianAndQuantile returns the lognormal law with that median and the value
// x at probability q, 0.5 < q < 1, x >= median > 0.
func FromMedianAndQuantile(median, q, x float64) (Lognormal, error) {
	if !(median > 0) || !(q > 0.5 && q < 1) || !(x >= median) {
		return Lognormal{}, fmt.Errorf("median %v, %v at probability %v: want 0 < median <= value and a probability between 0.5 and 1", median, x, q)
	}
	return Lognormal{Median: median, LogSD: math.Log(x/median) / normalQuantile(q)}, nil
}

// Mean returns the expected minutes.
func (l Lognormal) Mean() float64 { return l.Median * math.Exp(l.LogSD*l.LogSD/2) }

// SD returns the standard deviation in minutes.
func (l Lognormal) SD() float64 { return l.Mean() * math.Sqrt(math.Expm1(l.LogSD*l.LogSD)) }

// CDF returns the probability of at most x minutes.
func (l Lognormal) CDF(x float64) float64 {
	if l.LogSD == 0 || l.Median == 0 {
		if x >= l.Median {
			return 1
		}
		return 0
	}
	if x <= 0 {
		return 0
	}
	return normalCDF(math.Log(x/l.Median) / l.LogSD)
}

// Quantile returns the minutes not exceeded with probability q, 0 < q < 1.
func (l Lognormal) Quantile(q float64) float64 {
	if l.LogSD == 0 {
		return l.Median
	}
	return l.Median * math.Exp(l.LogSD*normalQuantile(q))
}

// Excess returns the expected minutes beyond x, E[max(X-x, 0)]. With
// w = ln(x/Median)/LogSD it is Mean*Phi(LogSD-w) - x*Phi(-w).
func (l Lognormal) Excess(x float64) float64 {
	if x <= 0 {
		return l.Mean() - x
	}
	if l.LogSD == 0 || l.Median == 0 {
		return math.Max(l.Median-x, 0)
	}
	w := math.Log(x/l.Median) / l.LogSD
	return math.Max(l.Mean()*normalCDF(l.LogSD-w)-x*normalCDF(-w), 0)
}

// Shortfall returns the expected minutes short of x, E[max(x-X, 0)].
func (l Lognormal) Shortfall(x float64) float64 { return x - l.Mean() + l.Excess(x) }

// BestLength returns the length b that minimises
// overrun*E[(X-b)+] + idle*E[(b-X)+], the quantile overrun/(overrun+idle), and
// that least cost in closed form.
func (l Lognormal) BestLength(overrun, idle float64) (length, cost float64) {
	z := normalQuantile(overrun / (overrun + idle))
	return l.Median * math.Exp(l.LogSD*z),
		(overrun+idle)*l.Mean()*normalCDF(l.LogSD-z) - idle*l.Mean()
}

// Minutes puts the law on whole minutes, 0 to cap, keeping its mean.
func (l Lognormal) Minutes(cap int) Dist {
	return FineLognormal(l, 1).Excess().Minutes(1, 0, cap)
}
