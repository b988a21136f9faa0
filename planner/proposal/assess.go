package proposal

import (
	"github.com/visitwright/visitwright/planner/difficulty"
	"github.com/visitwright/visitwright/planner/protocol"
)

// assess applies the difficulty form. Criteria that nobody answered stay
// unknown: they stretch no minutes, and the plan names them.
func (w *work) assess() error {
	r, err := difficulty.AssessTooth(w.in.Clinic.Edition, w.in.Tooth, w.in.Answers)
	if err != nil {
		return err
	}
	w.plan.Difficulty = r
	if w.plan.ConsiderReferral, err = r.ConsiderReferral(w.in.Clinic.Referral); err != nil {
		return err
	}
	w.levels = map[string]protocol.Level{}
	for criterion, level := range r.Levels {
		if level != difficulty.NotAssessed {
			w.levels[criterion] = protocol.Level(level)
		}
	}
	return nil
}
