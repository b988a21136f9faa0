package calibration

import (
	"fmt"
	"math"
)

// Timing compares one piece of work that was finished with its prediction.
type Timing struct {
	// LogRatio is log(actual minutes) - log(predicted median minutes), the
	// prediction being for what was really done (canals treated, events met).
	LogRatio float64 `json:"log_ratio"`
	// LogVariance is the variance of log minutes that the prediction itself
	// gives to this work, the shared factors left out. Above 0.
	LogVariance float64 `json:"log_variance"`
}

// Visit is what one visit says about the speed of the person who worked.
//
// Every finished portion counts, and a portion that was broken off counts as
// "longer than": where a visit stops depends on time, so a log that kept only
// finished visits would look faster than the practice is.
type Visit struct {
	Clinician string   `json:"clinician"`
	Finished  []Timing `json:"finished"`
	// BrokenOff is the portion that was running when the visit was stopped:
	// its LogRatio is a lower bound.
	BrokenOff *Timing `json:"broken_off,omitempty"`
	// Age is how many visits of the same group lie between this one and now (0
	// for the newest); older visits count less, see Prior.HalfLife.
	Age int `json:"age"`
}

// summary is a visit reduced to what its likelihood needs: the finished
// portions share one visit factor, so that their precision-weighted mean and
// the precision are sufficient for speed and factor.
type summary struct {
	mean, variance float64 // variance is 0 when nothing was finished
	finished       int
	bound          *Timing
	weight         float64
}

func summarise(v Visit, halfLife float64) (summary, error) {
	s := summary{weight: 1, finished: len(v.Finished)}
	var precision float64
	for i, t := range v.Finished {
		if err := t.validate(fmt.Sprintf("finished[%d]", i)); err != nil {
			return s, err
		}
		precision += 1 / t.LogVariance
		s.mean += t.LogRatio / t.LogVariance
	}
	if precision > 0 {
		s.mean /= precision
		s.variance = 1 / precision
	}
	if v.BrokenOff != nil {
		if err := v.BrokenOff.validate("broken_off"); err != nil {
			return s, err
		}
		s.bound = v.BrokenOff
	}
	if s.finished == 0 && s.bound == nil {
		return s, fmt.Errorf("finished: a visit without a finished or broken-off portion says nothing about time; want at least one")
	}
	if v.Age < 0 {
		return s, fmt.Errorf("age %d: want 0 for the newest visit or above", v.Age)
	}
	if halfLife > 0 {
		s.weight = math.Exp2(-float64(v.Age) / halfLife)
	}
	return s, nil
}

func (t Timing) validate(field string) error {
	if math.IsNaN(t.LogRatio) || math.IsInf(t.LogRatio, 0) {
		return fmt.Errorf("%s.log_ratio: want a finite number (both times above 0 minutes)", field)
	}
	if !(t.LogVariance > 0) || math.IsInf(t.LogVariance, 0) {
		return fmt.Errorf("%s.log_variance %g: want a number above 0", field, t.LogVariance)
	}
	return nil
}

// logLikelihood of the visit for a person whose speed is theta (log scale) and
// whose visits vary with the given log variance tau2 around it.
//
// The visit factor is integrated out in closed form: given the finished
// portions it is normal, and a normal mean of a normal tail is a normal tail.
func (s summary) logLikelihood(theta, tau2 float64) float64 {
	var ll float64
	factorMean, factorVar := 0.0, tau2
	if s.finished > 0 {
		total := tau2 + s.variance
		r := s.mean - theta
		ll = -0.5 * (math.Log(2*math.Pi*total) + r*r/total)
		factorMean = tau2 / total * r
		factorVar = tau2 * s.variance / total
	}
	if s.bound != nil {
		z := (s.bound.LogRatio - theta - factorMean) / math.Sqrt(s.bound.LogVariance+factorVar)
		ll += logUpperTail(z)
	}
	return s.weight * ll
}

// logUpperTail is log P(Z > z) for a standard normal Z, without underflow far out.
func logUpperTail(z float64) float64 {
	if z < 25 {
		return math.Log(0.5 * math.Erfc(z/math.Sqrt2))
	}
	// Mills ratio, first terms of the asymptotic series.
	return -0.5*z*z - math.Log(z*math.Sqrt(2*math.Pi)) + math.Log1p(-1/(z*z)+3/(z*z*z*z))
}
