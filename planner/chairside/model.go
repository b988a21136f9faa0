package chairside

import (
	"slices"

	"github.com/visitwright/visitwright/planner/visits"
)

// atLeast leaves the belief in n canals or more, and makes exactly n certain
// when nobody believed in that many.
func atLeast(p []float64, n int) {
	mass := sumFrom(p, n)
	for i := range p {
		if i < n || mass <= 0 {
			p[i] = 0
		} else {
			p[i] /= mass
		}
	}
	if mass <= 0 {
		p[n] = 1
	}
}

func sumFrom(p []float64, n int) float64 {
	total := 0.0
	for _, x := range p[n:] {
		total += x
	}
	return total
}

func hasStep(b visits.Block, id string) bool {
	return slices.ContainsFunc(b.Once, func(s visits.Step) bool { return s.ID == id }) ||
		slices.ContainsFunc(b.PerCanal, func(s visits.CanalStep) bool { return s.ID == id })
}

// unique makes ids of steps unique, as a model wants them.
func unique(steps []visits.Step) []visits.Step {
	seen := map[string]int{}
	for i := range steps {
		seen[steps[i].ID]++
		if n := seen[steps[i].ID]; n > 1 {
			steps[i].ID += "-" + string(rune('a'+min(n, 25)))
		}
	}
	return steps
}
