package proposal

import (
	"fmt"
	"slices"

	"github.com/visitwright/visitwright/planner/protocol"
	"github.com/visitwright/visitwright/planner/visits"
	"github.com/visitwright/visitwright/planner/window"
)

// Overdue is a tooth of this practice whose latest day has passed: the work
// that protected it no longer counts, and is done again in a visit of its own.
type Overdue struct {
	DaysAgo int    `json:"days_ago"` // since the visit that left it open, 1 to 3650
	Action  string `json:"action"`   // re-dress or clean-again, as the window says it
	// Stop in which the tooth was left, and what was placed, where no visit in
	// the chair says it (Input.From is nil).
	Stop       string  `json:"stop,omitempty"`       // catalogue id
	Medicament string  `json:"medicament,omitempty"` // catalogue id
	Temporary  string  `json:"temporary,omitempty"`  // catalogue id
	SealMM     float64 `json:"seal_mm,omitempty"`    // 0 when not measured
}

// Actions that change what is done in the next visit.
const (
	ReDress    = "re-dress"
	CleanAgain = "clean-again"
)

// checkOverdue refuses what cannot be.
func (in *Input) checkOverdue() error {
	o := in.Overdue
	switch {
	case o == nil:
		return nil
	case o.Action != ReDress && o.Action != CleanAgain:
		return &protocol.InputError{Field: "overdue.action", Problem: fmt.Sprintf("%q", o.Action), Want: ReDress + " or " + CleanAgain}
	case o.DaysAgo < 1:
		return &protocol.InputError{Field: "overdue.days_ago", Problem: fmt.Sprintf("%d days", o.DaysAgo), Want: "1 or more"}
	case o.Stop == "" && in.From == nil:
		return &protocol.InputError{Field: "overdue.stop", Problem: "empty", Want: "the state in which the tooth was left"}
	case in.Begun != nil:
		return &protocol.InputError{Field: "overdue", Problem: "the treatment was begun elsewhere", Want: "begun alone: its own clock counts"}
	}
	return nil
}

// setBack puts an overdue tooth where its treatment is taken up: before the
// last cleaning, which is done again, and never behind where it was left. What
// was found stays found.
func (w *work) setBack(m visits.Model) error {
	o := w.in.Overdue
	if o == nil {
		return nil
	}
	from := From{State: visits.State{Found: w.plan.Canals.Expected}, Stop: o.Stop, Medicament: o.Medicament, Temporary: o.Temporary, SealMM: o.SealMM}
	if w.in.From != nil {
		from = *w.in.From
	} else {
		from.State.Stage = w.stageOf(m, o.Stop)
	}
	at := from.State.Stage
	if fill := slices.IndexFunc(m.Stages, func(s visits.Stage) bool { return s.Fills }); fill > 0 && at >= fill {
		at = fill - 1
	}
	from.State = visits.State{Stage: at, Found: from.State.Found}
	if at == 0 {
		from.State.Found = 0
	}
	share, err := w.overdueShare()
	if err != nil {
		return err
	}
	// What was given up stays so; everything else counts anew.
	from.Canals = slices.DeleteFunc(slices.Clone(from.Canals), func(c CanalWork) bool { return c.Share > 0 })
	if share != 1 {
		var steps []string // of the cleaning alone: filling takes what it takes
		for _, s := range m.Stages[at].Work.PerCanal {
			steps = append(steps, s.ID)
		}
		for rank := range len(w.plan.Canals.P) - 1 {
			if !slices.ContainsFunc(from.Canals, func(c CanalWork) bool { return c.Rank == rank }) {
				from.Canals = append(from.Canals, CanalWork{Rank: rank, Share: share, Steps: steps})
			}
		}
	}
	w.in.From = &from
	return nil
}

// stageOf is the stage before which a tooth in this stop stands. A state that
// the protocol does not know was left by another one: its canals are open and
// nothing more is taken for granted.
func (w *work) stageOf(m visits.Model, stop string) int {
	for i, s := range m.Stops {
		kept, err := w.catalogue.Stop(s.ID)
		if s.ID == stop || err == nil && kept.Partly == stop && stop != "" {
			return min(i, len(m.Stages)-1)
		}
	}
	return min(1, len(m.Stages)-1)
}

// overdueShare is the share of the cleaning that is done again.
func (w *work) overdueShare() (float64, error) {
	name := map[string]string{ReDress: "redress", CleanAgain: "reclean"}[w.in.Overdue.Action]
	f, ok := w.catalogue.Figure("materials.spacing.overdue_work." + name)
	if !ok {
		return 0, fmt.Errorf("materials.spacing.overdue_work.%s is missing", name)
	}
	return f.Value, nil
}

// clock is when the tooth's own clock began; nil while it has not run out.
func (w *work) clock() *window.Begun {
	if w.in.Overdue == nil {
		return nil
	}
	return &window.Begun{DaysAgo: w.in.Overdue.DaysAgo}
}

// overdueCaution says what passing the latest day means.
func (w *work) overdueCaution() (string, error) {
	win, err := w.placed()
	if err != nil {
		return "", err
	}
	for _, a := range win.Past {
		if a.ID == w.in.Overdue.Action {
			return fmt.Sprintf("The latest day has passed: the tooth has waited %d days. %s", w.in.Overdue.DaysAgo, a.Text), nil
		}
	}
	return fmt.Sprintf("The latest day has passed: the tooth has waited %d days.", w.in.Overdue.DaysAgo), nil
}
