package calibration

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > tol {
		t.Errorf("%s = %.10f, want %.10f within %g", what, got, want, tol)
	}
}

// Hoff, A First Course in Bayesian Statistical Methods (2009), section 5.3: wing
// lengths of nine midges, prior mean 1.9, prior variance 0.01, one prior
// observation for each. The book prints mean 1.814 and variance 0.015.
func TestTheMidgeExampleComesOutAsInTheBook(t *testing.T) {
	prior := NormalGamma{Mean: 1.9, Weight: 1, Shape: 0.5, Rate: 0.5 * 0.01}
	g := prior
	for _, x := range []float64{1.64, 1.70, 1.72, 1.74, 1.82, 1.82, 1.82, 1.90, 2.08} {
		g = g.Observe(x)
	}
	near(t, "mean", g.Mean, 1.814, 5e-10)
	near(t, "variance", g.Rate/g.Shape, 0.015324, 5e-10)
	lo, hi := g.MeanInterval(0.95)
	near(t, "lower", lo, 1.72677754, 5e-8)
	near(t, "upper", hi, 1.90122246, 5e-8)
	next := g.Next()
	near(t, "predictive scale", next.Sigma, 0.1298321994, 5e-10)
	near(t, "predictive 90 %", next.Quantile(0.9), 1.99215362, 5e-8)
	near(t, "log evidence", g.LogEvidence(prior), 3.3792765574, 5e-9)
}

// Own arithmetic, checked with scipy: prior median 60 minutes worth four cases.
func TestFiveLoggedVisitsMoveTheMedian(t *testing.T) {
	g := NormalGamma{Mean: math.Log(60), Weight: 4, Shape: 3, Rate: 0.2}
	for _, minutes := range []float64{55, 72, 64, 90, 58} {
		g = g.Observe(math.Log(minutes))
	}
	near(t, "mean", g.Mean, 4.1533903686, 5e-10)
	near(t, "rate", g.Rate, 0.2895754772, 5e-10)
	for q, want := range map[float64]float64{0.1: 45.76960834, 0.5: 63.64942993, 0.8: 78.66143371, 0.9: 88.51397416, 0.95: 98.27378572} {
		near(t, "minutes", math.Exp(g.Next().Quantile(q)), want, 5e-6)
	}
}

func TestShrinkageMovesFromThePracticeToThePersonAsVisitsAdd(t *testing.T) {
	for _, row := range []struct {
		n                    int
		weight, mean, sd, sp float64
	}{
		{1, 0.3076923077, 4.0923076923, 0.1664100589, 0.3430631249},
		{4, 0.64, 4.192, 0.12, 0.3231098884},
		{16, 0.8767123288, 4.2630136986, 0, 0},
		{64, 0.9660377358, 4.2898113208, 0, 0},
	} {
		w, m, sd := Shrink(4, 0.2, 0.3, 4.3, row.n)
		near(t, "weight", w, row.weight, 5e-10)
		near(t, "mean", m, row.mean, 5e-10)
		if row.sd > 0 {
			near(t, "sd", sd, row.sd, 5e-10)
			near(t, "predictive sd", math.Hypot(sd, 0.3), row.sp, 5e-10)
		}
	}
}

// exactPrior fixes both spreads and leaves the practice's speed free.
func exactPrior(t *testing.T, from, to float64, steps int, between, within float64) Prior {
	t.Helper()
	p, err := Shipped()
	if err != nil {
		t.Fatal(err)
	}
	p.Flat = true
	p.HalfLife.Value = 0
	p.Grid = Grid{From: from, To: to, Steps: steps, ClinicianSDs: []float64{between}, VisitSDs: []float64{within}}
	return p
}

// Rubin 1981, eight schools (Gelman et al., Bayesian Data Analysis, chapter 5):
// estimates given the spread between schools, by the closed normal formulas.
func TestEightSchoolsShrinkAsInTheTextbook(t *testing.T) {
	y := []float64{28, 8, -3, 7, -1, 1, 18, 12}
	s := []float64{15, 10, 16, 11, 9, 11, 10, 18}
	for _, row := range []struct {
		between, mu float64
		theta       []float64
	}{
		{5, 7.85098323, []float64{9.865885, 7.880787, 6.885593, 7.705267, 5.763487, 6.677870, 9.880787, 8.148191}},
		{10, 8.12647219, []float64{14.241404, 8.063236, 5.001059, 7.616756, 3.084222, 4.901824, 13.063236, 9.040040}},
	} {
		var log []Visit
		for i := range y {
			log = append(log, Visit{Clinician: string(rune('A' + i)), Finished: []Timing{{y[i], s[i] * s[i]}}})
		}
		post, err := Fit(exactPrior(t, -120, 140, 520, row.between, 0), log)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "mu", post.Practice().Estimate.LogSpeed, row.mu, 1e-5)
		for i, want := range row.theta {
			near(t, "theta", post.Clinician(string(rune('A'+i))).Estimate.LogSpeed, want, 2e-5)
		}
	}
}

// Box, Hunter and Hunter, blood coagulation under four diets: best linear
// unbiased predictions at the restricted-maximum-likelihood variances 5.599417
// and 11.691530 (Faraway prints standard deviations 2.366 and 3.419).
func TestCoagulationPredictionsEqualTheMixedModel(t *testing.T) {
	diets := map[string][]float64{
		"A": {62, 60, 63, 59}, "B": {63, 67, 71, 64, 65, 66},
		"C": {68, 66, 71, 67, 68, 68}, "D": {56, 62, 60, 61, 63, 64, 63, 59},
	}
	var log []Visit
	for diet, times := range diets {
		for _, y := range times {
			log = append(log, Visit{Clinician: diet, Finished: []Timing{{y, 1e-9}}})
		}
	}
	p := exactPrior(t, 30, 98, 680, math.Sqrt(11.69153037), math.Sqrt(5.59941728-1e-9))
	post, err := Fit(p, log)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mu", post.Practice().Estimate.LogSpeed, 64.01266443, 1e-5)
	for diet, want := range map[string]float64{"A": 61.322142, "B": 65.853094, "C": 67.705252, "D": 61.170169} {
		near(t, diet, post.Clinician(diet).Estimate.LogSpeed, want, 2e-5)
	}
}

// The restricted likelihood of the same data is highest at those variances:
// with a flat mean, the evidence of the grid is that likelihood.
func TestEvidenceIsHighestAtTheRestrictedMaximumLikelihoodVariances(t *testing.T) {
	diets := [][]float64{{62, 60, 63, 59}, {63, 67, 71, 64, 65, 66}, {68, 66, 71, 67, 68, 68}, {56, 62, 60, 61, 63, 64, 63, 59}}
	evidence := func(between, within float64) float64 {
		var log []Visit
		for d, times := range diets {
			for _, y := range times {
				log = append(log, Visit{Clinician: string(rune('A' + d)), Finished: []Timing{{y, 1e-9}}})
			}
		}
		post, err := Fit(exactPrior(t, 30, 98, 340, math.Sqrt(between), math.Sqrt(within)), log)
		if err != nil {
			t.Fatal(err)
		}
		return post.LogEvidence
	}
	best := evidence(11.69153037, 5.59941728)
	for _, f := range []float64{0.97, 1.03} {
		if evidence(11.69153037*f, 5.59941728) >= best || evidence(11.69153037, 5.59941728*f) >= best {
			t.Errorf("evidence rises away from the restricted maximum likelihood (factor %g)", f)
		}
	}
}

// The grid against the closed case: one person, known spreads, shrinkage by hand.
func TestTheGridEqualsTheClosedFormForOnePerson(t *testing.T) {
	p := exactPrior(t, -1.5, 1.5, 600, 0.2, 0.3)
	p.Flat = false
	p.PracticeSD.Value = 1e-3 // practice known to run at the published speed
	var log []Visit
	for _, y := range []float64{0.1, 0.4, 0.2, 0.3} {
		log = append(log, Visit{Clinician: "A", Finished: []Timing{{y, 0.04}}})
	}
	post, err := Fit(p, log)
	if err != nil {
		t.Fatal(err)
	}
	_, want, sd := Shrink(0, 0.2, math.Hypot(0.3, 0.2), 0.25, 4)
	e := post.Clinician("A").Estimate
	near(t, "speed", e.LogSpeed, want, 1e-5)
	near(t, "sd", e.LogSpeedSD, sd, 1e-4)
}

func TestABrokenOffVisitEqualsItsNumericalIntegral(t *testing.T) {
	s := summary{mean: 0.12, variance: 0.03, finished: 2, bound: &Timing{LogRatio: 0.4, LogVariance: 0.08}, weight: 1}
	theta, tau := -0.1, 0.3
	var sum float64
	const h = 1e-3
	for u := -3.0; u <= 3; u += h {
		sum += h * distuv.UnitNormal.Prob(u/tau) / tau *
			distuv.Normal{Mu: theta + u, Sigma: math.Sqrt(0.03)}.Prob(0.12) *
			distuv.Normal{Mu: theta + u, Sigma: math.Sqrt(0.08)}.Survival(0.4)
	}
	near(t, "log likelihood", s.logLikelihood(theta, tau*tau), math.Log(sum), 1e-6)
}
