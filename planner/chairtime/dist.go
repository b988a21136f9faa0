// Package chairtime computes with minutes in the chair as probability
// distributions.
//
// A duration lives on a lattice of whole minutes, 0 to a cap. Continuous laws
// are put on it so that their mean is kept (see Lognormal and Fine), sums are
// exact convolutions in a fixed order, and probability beyond the cap stays in
// the last cell and is reported, never renormalised away. Nothing here draws
// random numbers and nothing reads a clock: the same input gives the same bits.
//
// docs/mathematics.md holds the formulas.
package chairtime

import (
	"fmt"
	"math"
)

// Dist is a distribution over whole minutes. Cell i holds the probability of
// First+i minutes; a cell stands for the half-open minute around it, from half
// a minute below to half a minute above. The zero Dist holds no probability.
type Dist struct {
	First int       `json:"first"` // minutes of the first cell, >= 0
	P     []float64 `json:"p"`     // probabilities, each >= 0
	// Lost is the probability that was moved into the first or the last cell
	// because its own cell lies outside the range kept. It is part of P.
	Lost float64 `json:"lost"`
}

// Exactly is the distribution of a duration that takes just that many whole
// minutes.
func Exactly(minutes int) Dist { return Dist{First: max(minutes, 0), P: []float64{1}} }

// FromTable makes a distribution from minutes and their probabilities, which
// must be between 0 and 1 and sum to 1 within 1e-9.
func FromTable(p map[int]float64) (Dist, error) {
	first, last := math.MaxInt, -1
	for m := range p {
		first, last = min(first, m), max(last, m)
	}
	if last < 0 || first < 0 {
		return Dist{}, fmt.Errorf("minutes: want at least one entry and none below 0")
	}
	d := Dist{First: first, P: make([]float64, last-first+1)}
	sum := 0.0
	for m := first; m <= last; m++ {
		q := p[m]
		if math.IsNaN(q) || q < 0 || q > 1 {
			return Dist{}, fmt.Errorf("probability of %d minutes is %v: want 0 to 1", m, q)
		}
		d.P[m-first] = q
		sum += q
	}
	if math.Abs(sum-1) > 1e-9 {
		return Dist{}, fmt.Errorf("probabilities sum to %v: want 1", sum)
	}
	return d, nil
}

// Last returns the minutes of the last cell, and -1 when there is none.
func (d Dist) Last() int { return d.First + len(d.P) - 1 }

// At returns the probability of exactly that many whole minutes.
func (d Dist) At(minutes int) float64 {
	if i := minutes - d.First; i >= 0 && i < len(d.P) {
		return d.P[i]
	}
	return 0
}

// Mass returns the sum of all cells: 1 for a distribution, less for a part of one.
func (d Dist) Mass() float64 {
	sum := 0.0
	for _, q := range d.P {
		sum += q
	}
	return sum
}

// Mean returns the expected minutes.
func (d Dist) Mean() float64 {
	mass, sum := 0.0, 0.0
	for i, q := range d.P {
		mass += q
		sum += q * float64(i)
	}
	if mass == 0 {
		return 0
	}
	return float64(d.First) + sum/mass
}

// Moment returns the expected minutes times the mass: a part of a distribution adds
// that much to the mean of the whole.
func (d Dist) Moment() float64 {
	mass, sum := 0.0, 0.0
	for i, q := range d.P {
		mass += q
		sum += q * float64(i)
	}
	return float64(d.First)*mass + sum
}

// Variance returns the variance in square minutes.
func (d Dist) Variance() float64 {
	mean, mass, sum := d.Mean(), 0.0, 0.0
	for i, q := range d.P {
		x := float64(d.First+i) - mean
		mass += q
		sum += q * x * x
	}
	if mass == 0 {
		return 0
	}
	return sum / mass
}

// SD returns the standard deviation in minutes.
func (d Dist) SD() float64 { return math.Sqrt(d.Variance()) }

// AtMost returns the probability that the minutes, rounded to the nearest whole
// one, are no more than the given number.
func (d Dist) AtMost(minutes int) float64 {
	sum := 0.0
	for i := 0; i < len(d.P) && d.First+i <= minutes; i++ {
		sum += d.P[i]
	}
	return sum
}

// LongerThan returns the probability that the minutes, rounded to the nearest
// whole one, are more than the given number.
func (d Dist) LongerThan(minutes int) float64 {
	sum := 0.0
	for i := len(d.P) - 1; i >= 0 && d.First+i > minutes; i-- {
		sum += d.P[i]
	}
	return sum
}

// CDF returns the probability of at most x minutes, x continuous. Whole-minute
// cells end at half minutes; between them the distribution function is taken to
// be straight.
func (d Dist) CDF(x float64) float64 {
	pos := x + 0.5 - float64(d.First)
	if pos <= 0 {
		return 0
	}
	sum := 0.0
	for i, q := range d.P {
		if pos < float64(i+1) {
			return sum + q*(pos-float64(i))
		}
		sum += q
	}
	return sum
}

// Quantile returns the minutes that are not exceeded with probability q (0 to
// 1), interpolated between half minutes.
func (d Dist) Quantile(q float64) float64 {
	sum := 0.0
	for i, p := range d.P {
		if sum+p >= q && p > 0 {
			return math.Max(0, float64(d.First+i)-0.5+(q-sum)/p)
		}
		sum += p
	}
	return float64(d.Last())
}

// Overrun returns the expected minutes beyond a length.
func (d Dist) Overrun(length int) float64 {
	sum := 0.0
	for i := max(0, length-d.First); i < len(d.P); i++ {
		sum += d.P[i] * float64(d.First+i-length)
	}
	return sum
}

// Idle returns the expected minutes by which a length is not filled.
func (d Dist) Idle(length int) float64 {
	sum := 0.0
	for i := 0; i < len(d.P) && d.First+i < length; i++ {
		sum += d.P[i] * float64(length-d.First-i)
	}
	return sum
}
