package chairside

import "slices"

// doneBefore reports whether an earlier visit has done what a stage does on a
// canal: a stage that was passed before this visit, or the one that was broken
// off between two canals, and a canal that has come as far as that stage takes
// it. A canal that was found late and sealed as it was is caught up.
func (p Plan) doneBefore(stage int, canal string) bool {
	if stage > p.Begin.Stage || stage == p.Begin.Stage && p.Begin.Canal == 0 || stage >= len(p.Model.Stages) {
		return false
	}
	i := slices.IndexFunc(p.Canals, func(c Canal) bool { return c.Name == canal })
	if i < 0 || !p.Canals[i].inHand() {
		return false
	}
	c, err := load()
	if err != nil {
		return false
	}
	reached := slices.Index(order, p.Canals[i].State)
	for _, step := range p.Model.Stages[stage].Work.PerCanal {
		if to, ok := c.StepEffects[step.ID]; ok && slices.Index(order, to) > reached {
			return false
		}
	}
	return true
}
