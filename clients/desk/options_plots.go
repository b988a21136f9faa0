package desk

import (
	"html/template"
	"strconv"
	"strings"

	"github.com/visitwright/visitwright/clients/desk/plot"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// The pictures of the treatment options. Each says in words what it shows.

func lawOf(d *vw.Distribution) plot.Law {
	return plot.Law{First: int(d.GetFirstMinute()), P: d.GetProbabilities()}
}

// Quantiles says how long it takes: "half take at most 76 min, ...".
func (w *words) Quantiles(d *vw.Distribution) string {
	var parts []string
	for _, at := range []struct {
		p   float64
		key string
	}{{0.5, "plot.half"}, {0.8, "plot.eight"}, {0.95, "plot.nineteen"}} {
		for _, quantile := range d.GetQuantiles() {
			if p := quantile.GetProbability(); p > at.p-1e-9 && p < at.p+1e-9 {
				parts = append(parts, w.T(at.key, w.Min(quantile.GetMinutes())))
			}
		}
	}
	if len(parts) == 0 {
		return ""
	}
	return strings.Join(parts, ", ")
}

// Within is how many minutes are not passed with a probability; "" when that
// was not told.
func (w *words) Within(d *vw.Distribution, probability float64) string {
	for _, quantile := range d.GetQuantiles() {
		if p := quantile.GetProbability(); p > probability-1e-9 && p < probability+1e-9 {
			return w.Min(quantile.GetMinutes())
		}
	}
	return ""
}

// MinutesPlot draws the minutes of one visit beside the length booked; nothing
// when the cells were not sent.
func (v *view) MinutesPlot(o *vw.TreatmentOption, visit *vw.PlannedVisit) template.HTML {
	if len(visit.GetChairMinutes().GetProbabilities()) == 0 {
		return ""
	}
	booked := v.Min(visit.GetAppointmentMinutes())
	return plot.Minutes{
		Text: plot.Text{ID: "m-" + o.GetId() + "-" + strconv.Itoa(int(visit.GetNumber())), Title: v.T("plot.minutes-title", o.GetTitle(), visit.GetNumber()),
			Desc: v.T("plot.minutes-say", sentenceStart(v.Quantiles(visit.GetChairMinutes())), booked, v.Odds(visit.GetOnTime()))},
		Law: lawOf(visit.GetChairMinutes()), Booked: int(visit.GetAppointmentMinutes()), BookedText: v.T("plot.booked", booked), Axis: v.T("plot.minutes"),
	}.Draw()
}

// CompletePlot draws the odds of being complete by each visit.
func (v *view) CompletePlot(o *vw.TreatmentOption) template.HTML {
	p := plot.Odds{Text: plot.Text{ID: "c-" + o.GetId(), Title: v.T("plot.complete-title", o.GetTitle())}}
	var said []string
	for i, odds := range o.GetCompleteBy()[:min(len(o.GetCompleteBy()), len(o.GetVisits())+1)] {
		p.Rows = append(p.Rows, plot.Odd{Label: v.T("plot.by-visit", i+1), P: odds.GetProbability(), Told: odds.GetWords(), Before: -1})
		said = append(said, v.Odds(odds))
	}
	p.Desc = strings.Join(said, "; ") + "."
	return p.Draw()
}

// ComparePlot draws the minutes of all feasible options on one axis; nothing
// when there is no pair to compare.
func (v *view) ComparePlot(options []optionView) template.HTML {
	p := plot.Curves{Text: plot.Text{ID: "compare", Title: v.T("plot.compare-title")}, Axis: v.T("plot.minutes")}
	var said []string
	for _, o := range options {
		if !o.GetFeasible() || len(o.GetTotalMinutes().GetProbabilities()) == 0 {
			continue
		}
		p.Curves = append(p.Curves, plot.Curve{Label: o.GetTitle(), Law: lawOf(o.GetTotalMinutes())})
		said = append(said, v.T("plot.compare-say", o.GetTitle(), v.Min(o.GetTotalMinutes().GetMean()), v.Within(o.GetTotalMinutes(), 0.9)))
	}
	if len(p.Curves) < 2 {
		return ""
	}
	p.Desc = strings.Join(said, "; ") + "."
	return p.Draw()
}

// Sorted are reasons, the strongest first.
func (v *view) Sorted(reasons []*vw.Reason) []*vw.Reason {
	var out []*vw.Reason
	for _, stance := range []vw.Reason_Stance{vw.Reason_STANCE_FORBIDS, vw.Reason_STANCE_ADVISES_AGAINST, vw.Reason_STANCE_FAVOURS, vw.Reason_STANCE_NEUTRAL, vw.Reason_STANCE_UNSPECIFIED} {
		for _, r := range reasons {
			if r.GetStance() == stance {
				out = append(out, r)
			}
		}
	}
	return out
}

// Rows are the places of the visits, for the rows of the table.
func (p *optionsPage) Rows() []int {
	most := 0
	for _, o := range p.Options {
		if o.GetFeasible() {
			most = max(most, len(o.GetVisits()))
		}
	}
	out := make([]int, most)
	for i := range out {
		out[i] = i
	}
	return out
}

// VisitAt is a visit of an option by its place; nil when it has none.
func (o optionView) VisitAt(i int) *vw.PlannedVisit {
	if i >= len(o.GetVisits()) {
		return nil
	}
	return o.GetVisits()[i]
}

// CompleteAt are the odds of being complete by a visit; nil when not told.
func (o optionView) CompleteAt(i int) *vw.Odds {
	if i >= len(o.GetCompleteBy()) {
		return nil
	}
	return o.GetCompleteBy()[i]
}

// Giver is who gave a consent, in words.
func (w *words) Giver(c *vw.Consent) string {
	return w.Enum("case.giver", short(c.GetGiver(), "GIVER_"))
}

// Lengths writes appointment lengths one after the other.
func (w *words) Lengths(minutes []int32) string {
	var parts []string
	for _, m := range minutes {
		parts = append(parts, w.Min(m))
	}
	return strings.Join(parts, ", ")
}

// Revisions are the numbers of the revisions there are, the newest first, at
// most so many as a line holds.
func (p *optionsPage) Revisions() []int64 {
	var out []int64
	for n := p.Newest; n >= 1 && len(out) < 12; n-- {
		out = append(out, n)
	}
	return out
}

// WindowBrief is a return window in one line, counted from its anchor.
func (w *words) WindowBrief(r *vw.ReturnWindow) string {
	parts := []string{w.T("options.window-brief", w.Anchor(r.GetAnchor()))}
	for _, b := range []struct {
		key   string
		bound *vw.WindowBound
	}{{"options.brief-earliest", r.GetEarliest()}, {"options.brief-target", r.GetTarget()}, {"options.brief-latest", r.GetLatest()}} {
		if b.bound != nil {
			parts = append(parts, w.T(b.key, b.bound.GetDays()))
		}
	}
	return strings.Join(parts, ", ")
}

// PlainAim says to a patient what is done in a visit. What has no plain words
// yet is said as the plan says it.
func (w *words) PlainAim(aim string) string {
	var parts []string
	for part := range strings.SplitSeq(aim, ", ") {
		if key := "plain.aim-" + strings.ReplaceAll(part, " ", "-"); w.has(key) {
			part = w.T(key)
		}
		parts = append(parts, part)
	}
	return sentence(strings.Join(parts, ", "))
}
