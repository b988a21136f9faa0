package chairside

import (
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/visitwright/visitwright/planner/visits"
)

// place finds the step in the plan: the stage it belongs to, "" for the
// opening block or the closing one, and whether it is done on a canal.
func (r *reader) place(step string) (stage string, perCanal, known bool) {
	for _, s := range r.plan.Model.Stages {
		if slices.ContainsFunc(s.Work.Once, func(x visits.Step) bool { return x.ID == step }) {
			return s.ID, false, true
		}
		if slices.ContainsFunc(s.Work.PerCanal, func(x visits.CanalStep) bool { return x.ID == step }) {
			return s.ID, true, true
		}
	}
	blocks := []visits.Block{r.plan.Model.Start}
	for _, s := range r.plan.Model.Stops {
		blocks = append(blocks, s.Resume, s.End)
	}
	for _, b := range blocks {
		if slices.ContainsFunc(b.Once, func(x visits.Step) bool { return x.ID == step }) {
			return "", false, true
		}
		if slices.ContainsFunc(b.PerCanal, func(x visits.CanalStep) bool { return x.ID == step }) {
			return "", true, true
		}
	}
	return "", false, false
}

func (r *reader) check(m Mark) (stage string, perCanal bool, err error) {
	stage, perCanal, known := r.place(m.Step)
	if !known {
		return "", false, &InputError{"step", fmt.Sprintf("%q is not a step of this plan", m.Step), "a step of the visit sheet"}
	}
	if !perCanal {
		if m.Canal != "" {
			return "", false, &InputError{"canal", m.Step + " is done once, not on a canal", "no canal"}
		}
		return stage, false, nil
	}
	i, err := r.canal(m.Canal)
	if err != nil {
		return "", false, err
	}
	if r.Canals[i].State == GivenUp {
		return "", false, &InputError{"canal", m.Canal + " was given up", "the canal taken in hand again first (state located)"}
	}
	return stage, true, nil
}

func (r *reader) stepBegun(m Mark) error {
	stage, _, err := r.check(m)
	if err != nil {
		return err
	}
	if r.done[work{m.Step, m.Canal}] {
		return &InputError{"step", "done before it begins", "the end marked after the beginning, or the mark of the end taken back"}
	}
	r.leaveOpeningAt(stage, m, true, 0)
	r.Running, r.RunningCanal, r.Since, r.sincePaused = m.Step, m.Canal, m.At, r.Visit.Paused
	return nil
}

func (r *reader) stepDone(m Mark) error {
	stage, perCanal, err := r.check(m)
	if err != nil {
		return err
	}
	if r.done[work{m.Step, m.Canal}] {
		return &InputError{"step", "done already", "another step, or the earlier mark taken back"}
	}
	since := r.Last
	if r.Running == m.Step && r.RunningCanal == m.Canal {
		since = r.Since
	}
	if at := r.leaveOpeningAt(stage, m, r.Running == m.Step && r.RunningCanal == m.Canal, r.meanOf(m.Step, m.Canal)); at.After(since) {
		since = at
	}
	r.Work = append(r.Work, Work{Step: m.Step, Stage: stage, Canal: m.Canal, Minutes: m.At.Sub(since).Minutes()})
	r.done[work{m.Step, m.Canal}] = true
	r.LastWork, r.workPaused = m.At, r.Visit.Paused
	r.Running, r.RunningCanal = "", ""
	if perCanal {
		if err := r.effect(m.Step, m.Canal); err != nil {
			return err
		}
	}
	r.advance(m)
	return nil
}

// stageDone is the one entry for work that nobody tapped: everything up to the
// end of the stage counts as done, with the minutes of the whole.
func (r *reader) stageDone(m Mark) error {
	stages := r.plan.Model.Stages
	want := slices.IndexFunc(stages, func(s visits.Stage) bool { return s.ID == m.Stage })
	if want < 0 {
		return &InputError{"stage", fmt.Sprintf("%q is not a stage of this plan", m.Stage), "a stage of the visit sheet"}
	}
	if want < r.State.Stage {
		return &InputError{"stage", "done already", "a later stage"}
	}
	ahead := r.meansTo(want)
	r.leaveOpeningAt(m.Stage, m, false, sum(ahead))
	before := len(r.Portion)
	r.LastWork, r.workPaused = m.At, r.Visit.Paused
	for s := r.State.Stage; s <= want; s++ {
		for _, step := range stages[s].Work.Once {
			r.catchUp(step.ID, stages[s].ID, "")
		}
		if stages[s].Locates {
			for i := range r.Canals {
				if r.Canals[i].State == Expected {
					r.Canals[i].State = Located
				}
			}
		}
		for _, c := range r.Canals {
			if !c.inHand() {
				continue
			}
			for _, step := range stages[s].Work.PerCanal {
				r.catchUp(step.ID, stages[s].ID, c.Name)
				if err := r.effect(step.ID, c.Name); err != nil {
					return err
				}
			}
		}
	}
	r.advance(m)
	r.share(r.Portion[before:], ahead)
	return nil
}

// share divides the minutes of stages that were entered together as the plan
// foresees them: only their sum is known.
func (r *reader) share(portions []Portion, means []float64) {
	if len(portions) < 2 {
		return
	}
	total, weight := 0.0, make([]float64, len(portions))
	for i, p := range portions {
		total += p.Minutes
		weight[i] = 1e-6
		if at := p.Before.Stage - portions[0].Before.Stage; at < len(means) {
			weight[i] += means[at]
		}
	}
	for i := range portions {
		portions[i].Minutes = total * weight[i] / sum(weight)
		portions[i].Shared = i > 0
	}
}

// meansTo is the mean minutes that are left of each stage up to one, for the
// canals in hand or expected.
func (r *reader) meansTo(last int) []float64 {
	var out []float64
	for s := r.State.Stage; s <= last; s++ {
		total := 0.0
		for _, x := range r.plan.Model.Stages[s].Work.Once {
			if !r.done[work{x.ID, ""}] {
				total += meanMinutes(x.Minutes)
			}
		}
		for _, x := range r.plan.Model.Stages[s].Work.PerCanal {
			for rank, c := range r.Canals {
				if c.State != GivenUp && rank < len(x.Medians) && !r.done[work{x.ID, c.Name}] {
					total += meanMinutes(visits.Minutes{Median: x.Medians[rank], LogSD: x.LogSD})
				}
			}
		}
		out = append(out, total)
	}
	return out
}

func (r *reader) meanOf(step, canal string) float64 {
	for _, s := range r.plan.Model.Stages {
		for _, x := range s.Work.Once {
			if x.ID == step {
				return meanMinutes(x.Minutes)
			}
		}
		for _, x := range s.Work.PerCanal {
			if rank := slices.IndexFunc(r.Canals, func(c Canal) bool { return c.Name == canal }); x.ID == step && rank >= 0 && rank < len(x.Medians) {
				return meanMinutes(visits.Minutes{Median: x.Medians[rank], LogSD: x.LogSD})
			}
		}
	}
	return 0
}

func meanMinutes(m visits.Minutes) float64 { return m.Median * math.Exp(m.LogSD*m.LogSD/2) }

func sum(x []float64) float64 {
	total := 0.0
	for _, v := range x {
		total += v
	}
	return total
}

func (r *reader) catchUp(step, stage, canal string) {
	if !r.done[work{step, canal}] {
		r.done[work{step, canal}] = true
		r.Work = append(r.Work, Work{Step: step, Stage: stage, Canal: canal, Caught: true})
	}
}

// order of canal states: a step never takes a canal back.
var order = []CanalState{Expected, Located, Negotiated, Shaped, Dressed, Filled}

func (r *reader) effect(step, canal string) error {
	c, err := load()
	if err != nil {
		return err
	}
	to, ok := c.StepEffects[step]
	if !ok {
		return nil
	}
	i, err := r.canal(canal)
	if err != nil {
		return err
	}
	if slices.Index(order, to) > slices.Index(order, r.Canals[i].State) {
		r.Canals[i].State = to
	}
	return nil
}

// leaveOpeningAt closes the opening block when the first step of a stage is
// met, and returns when that was: at the step's own beginning when that is
// known, at the last mark when every step of the opening was marked, and else
// in between, where the plan foresees it. ahead is the mean minutes of the work
// that the mark stands for.
func (r *reader) leaveOpeningAt(stage string, m Mark, begun bool, ahead float64) time.Time {
	if stage == "" || r.Opened {
		return time.Time{}
	}
	r.Opened = true
	at := r.Last
	switch undone := r.openingLeft(); {
	case begun && r.Running == "":
		at = m.At
	case begun:
		at = r.Since
	case undone > 0:
		share := undone / (undone + max(ahead, 1e-6))
		at = r.Last.Add(time.Duration(share * float64(m.At.Sub(r.Last))))
		r.StartShared = true
	}
	r.Start = max(0, at.Sub(r.Began).Minutes()-r.Visit.Paused)
	return at
}

// openingLeft is the mean minutes of the steps of the opening that nobody
// marked.
func (r *reader) openingLeft() float64 {
	blocks := []visits.Block{r.plan.Model.Start}
	if b := r.plan.Begin; b != (visits.State{}) && b.Stage < len(r.plan.Model.Stops) {
		blocks = append(blocks, r.plan.Model.Stops[b.Stage].Resume)
	}
	total := 0.0
	for _, b := range blocks {
		for _, x := range b.Once {
			if !r.done[work{x.ID, ""}] {
				total += meanMinutes(x.Minutes)
			}
		}
		for _, x := range b.PerCanal {
			for rank, c := range r.Canals {
				if rank < len(x.Medians) && rank < r.plan.Begin.Found && !r.done[work{x.ID, c.Name}] {
					total += meanMinutes(visits.Minutes{Median: x.Medians[rank], LogSD: x.LogSD})
				}
			}
		}
	}
	return total
}

// advance closes the portions that are complete. Work on a later stage while an
// earlier one is open counts into the earlier portion: the minutes between two
// stopping points are what the plan predicts.
func (r *reader) advance(m Mark) {
	for r.State.Stage < len(r.plan.Model.Stages) {
		stage := r.plan.Model.Stages[r.State.Stage]
		next := r.State
		switch {
		case !r.allOnce(stage):
			return
		case stage.Locates && len(stage.Work.PerCanal) == 0:
			// Relief opens the canals without a step on each: once the work is done
			// those that were expected count as found.
			for i := range r.Canals {
				if r.Canals[i].State == Expected {
					r.Canals[i].State = Located
				}
			}
			next.Stage, next.Canal = next.Stage+1, 0
		case stage.Locates && r.searching(stage.ID):
			return
		case stage.StopAfterCanal && r.canalsDone(stage) < r.Found() && r.canalsDone(stage) > r.State.Canal:
			next.Canal++
		case r.canalsDone(stage) < r.Found() || (stage.Locates && r.Found() == 0):
			return
		case stage.StopAfterCanal && r.State.Canal+1 < r.Found():
			next.Canal++
		default:
			next.Stage, next.Canal = next.Stage+1, 0
		}
		next.Found = r.Found()
		spent := r.Start
		for _, p := range r.Portion {
			spent += p.Minutes
		}
		minutes := max(0, m.At.Sub(r.Began).Minutes()-r.Visit.Paused-spent)
		r.Portion = append(r.Portion, Portion{Before: r.State, After: next, Minutes: minutes, Events: r.loose, Works: len(r.Work)})
		r.loose = nil
		r.State = next
	}
}

func (r *reader) allOnce(s visits.Stage) bool {
	if b := r.plan.Begin; b.Canal > 0 && r.plan.Model.Stages[b.Stage].ID == s.ID {
		return true // done in the visit that began the stage
	}
	for _, step := range s.Work.Once {
		if !r.done[work{step.ID, ""}] {
			return false
		}
	}
	return true
}

// canalsDone counts the canals in hand on which every step of the stage, and of
// the stages before it, was done.
func (r *reader) canalsDone(s visits.Stage) int {
	n := 0
	for _, c := range r.Canals {
		if !c.inHand() {
			continue
		}
		if r.doneOn(c.Name, s.ID) {
			n++
		}
	}
	return n
}

func (r *reader) doneOn(canal, last string) bool {
	for i, s := range r.plan.Model.Stages {
		if r.plan.doneBefore(i, canal) {
			if s.ID == last {
				break
			}
			continue
		}
		for _, step := range s.Work.PerCanal {
			// A canal found late was located by being found: nothing to catch up there.
			if !r.done[work{step.ID, canal}] && (!s.Locates || s.ID == last) {
				return false
			}
		}
		if s.ID == last {
			break
		}
	}
	return true
}

// searching reports whether the search of the stage goes on: expected canals
// are neither found nor given up, and nobody has begun later work.
func (r *reader) searching(stage string) bool {
	if !slices.ContainsFunc(r.Canals, func(c Canal) bool { return c.State == Expected }) {
		return false
	}
	return !slices.ContainsFunc(r.Work, func(w Work) bool { return w.Stage != "" && w.Stage != stage })
}
