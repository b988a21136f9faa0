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

func cloneModel(m visits.Model) visits.Model {
	m.Canals.P, m.Canals.Names = slices.Clone(m.Canals.P), slices.Clone(m.Canals.Names)
	m.Start = cloneBlock(m.Start)
	m.Stages, m.Stops = slices.Clone(m.Stages), slices.Clone(m.Stops)
	for i := range m.Stages {
		m.Stages[i].Work = cloneBlock(m.Stages[i].Work)
		if g := m.Stages[i].Gate; g != nil {
			copied := *g
			m.Stages[i].Gate = &copied
		}
	}
	for i := range m.Stops {
		m.Stops[i].End, m.Stops[i].Resume = cloneBlock(m.Stops[i].End), cloneBlock(m.Stops[i].Resume)
	}
	return m
}

func cloneBlock(b visits.Block) visits.Block {
	b.Once, b.PerCanal, b.Events, b.Overlaps = slices.Clone(b.Once), slices.Clone(b.PerCanal), slices.Clone(b.Events), slices.Clone(b.Overlaps)
	for i := range b.PerCanal {
		b.PerCanal[i].Medians = slices.Clone(b.PerCanal[i].Medians)
	}
	return b
}
