package anatomy

import "math"

// restrict drops counts below the number located; nil when nothing is left.
func restrict(p []float64, least int) []float64 {
	out := make([]float64, len(p))
	for n := max(least, 1); n < len(p); n++ {
		out[n] = p[n]
	}
	return normalised(out)
}

func multiply(p, likely []float64) []float64 {
	out := make([]float64, len(p))
	for n := range p {
		out[n] = p[n] * likely[n]
	}
	return normalised(out)
}

func normalised(p []float64) []float64 {
	sum := 0.0
	for _, v := range p {
		sum += v
	}
	if sum <= 0 {
		return nil
	}
	for n := range p {
		p[n] /= sum
	}
	return p
}

func logOdds(p []float64, n int) float64 {
	above := atLeast(p, n)
	const edge = 1e-12 // keeps certainty finite, so that shifts can be compared
	return math.Log((above + edge) / (1 - above + edge))
}
