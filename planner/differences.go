package planner

import (
	"fmt"
	"math"
	"strings"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// comparison collects what differs between two revisions, the weightiest
// first: what is recommended, then what was found, then what is booked, then
// how likely it is.
type comparison struct {
	changes []*vw.PlanChange
	because string
}

// add notes one difference; none when before and after are the same.
func (c *comparison) add(path, what, before, after string) {
	if before == after {
		return
	}
	text := fmt.Sprintf("%s: %s to %s", what, orNone(before), orNone(after))
	c.changes = append(c.changes, &vw.PlanChange{Path: path, Text: text, Before: before, After: after, Because: c.because})
}

func orNone(s string) string {
	if s == "" {
		return "none"
	}
	return s
}

// differences spells out what differs between two plans of one case.
func differences(before, after *vw.Plan) []*vw.PlanChange {
	c := &comparison{}
	c.findings(before, after)
	roots := c.changes
	c.changes = nil
	// What follows from a finding names it.
	c.because = because(roots, before, after)
	c.add("recommended_option", "recommended", before.GetRecommendedOption(), after.GetRecommendedOption())
	recommended := c.changes
	c.changes = nil
	c.options(before, after)
	return append(append(recommended, roots...), c.changes...)
}

// because is what was found anew; when nothing was, another version of figures
// or settings is the reason.
func because(roots []*vw.PlanChange, before, after *vw.Plan) string {
	var words []string
	for _, r := range roots {
		words = append(words, r.GetText())
	}
	if len(words) > 0 {
		return strings.Join(words, "; ")
	}
	b, a := before.GetVersions(), after.GetVersions()
	switch {
	case b.GetSettings() != a.GetSettings():
		return "the practice's settings changed"
	case b.GetData() != a.GetData() || b.GetModel() != a.GetModel():
		return "the figures or the mathematics of a later release"
	case b.GetCalibration() != a.GetCalibration():
		return "the calibration was renewed"
	}
	return ""
}

func (c *comparison) findings(before, after *vw.Plan) {
	c.add("tooth.iso", "tooth", toothLabel(before.GetTooth()), toothLabel(after.GetTooth()))
	c.add("protocol", "treatment", before.GetProtocol(), after.GetProtocol())
	b, a := before.GetAssessment(), after.GetAssessment()
	c.add("assessment.difficulty.level", "difficulty", inverse(levelsToProto, b.GetDifficulty().GetLevel()), inverse(levelsToProto, a.GetDifficulty().GetLevel()))
	c.add("assessment.canals.belief.expected", "canals expected", whole(b.GetCanals().GetBelief().GetExpected()), whole(a.GetCanals().GetBelief().GetExpected()))
	c.add("assessment.canals.further_canal", "a further canal", tenths(b.GetCanals().GetFurtherCanal()), tenths(a.GetCanals().GetFurtherCanal()))
	c.add("assessment.findings.factors", "findings", strings.Join(b.GetFindings().GetFactors(), ", "), strings.Join(a.GetFindings().GetFactors(), ", "))
}

func (c *comparison) options(before, after *vw.Plan) {
	kept := map[string]*vw.TreatmentOption{}
	for _, o := range before.GetOptions() {
		kept[o.GetId()] = o
	}
	for _, o := range after.GetOptions() {
		at := "options[" + o.GetId() + "]"
		was, ok := kept[o.GetId()]
		delete(kept, o.GetId())
		if !ok {
			c.add(at, "option "+strings.ToLower(o.GetTitle()), "", "offered")
			continue
		}
		c.option(at, was, o)
	}
	for _, o := range before.GetOptions() {
		if _, gone := kept[o.GetId()]; gone {
			c.add("options["+o.GetId()+"]", "option "+strings.ToLower(o.GetTitle()), "offered", "")
		}
	}
}

func (c *comparison) option(at string, was, is *vw.TreatmentOption) {
	name := strings.ToLower(is.GetTitle())
	c.add(at+".feasible", name, standing(was), standing(is))
	for i := range max(len(was.GetVisits()), len(is.GetVisits())) {
		n := i + 1
		path := fmt.Sprintf("%s.visits[%d]", at, n)
		what := fmt.Sprintf("%s, visit %d", name, n)
		b, a := visitAt(was, i), visitAt(is, i)
		c.add(path+".appointment_minutes", what, minutesWords(b), minutesWords(a))
		if b != nil && a != nil {
			c.add(path+".return_window", what+" may be", windowWords(b.GetReturnWindow()), windowWords(a.GetReturnWindow()))
			c.add(path+".needed", what+" is needed", tenths(b.GetNeeded()), tenths(a.GetNeeded()))
		}
	}
	for i := range min(len(was.GetCompleteBy()), len(is.GetCompleteBy())) {
		c.add(fmt.Sprintf("%s.complete_by[%d]", at, i+1), fmt.Sprintf("%s, complete after visit %d", name, i+1), tenths(was.GetCompleteBy()[i]), tenths(is.GetCompleteBy()[i]))
	}
}

func standing(o *vw.TreatmentOption) string {
	switch {
	case o.GetStrength() == vw.Reason_STANCE_FORBIDS:
		return "ruled out"
	case !o.GetFeasible():
		return "cannot be planned"
	case o.GetStrength() == vw.Reason_STANCE_ADVISES_AGAINST:
		return "advised against"
	}
	return "possible"
}

func visitAt(o *vw.TreatmentOption, i int) *vw.PlannedVisit {
	if i < len(o.GetVisits()) {
		return o.GetVisits()[i]
	}
	return nil
}

func minutesWords(v *vw.PlannedVisit) string {
	if v == nil {
		return ""
	}
	return fmt.Sprintf("%d minutes", v.GetAppointmentMinutes())
}

func windowWords(w *vw.ReturnWindow) string {
	if w == nil {
		return ""
	}
	if w.GetOverdue() {
		return "now: the latest day has passed"
	}
	return fmt.Sprintf("day %d to %d", w.GetEarliest().GetDays(), w.GetLatest().GetDays())
}

func whole(n int32) string { return fmt.Sprint(n) }

// tenths says odds as coarsely as people take them, so that a change in the
// third digit is none.
func tenths(o *vw.Odds) string {
	switch p := o.GetProbability(); {
	case o == nil:
		return ""
	case p < .05:
		return "fewer than 1 in 20"
	case p >= .95:
		return "more than 19 in 20"
	default:
		return fmt.Sprintf("%d in 10", int(math.Round(p*10)))
	}
}
