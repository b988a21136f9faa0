package proposal

import (
	"errors"
	"fmt"
	"slices"

	"github.com/visitwright/visitwright/planner/visits"
)

// bearSlack is the rounding allowed when a chance is held against a limit.
const bearSlack = 1e-9

// solve finds lengths and table for k visits.
//
// What the patient can bear limits the visits that are booked: no length above
// it, and not longer in the chair more often than agreed. It is looked at after
// the cheapest plan is known, since that plan usually keeps to it. A visit
// beyond those booked is planned anew when it comes up, so that it does not
// rule an option out; laterVisits warns of it.
func (w *work) solve(m *visits.Model, k int) (visits.Result, error) {
	if m.Bear.Minutes == 0 {
		return w.follow(m, visits.Option{EarliestCompletion: k})
	}
	free, err := w.follow(m, visits.Option{EarliestCompletion: k, Bear: &visits.Bear{}})
	if err != nil || bearable(free, m.Bear, k) {
		return free, err
	}
	strict, err := w.follow(m, visits.Option{EarliestCompletion: k})
	if !errors.Is(err, visits.ErrUnbearable) {
		return strict, err
	}
	var lengths []int
	for _, v := range free.Visits[:k] {
		lengths = append(lengths, v.Length)
	}
	capped, cappedErr := w.follow(m, visits.Option{EarliestCompletion: k, Bear: &visits.Bear{}, Lengths: within(lengths, m.Grid, m.Bear.Minutes)})
	if cappedErr == nil && bearable(capped, m.Bear, k) {
		return capped, nil
	}
	return strict, err
}

// follow solves over the model's horizon, or over a nearer one when no length
// holds a late visit that hardly any tooth comes to: what is unfinished at the
// horizon is reported. m keeps the horizon that was solved.
func (w *work) follow(m *visits.Model, o visits.Option) (visits.Result, error) {
	var first error
	for h := m.Horizon; h >= max(visits.MinHorizon, o.EarliestCompletion); h-- {
		near := *m
		near.Horizon = h
		res, err := w.solver.Solve(near, o)
		if err == nil {
			m.Horizon = h
			return res, nil
		}
		if first == nil {
			first = err
		}
		if !errors.Is(err, visits.ErrTooShort) {
			break
		}
	}
	return visits.Result{}, first
}

// bearable reports whether the booked visits keep to what the patient bears.
func bearable(res visits.Result, bear visits.Bear, k int) bool {
	for _, v := range res.Visits {
		if v.Number <= k && (v.Length > bear.Minutes || v.Minutes.LongerThan(bear.Minutes) > bear.Chance+bearSlack) {
			return false
		}
	}
	return true
}

// within cuts lengths to the longest of the grid that the patient can bear.
func within(lengths []int, g visits.Grid, bear int) []int {
	longest := g.Least + (bear-g.Least)/g.Step*g.Step
	out := slices.Clone(lengths)
	for i := range out {
		out[i] = max(g.Least, min(out[i], longest))
	}
	return out
}

// laterVisits warns when a visit beyond those booked would often last longer
// than the patient bears.
func laterVisits(m visits.Model, res visits.Result, k int) (Reason, bool) {
	for _, v := range res.Visits {
		if v.Number <= k || m.Bear.Minutes == 0 || v.Happens < worthShowing {
			continue
		}
		if longer := v.Minutes.LongerThan(m.Bear.Minutes); longer > m.Bear.Chance+bearSlack {
			return Reason{Rule: "later-visit", Strength: Neutral, Mark: mark("local", "what this patient can bear, as assessed"),
				Text: fmt.Sprintf("Should visit %d be needed (%s), it lasts longer than %d minutes in %s: plan it anew then, in two shorter ones.", v.Number, count(v.Happens), m.Bear.Minutes, count(longer))}, true
		}
	}
	return Reason{}, false
}
