package cli

import (
	"fmt"
	"slices"
	"strings"

	"github.com/visitwright/visitwright/clients/odds"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// ShowPlan writes a plan: reasons first, then the options side by side, the
// visits of the recommended one, and what a further canal would change.
func ShowPlan(p *Page, plan *vw.Plan) {
	title := "Plan for " + toothWords(plan.GetTooth())
	if plan.GetRevision() > 0 {
		title = fmt.Sprintf("Plan, revision %d, for %s", plan.GetRevision(), toothWords(plan.GetTooth()))
	}
	p.Title("%s", title)
	recommended := optionOf(plan, plan.GetRecommendedOption())
	p.Field("to do", "%s", words(plan.GetProtocol(), ""))
	showFindings(p, plan.GetAssessment().GetFindings())
	if recommended == nil {
		p.Field("recommended", "none of the options can be booked as things stand")
	} else {
		p.Field("recommended", "%s: %s", recommended.GetTitle(), bookings(recommended))
	}
	if plan.GetCauseText() != "" {
		p.Field("made because", "%s", plan.GetCauseText())
	}
	if a := plan.GetAccepted(); a != nil {
		p.Field("accepted", "%s, %s", titleOf(plan, a.GetOption()), consentWords(a.GetConsent()))
	}
	if plan.GetRecommendation() != "" {
		p.Field("why", "%s", plan.GetRecommendation())
	}
	showDifficulty(p, plan.GetAssessment().GetDifficulty())
	showForecast(p, plan.GetAssessment().GetCanals())
	showOptions(p, plan)
	showReasons(p, plan)
	if recommended != nil {
		p.Heading("Visits: %s", recommended.GetTitle())
		for _, visit := range recommended.GetVisits() {
			showVisit(p, visit, len(recommended.GetVisits()))
		}
		showClockLeft(p, plan, recommended)
	}
	showFurtherCanals(p, plan)
	if len(plan.GetChanges()) > 0 {
		p.Heading("Against the plan before")
		for _, c := range plan.GetChanges() {
			p.Item("%s", c.GetText())
		}
	}
	if len(plan.GetCautions()) > 0 {
		p.Heading("Mind")
		for _, c := range plan.GetCautions() {
			p.Item("%s%s", c.GetText(), mark(c.GetProvenance()))
		}
	}
	p.Gap()
	p.Text("Odds of minutes are never a clinical go-ahead: the tool advises, the clinician decides.")
	p.Text(marksShown)
}

// showFindings writes what the plan reckons with.
func showFindings(p *Page, f *vw.Findings) {
	if d := f.GetDiagnosis(); d.GetPulpal()+d.GetApical() != "" {
		p.Field("diagnosis", "%s", strings.Join(nonEmpty(words(d.GetPulpal(), ""), words(d.GetApical(), "")), "; "))
	}
	var known []string
	for _, id := range f.GetFactors() {
		known = append(known, words(id, ""))
	}
	if f.GetShape() != "" {
		known = append(known, "shape: "+words(f.GetShape(), ""))
	}
	if t := f.GetTolerance(); t != nil {
		known = append(known, fmt.Sprintf("at most %d min in the chair, passed in no more than %s", t.GetMinutes(), odds.SharePercent(t.GetChance())))
	}
	if len(known) > 0 {
		p.Field("reckoned with", "%s", strings.Join(known, "; "))
	}
}

// showClockLeft writes the return window that a treatment leaves behind which
// ends with a dressing: after relief of pain the clock runs to the next one.
func showClockLeft(p *Page, plan *vw.Plan, o *vw.TreatmentOption) {
	if slices.ContainsFunc(o.GetVisits(), func(v *vw.PlannedVisit) bool { return v.GetReturnWindow() != nil }) {
		return // shown with its visit
	}
	for _, stop := range plan.GetStops() {
		if stop.GetReturnWindow() != nil && stop.GetOdds().GetProbability() >= 0.5 {
			p.Text("The state in which it leaves the tooth: %s.", stop.GetTitle())
			showWindow(p, stop.GetReturnWindow())
		}
	}
}

func optionOf(plan *vw.Plan, id string) *vw.TreatmentOption {
	for _, o := range plan.GetOptions() {
		if o.GetId() == id && id != "" {
			return o
		}
	}
	return nil
}

func titleOf(plan *vw.Plan, id string) string {
	if o := optionOf(plan, id); o != nil {
		return o.GetTitle()
	}
	return id
}

// bookings is what reception books: "90 min, then 60 min if needed (2 in 10)".
func bookings(o *vw.TreatmentOption) string {
	var parts []string
	for _, v := range o.GetVisits() {
		text := minutes(float64(v.GetAppointmentMinutes()))
		if ifNeeded(v) {
			text += " if needed (" + odds.Words(v.GetNeeded().GetProbability()) + ")"
		}
		parts = append(parts, text)
	}
	return strings.Join(parts, ", then ")
}

// ifNeeded reports whether a visit more likely falls away than not.
func ifNeeded(v *vw.PlannedVisit) bool {
	return v.GetNeeded() != nil && v.GetNeeded().GetProbability() < 0.5
}

func showDifficulty(p *Page, d *vw.Difficulty) {
	if d == nil || d.GetLevel() == vw.Difficulty_LEVEL_UNSPECIFIED {
		return
	}
	p.Heading("Difficulty: %s", levelWords(d.GetLevel()))
	if lines := d.GetSummary(); len(lines) > 0 {
		p.Text("%s", sentence(lines[0].GetText()))
	}
	for _, r := range d.GetReasons() {
		p.Item("%s (%s)", r.GetText(), levelWords(r.GetLevel()))
	}
	if d.GetConsiderReferral() {
		p.Text("Consider referral: the level of the form asks for the thought.")
	}
	if n := len(d.GetUnknownCriteria()); n > 0 {
		var list []string
		for _, c := range d.GetUnknownCriteria() {
			list = append(list, words(c, ""))
		}
		could := ""
		if d.GetCouldBecome() > d.GetLevel() {
			could = " The answers could make it " + levelWords(d.GetCouldBecome()) + "."
		}
		p.Text("Not answered yet (%d): %s.%s", n, strings.Join(list, ", "), could)
	}
	if lines := d.GetSummary(); d.GetConsiderVolume() && len(lines) > 1 {
		last := lines[len(lines)-1]
		p.Text("%s%s", sentence(last.GetText()), mark(last.GetProvenance()))
	}
}

func showForecast(p *Page, f *vw.CanalForecast) {
	if f == nil || len(f.GetBelief().GetProbabilities()) == 0 {
		return
	}
	p.Heading("Canals: %s", countWords(f.GetCounted()))
	before := f.GetPrior().GetProbabilities()
	now := f.GetBelief().GetProbabilities()
	var rows [][]string
	for n := 1; n < len(now); n++ {
		was := 0.0
		if n < len(before) {
			was = before[n]
		}
		if was < 0.0005 && now[n] < 0.0005 {
			continue
		}
		name := ""
		if names := f.GetBelief().GetCanalNames(); n <= len(names) {
			name = strings.Join(names[:n], ", ")
		}
		rows = append(rows, []string{fmt.Sprint(n), odds.SharePercent(was), odds.Percent(now[n]), strings.Repeat("#", int(now[n]*30+0.5)), name})
	}
	p.Table([]string{">canals", ">usual", ">this tooth", "", "names"}, rows)
	if o := f.GetFurtherCanal(); o != nil {
		p.Text("Expected at access: %s. %s", plural(int(f.GetBelief().GetExpected()), "canal", "canals"),
			sentence("a further canal: "+sayOdds(o)))
	}
	for _, line := range f.GetLines() {
		p.Item("%s%s", line.GetText(), mark(line.GetProvenance()))
	}
	for _, a := range f.GetAnatomy() {
		if slices.ContainsFunc(f.GetLines(), func(l *vw.ForecastLine) bool {
			return strings.Contains(strings.ReplaceAll(strings.ToLower(l.GetText()), "-", " "), words(a.GetKind(), ""))
		}) {
			continue // a line has said it, with its range
		}
		p.Item("%s: %s%s", words(a.GetKind(), ""), sayOdds(a.GetOdds()), mark(a.GetProvenance()))
	}
	if low, high := f.GetShortestWorkingLength(), f.GetLongestWorkingLength(); low != nil && high != nil {
		p.Item("usual working length %.1f to %.1f mm%s", low.GetValue(), high.GetValue(), mark(low.GetProvenance()))
	}
}

func countWords(k vw.CanalCountKind) string {
	switch k {
	case vw.CanalCountKind_CANAL_COUNT_KIND_ORIFICES:
		return "orifices in the chamber floor"
	case vw.CanalCountKind_CANAL_COUNT_KIND_FORAMINA:
		return "exits at the root end"
	}
	return "how many to treat"
}

// showOptions puts the options side by side, one column each.
func showOptions(p *Page, plan *vw.Plan) {
	if len(plan.GetOptions()) == 0 {
		return
	}
	p.Heading("Options side by side")
	head := []string{""}
	most := 0
	for _, o := range plan.GetOptions() {
		title := o.GetTitle()
		if o.GetId() == plan.GetRecommendedOption() {
			title += " *"
		}
		head = append(head, title)
		if o.GetFeasible() {
			most = max(most, len(o.GetVisits()))
		}
	}
	row := func(name string, cell func(o *vw.TreatmentOption) string) []string {
		cells := []string{name}
		for _, o := range plan.GetOptions() {
			text := "-"
			if o.GetFeasible() {
				text = cell(o)
			}
			cells = append(cells, text)
		}
		return cells
	}
	rows := [][]string{{"id"}}
	for _, o := range plan.GetOptions() {
		rows[0] = append(rows[0], o.GetId())
	}
	for i := range most {
		rows = append(rows, row(fmt.Sprintf("book for visit %d", i+1), func(o *vw.TreatmentOption) string {
			if i >= len(o.GetVisits()) {
				return ""
			}
			text := minutes(float64(o.GetVisits()[i].GetAppointmentMinutes()))
			if ifNeeded(o.GetVisits()[i]) {
				text += " if needed"
			}
			return text
		}))
	}
	for i := range most {
		rows = append(rows, row(fmt.Sprintf("complete by visit %d", i+1), func(o *vw.TreatmentOption) string {
			if i >= len(o.GetCompleteBy()) {
				return ""
			}
			return chance(o.GetCompleteBy()[i])
		}))
	}
	if most > 0 {
		rows = append(rows, sums(row)...)
	}
	p.Table(head, rows)
	if most > 0 {
		star := ""
		if plan.GetRecommendedOption() != "" {
			star = "* recommended. "
		}
		p.Text("%sOverrun and unused minutes are over all visits; the cost weighs work, overrun, unused time and further visits as the practice set it.", star)
	}
	for _, o := range plan.GetOptions() {
		if !o.GetFeasible() {
			p.Item("%s cannot be booked: %s", o.GetTitle(), o.GetInfeasibleBecause())
		}
	}
}

// sums are the rows over all visits of an option.
func sums(row func(string, func(*vw.TreatmentOption) string) []string) [][]string {
	return [][]string{
		row("visits, on average", func(o *vw.TreatmentOption) string { return fmt.Sprintf("%.1f", o.GetExpectedVisits()) }),
		row("in the chair, mean", func(o *vw.TreatmentOption) string { return minutes(o.GetTotalMinutes().GetMean()) }),
		row("9 in 10 take at most", func(o *vw.TreatmentOption) string { return quantile(o.GetTotalMinutes(), 0.9) }),
		row("overrun, mean", func(o *vw.TreatmentOption) string { return minutes(o.GetExpectedOverrunMinutes()) }),
		row("unused, mean", func(o *vw.TreatmentOption) string { return minutes(o.GetExpectedIdleMinutes()) }),
		row("cost, min of work", func(o *vw.TreatmentOption) string { return fmt.Sprintf("%.0f", o.GetExpectedCost()) }),
	}
}

// chance writes odds and the figure behind them for a column.
func chance(o *vw.Odds) string {
	p, told := o.GetProbability(), o.GetWords()
	return odds.Told(p, told) + " (" + odds.ToldPercent(p, told) + ")"
}

func quantile(d *vw.Distribution, probability float64) string {
	for _, q := range d.GetQuantiles() {
		if q.GetProbability() > probability-1e-9 && q.GetProbability() < probability+1e-9 {
			return minutes(q.GetMinutes())
		}
	}
	return ""
}

// showReasons lists what speaks for and against each option, the strongest
// first.
func showReasons(p *Page, plan *vw.Plan) {
	if !slices.ContainsFunc(plan.GetOptions(), func(o *vw.TreatmentOption) bool { return len(o.GetReasons()) > 0 }) {
		return
	}
	p.Heading("For and against")
	order := []vw.Reason_Stance{vw.Reason_STANCE_FORBIDS, vw.Reason_STANCE_ADVISES_AGAINST, vw.Reason_STANCE_FAVOURS, vw.Reason_STANCE_NEUTRAL}
	for _, o := range plan.GetOptions() {
		if len(o.GetReasons()) == 0 {
			continue
		}
		p.Text("%s", sentence(o.GetTitle()))
		for _, stance := range order {
			for _, r := range o.GetReasons() {
				if r.GetStance() == stance {
					p.Item("%s: %s%s", stanceWords(stance), r.GetText(), mark(r.GetProvenance()))
				}
			}
		}
	}
}

func showVisit(p *Page, v *vw.PlannedVisit, of int) {
	p.Gap()
	needed := ""
	if n := v.GetNeeded().GetProbability(); v.GetNeeded() != nil && n < 0.9995 {
		needed = fmt.Sprintf(" Needed in %s.", chance(v.GetNeeded()))
	}
	p.Text("Visit %d of %d: book %s. %s finish on time.%s", v.GetNumber(), of,
		minutes(float64(v.GetAppointmentMinutes())), chance(v.GetOnTime()), needed)
	if v.GetAim() != "" {
		p.Field("  aim", "%s", v.GetAim())
	}
	d := v.GetChairMinutes()
	var points []string
	for _, c := range []struct {
		p    float64
		text string
	}{{0.5, "half take at most"}, {0.8, "8 in 10 at most"}, {0.95, "19 in 20 at most"}} {
		if q := quantile(d, c.p); q != "" {
			points = append(points, c.text+" "+q)
		}
	}
	if len(points) > 0 {
		p.Field("  in the chair", "%s", strings.Join(points, ", "))
	}
	if cells := cellsOf(d); cells != nil {
		p.Bars(cells, int(v.GetAppointmentMinutes()))
	}
	var ends []string
	for _, e := range v.GetEnds() {
		if e.GetOdds().GetProbability() >= 0.035 {
			ends = append(ends, fmt.Sprintf("%s, %s: %s", words(e.GetStop(), ""),
				plural(int(e.GetCanalsFound()), "canal", "canals"), chance(e.GetOdds())))
		}
	}
	if len(ends) > 0 {
		p.Text("It ends with:")
		for _, text := range ends {
			p.Item("%s", text)
		}
	}
	showWindow(p, v.GetReturnWindow())
}

// cellsOf lays a distribution out from minute 0.
func cellsOf(d *vw.Distribution) []float64 {
	if len(d.GetProbabilities()) == 0 || d.GetFirstMinute() < 0 {
		return nil
	}
	return append(make([]float64, d.GetFirstMinute()), d.GetProbabilities()...)
}

func showWindow(p *Page, w *vw.ReturnWindow) {
	if w == nil {
		return
	}
	if w.GetOverdue() {
		p.Text("Return: as soon as there is a place, since the latest day has passed:")
		for _, r := range w.GetLatest().GetReasons() {
			p.Item("%s%s", r.GetText(), mark(r.GetProvenance()))
		}
		for _, a := range w.GetPastActions() {
			if a.GetAfterDays() > 0 {
				p.Item("after %s more: %s%s", sayDays(a.GetAfterDays()), a.GetText(), mark(a.GetProvenance()))
			}
		}
		return
	}
	p.Text("Return window, counted from %s:", words(w.GetAnchor(), ""))
	if w.GetEmpty() {
		p.Item("%s", orElse(w.GetConflict(), "no day satisfies all bounds; the reasons below say which clash"))
	}
	bound := func(name string, b *vw.WindowBound) {
		if b == nil {
			return
		}
		p.Item("%s %s", name, sayDays(b.GetDays()))
		for _, r := range b.GetReasons() {
			p.Under("because %s%s", r.GetText(), mark(r.GetProvenance()))
		}
	}
	if e := w.GetEarliest(); e != nil && e.GetDays() <= 0 && len(e.GetReasons()) == 0 {
		p.Item("from the same day on")
	} else {
		bound("not before", e)
	}
	bound("aim for", w.GetTarget())
	bound("not after", w.GetLatest())
	if w.GetPastLatest() != "" {
		p.Item("later than that: %s", w.GetPastLatest())
	}
	for _, a := range w.GetPastActions() {
		p.Item("after %s: %s%s", sayDays(a.GetAfterDays()), a.GetText(), mark(a.GetProvenance()))
	}
	if w.GetException() != "" {
		p.Item("%s", w.GetException())
	}
}

func showFurtherCanals(p *Page, plan *vw.Plan) {
	if len(plan.GetFurtherCanals()) == 0 {
		return
	}
	p.Heading("If a further canal turns up")
	followed := len(optionOf(plan, plan.GetRecommendedOption()).GetVisits())
	for _, f := range plan.GetFurtherCanals() {
		p.Item("%s: %s. %.0f minutes more in the chair, on average.",
			plural(int(f.GetCanals()), "canal", "canals"), chance(f.GetOdds()), f.GetFurtherMinutes())
		var parts []string
		for i, o := range f.GetCompleteBy()[:min(followed, len(f.GetCompleteBy()))] {
			parts = append(parts, fmt.Sprintf("by visit %d: %s", i+1, chance(o)))
		}
		if len(parts) > 0 {
			p.Under("complete %s", strings.Join(parts, ", "))
		}
		if f.GetText() != "" {
			p.Under("%s", f.GetText())
		}
	}
}
