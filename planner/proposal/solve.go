package proposal

import (
	"fmt"
	"slices"

	"github.com/visitwright/visitwright/planner/visits"
)

// solve finds lengths and table for k visits. What the patient can bear is a
// limit on minutes in the chair, not a reason to book longer: lengths are first
// chosen without it. Where a visit would then last too long too often, the same
// lengths, or shorter ones, are kept and the table ends the visit earlier. A
// visit beyond those booked is planned anew when it comes up, so that it does
// not rule the option out; what is known of it is shown (see laterVisits).
func solve(m visits.Model, k int) (visits.Result, error) {
	if m.Bear.Minutes == 0 {
		return visits.Solve(m, visits.Option{EarliestCompletion: k})
	}
	free, err := visits.Solve(m, visits.Option{EarliestCompletion: k, Bear: &visits.Bear{}})
	if err != nil {
		return visits.Result{}, err
	}
	bearable := true
	for i := range free.Visits {
		v := &free.Visits[i]
		v.Longer = v.Minutes.LongerThan(m.Bear.Minutes)
		bearable = bearable && (v.Number > k || v.Longer <= m.Bear.Chance+1e-9)
	}
	if bearable {
		limit := m.Bear
		free.Option.Bear = &limit
		return free, nil
	}
	var lengths []int
	for _, v := range free.Visits[:k] {
		lengths = append(lengths, v.Length)
	}
	best, err := visits.Solve(m, visits.Option{EarliestCompletion: k, Lengths: lengths})
	if shorter := within(lengths, m.Grid, m.Bear.Minutes); !slices.Equal(shorter, lengths) {
		other, otherErr := visits.Solve(m, visits.Option{EarliestCompletion: k, Lengths: shorter})
		if otherErr == nil && (err != nil || other.CostMicro < best.CostMicro) {
			best, err = other, nil
		}
	}
	return best, err
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
		if v.Number > k && m.Bear.Minutes > 0 && v.Happens >= worthShowing && v.Longer > m.Bear.Chance+1e-9 {
			return Reason{Rule: "later-visit", Strength: Neutral, Mark: mark("local", "what this patient can bear, as assessed"),
				Text: fmt.Sprintf("Should visit %d be needed (%s), it lasts longer than %d minutes in %s: plan it anew then, in two shorter ones.", v.Number, count(v.Happens), m.Bear.Minutes, count(v.Longer))}, true
		}
	}
	return Reason{}, false
}
