package chairtime

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"
)

// Node is one point of a quadrature over a normal variable.
type Node struct {
	Value  float64 // of the variable
	Weight float64 // probability
}

// Nodes returns the n Gauss-Hermite nodes of a normal variable with mean 0 and
// the given standard deviation, in rising order: exact for polynomials up to
// degree 2n-1. With sd 0 there is one node.
func Nodes(sd float64, n int) []Node {
	if sd == 0 || n <= 1 {
		return []Node{{0, 1}}
	}
	x, w := make([]float64, n), make([]float64, n)
	quad.Hermite{}.FixedLocations(x, w, math.Inf(-1), math.Inf(1))
	nodes := make([]Node, n)
	sum := 0.0
	for i := range nodes {
		sum += w[i]
	}
	for i := range nodes {
		nodes[i] = Node{Value: sd * math.Sqrt2 * x[i], Weight: w[i] / sum}
	}
	if nodes[0].Value > nodes[n-1].Value {
		for i, j := 0, n-1; i < j; i, j = i+1, j-1 {
			nodes[i], nodes[j] = nodes[j], nodes[i]
		}
	}
	return nodes
}

// Even returns n equally spaced nodes of a normal variable with mean 0 and standard
// deviation sd, step standard deviations apart but for a factor that makes their
// own standard deviation sd. With sd 0 there is one node.
func Even(sd float64, n int, step float64) []Node {
	if sd == 0 || n <= 1 {
		return []Node{{0, 1}}
	}
	nodes := make([]Node, n)
	sum, square := 0.0, 0.0
	for i := range nodes {
		x := (float64(i) - float64(n-1)/2) * step
		w := math.Exp(-x * x / 2)
		nodes[i] = Node{x, w}
		sum, square = sum+w, square+w*x*x
	}
	scale := sd / math.Sqrt(square/sum)
	for i := range nodes {
		nodes[i].Value *= scale
		nodes[i].Weight /= sum
	}
	return nodes
}

// Spaced returns nodes of a normal variable with mean 0 and standard deviation sd
// at the multiples of step that reach to 3.6 standard deviations, in rising
// order, an odd number of them with 0 in the middle. Each has the density's share
// as its weight, and the weights sum to 1. The error of such a rule is about
// 2 exp(-2 pi^2 sd^2/step^2).
func Spaced(sd, step float64) []Node {
	if sd == 0 {
		return []Node{{0, 1}}
	}
	half := int(math.Ceil(3.6 * sd / step))
	nodes := make([]Node, 2*half+1)
	sum := 0.0
	for i := range nodes {
		x := float64(i-half) * step
		nodes[i] = Node{Value: x, Weight: math.Exp(-x * x / (2 * sd * sd))}
		sum += nodes[i].Weight
	}
	// What lies beyond the last node counts there, so the spread is nearly kept.
	beyond := normalCDF(-(float64(half) + 0.5) * step / sd)
	for i := range nodes {
		nodes[i].Weight *= (1 - 2*beyond) / sum
	}
	nodes[0].Weight += beyond
	nodes[2*half].Weight += beyond
	return nodes
}
