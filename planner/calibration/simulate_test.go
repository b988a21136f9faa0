//go:build !race

// Thousands of drawn visits and no goroutine: these run without the race
// detector, which makes them four times as long.

package calibration

import (
	"math"
	"math/rand/v2"
	"testing"
)

const (
	predictedMinutes = 80.0 // what the plan said, for every simulated visit
	predictedLogVar  = 0.04 // eight steps of ordinary spread
)

type person struct {
	start, end, visitSD float64 // log speed at the first and after the last logged visit
}

func (p person) draw(r *rand.Rand, share float64) float64 {
	theta := p.start + (p.end-p.start)*share
	return theta + r.NormFloat64()*math.Sqrt(p.visitSD*p.visitSD+predictedLogVar)
}

// fromPrior draws a newcomer exactly as the prior describes one.
func fromPrior(r *rand.Rand, p Prior) person {
	clinician, visit := p.logPriors()
	between := p.Grid.ClinicianSDs[pick(r, clinician)]
	within := p.Grid.VisitSDs[pick(r, visit)]
	theta := r.NormFloat64()*p.PracticeSD.Value + r.NormFloat64()*between
	return person{theta, theta, within}
}

func pick(r *rand.Rand, logWeights []float64) int {
	u := r.Float64() * math.Exp(logSum(logWeights))
	for i, lw := range logWeights {
		u -= math.Exp(lw)
		if u <= 0 {
			return i
		}
	}
	return len(logWeights) - 1
}

func (p person) log(r *rand.Rand, n int) []Visit {
	var out []Visit
	for i := range n {
		y := p.draw(r, float64(i)/float64(n))
		out = append(out, Visit{Clinician: "A", Age: n - 1 - i, Finished: []Timing{{y, predictedLogVar}}})
	}
	return out
}

func score(t *testing.T, prior Prior, p person, r *rand.Rand, logged, fresh int) (coverage, loss float64) {
	t.Helper()
	post, err := Fit(prior, p.log(r, logged))
	if err != nil {
		t.Fatal(err)
	}
	const overrun, idle = 4, 1 // its own cost ratio asks for the 80 % length
	length := predictedMinutes * math.Exp(post.Clinician("A").Quantile(0.8, predictedLogVar))
	for range fresh {
		took := predictedMinutes * math.Exp(p.draw(r, 1))
		if took <= length {
			coverage++
		}
		loss += BookingLoss(overrun, idle, length, took)
	}
	return coverage / float64(fresh), loss / float64(fresh)
}

func TestEightyPercentLengthsHoldForSimulatedClinicians(t *testing.T) {
	prior, err := Shipped()
	if err != nil {
		t.Fatal(err)
	}
	const clinicians, fresh = 200, 2000
	groups := []struct {
		name   string
		person func(*rand.Rand, int) person
	}{
		{"drawn from the prior", func(r *rand.Rand, _ int) person { return fromPrior(r, prior) }},
		{"slower, faster, more variable, drifting", func(r *rand.Rand, i int) person {
			drift := 0.15 // a third slower, or faster, over the forty visits
			if i%8 >= 4 {
				drift = -drift
			}
			return []person{{0.6, 0.6, 0.25}, {-0.6, -0.6, 0.25}, {0, 0, 0.55}, {-drift, drift, 0.25}}[i%4]
		}},
	}
	for g, group := range groups {
		r := rand.New(rand.NewPCG(20261124, uint64(g)))
		var coverage, after3, untrained float64
		var kinds [4]float64
		for i := range clinicians {
			p := group.person(r, i)
			c, _ := score(t, prior, p, r, 40, fresh)
			coverage += c / clinicians
			kinds[i%4] += c / (clinicians / 4)
			// The same stream of fresh visits for both, so that the difference is
			// the estimate's and not the draw's.
			seed := r.Uint64()
			_, l3 := score(t, prior, p, rand.New(rand.NewPCG(seed, 1)), 3, fresh)
			_, l0 := score(t, prior, p, rand.New(rand.NewPCG(seed, 1)), 0, fresh)
			after3 += l3 / clinicians
			untrained += l0 / clinicians
		}
		t.Logf("%s: coverage after 40 visits %.3f; cost after 3 visits %.2f, before any %.2f; coverage by kind %.3f", group.name, coverage, after3, untrained, kinds)
		if coverage < 0.77 || coverage > 0.83 {
			t.Errorf("%s: mean coverage %.3f, want 0.77 to 0.83", group.name, coverage)
		}
		if g == 0 && after3 > untrained {
			t.Errorf("three logged visits cost more (%.2f) than none (%.2f)", after3, untrained)
		}
	}
}

// stoppedLog simulates visits of four portions that are broken off when the
// clock runs out, as real visits are: what is stopped depends on time.
func stoppedLog(r *rand.Rand, theta, visitSD float64, visits int, keepBroken bool) []Visit {
	var out []Visit
	const portionMedian, portionVar, limit = 20.0, 0.09, 70.0
	for range visits {
		factor := theta + r.NormFloat64()*visitSD
		v, used := Visit{Clinician: "A"}, 0.0
		for range 4 {
			minutes := portionMedian * math.Exp(factor+r.NormFloat64()*math.Sqrt(portionVar))
			if used+minutes > limit {
				if left := limit - used; keepBroken && left > 0.5 {
					v.BrokenOff = &Timing{math.Log(left / portionMedian), portionVar}
				}
				break
			}
			used += minutes
			v.Finished = append(v.Finished, Timing{math.Log(minutes / portionMedian), portionVar})
		}
		if len(v.Finished) > 0 || v.BrokenOff != nil {
			out = append(out, v)
		}
	}
	return out
}

// rankChi draws people from the prior, fits their stopped logs and returns the
// chi-squared of the ranks of the true speed under the posterior, ten bins.
func rankChi(t *testing.T, keepBroken bool) float64 {
	t.Helper()
	prior, err := Shipped()
	if err != nil {
		t.Fatal(err)
	}
	prior.HalfLife.Value = 0
	prior.Grid.Steps = 240
	r := rand.New(rand.NewPCG(7, 11))
	const people = 400
	var ranks []float64
	for range people {
		p := fromPrior(r, prior)
		log := stoppedLog(r, p.start, p.visitSD, 8, keepBroken)
		post, err := Fit(prior, log)
		if err != nil {
			t.Fatal(err)
		}
		law := post.Clinician("A")
		var below float64
		for i, m := range law.means {
			if m < p.start {
				below += law.weights[i]
			}
		}
		ranks = append(ranks, below)
	}
	var chi float64
	for _, n := range Histogram(ranks, 10) {
		d := float64(n) - people/10
		chi += d * d / (people / 10)
	}
	return chi
}

func TestStoppedVisitsLeaveThePosteriorCalibrated(t *testing.T) {
	// Chi-squared, 9 degrees of freedom: 27.88 is exceeded once in 1,000.
	chi := rankChi(t, true)
	t.Logf("chi-squared of ranks with broken-off portions counted as longer-than: %.1f", chi)
	if chi > 27.88 {
		t.Errorf("ranks of the true speed are not uniform: chi-squared %.1f", chi)
	}
}

// The check must be able to see the fault that it guards against.
func TestLeavingOutBrokenOffPortionsIsSeenByTheRankCheck(t *testing.T) {
	if chi := rankChi(t, false); chi < 27.88 {
		t.Errorf("chi-squared %.1f: the check does not see that broken-off portions were dropped", chi)
	}
}
