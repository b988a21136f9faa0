package calibration

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"
)

// Values of the continuous ranked probability score by numerical integration;
// N(0.1, 0.4) at 0 also stands in a public library's documentation.
func TestContinuousRankedProbabilityScores(t *testing.T) {
	near(t, "N(0,1) at 0", CRPSNormal(0, 1, 0), (math.Sqrt2-1)/math.Sqrt(math.Pi), 1e-12)
	near(t, "N(.1,.4) at 0", CRPSNormal(0.1, 0.4, 0), 0.10339992515976, 1e-13)
	near(t, "LN(0,1) at 1", CRPSLogNormal(0, 1, 1), 0.2674054670, 5e-11)
	near(t, "LN(0,.5) at 1", CRPSLogNormal(0, 0.5, 1), 0.1207919621, 5e-11)
	mu, sigma := 3.982772786565, 0.472380727077 // mean 60, coefficient of variation 0.5
	near(t, "at 60", CRPSLogNormal(mu, sigma, 60), 6.7075094995, 5e-9)
	near(t, "at 100", CRPSLogNormal(mu, sigma, 100), 29.4172511729, 5e-9)
	near(t, "at 20", CRPSLogNormal(mu, sigma, 20), 24.4103166866, 5e-9)
	near(t, "no spread", CRPSLogNormal(0.4, 0, 0.1), 1.3918246976, 5e-11)
	p := make([]float64, 61)
	p[30], p[45], p[60] = 0.2, 0.5, 0.3
	near(t, "discrete at 50", CRPS(p, 50), 3.95, 1e-12)
	near(t, "discrete at 45", CRPS(p, 45), 1.95, 1e-12)
}

func TestQuantileAndIntervalScores(t *testing.T) {
	near(t, "short", Pinball(0.9, 80, 100), 18, 1e-12)
	near(t, "long", Pinball(0.9, 110, 100), 1, 1e-12)
	near(t, "interval", IntervalScore(0.2, 30, 90, 100), 160, 1e-12)
	near(t, "booking", BookingLoss(2, 1, 60, 75), 30, 1e-12)
	near(t, "idle", BookingLoss(2, 1, 60, 50), 10, 1e-12)
}

func TestHonestPredictionsHaveAUniformTransform(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := make([]float64, rapid.IntRange(2, 12).Draw(t, "cells"))
		var sum float64
		for i := range p {
			p[i] = rapid.Float64Range(0.01, 1).Draw(t, "p")
			sum += p[i]
		}
		for i := range p {
			p[i] /= sum
		}
		// Averaged over the cell, the transform of an honest forecast has mean 1/2.
		var mean float64
		for k := range p {
			mean += p[k] * (PIT(p, k, 0) + PIT(p, k, 1)) / 2
		}
		if math.Abs(mean-0.5) > 1e-9 {
			t.Fatalf("mean transform %g", mean)
		}
	})
}

func TestCoverageCarriesItsInterval(t *testing.T) {
	booked, took := make([]float64, 100), make([]float64, 100)
	for i := range booked {
		booked[i] = 60
		if i < 20 {
			took[i] = 70
		}
	}
	c := Cover(booked, took)
	// Wilson interval for 80 of 100, standard tables: 0.711 to 0.867.
	if c.Within != 80 {
		t.Fatalf("within %d", c.Within)
	}
	near(t, "lo", c.Lo, 0.7112, 5e-4)
	near(t, "hi", c.Hi, 0.8666, 5e-4)
	// Binomial law of an honest 80 % length over 100 visits: alarm outside 72 to 87.
	b := distuv.Binomial{N: 100, P: 0.8}
	near(t, "P(<=71)", b.CDF(71), 0.02002021, 5e-8)
	near(t, "P(>=88)", 1-b.CDF(87), 0.02532875, 5e-8)
}
