package visits

import "slices"

// Clone returns a copy that shares nothing with the model.
func (m Model) Clone() Model {
	m.Canals.P, m.Canals.Names = slices.Clone(m.Canals.P), slices.Clone(m.Canals.Names)
	m.Start = m.Start.clone()
	m.Stages, m.Stops = slices.Clone(m.Stages), slices.Clone(m.Stops)
	for i := range m.Stages {
		m.Stages[i].Work = m.Stages[i].Work.clone()
		if g := m.Stages[i].Gate; g != nil {
			copied := *g
			m.Stages[i].Gate = &copied
		}
	}
	for i := range m.Stops {
		m.Stops[i].End, m.Stops[i].Resume = m.Stops[i].End.clone(), m.Stops[i].Resume.clone()
	}
	return m
}

func (b Block) clone() Block {
	b.Once, b.PerCanal, b.Events, b.Overlaps = slices.Clone(b.Once), slices.Clone(b.PerCanal), slices.Clone(b.Events), slices.Clone(b.Overlaps)
	for i := range b.PerCanal {
		b.PerCanal[i].Medians = slices.Clone(b.PerCanal[i].Medians)
	}
	return b
}
