package proposal

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/visitwright/visitwright/planner/protocol"
	"github.com/visitwright/visitwright/planner/visits"
)

var numberWords = []string{"no", "one", "two", "three", "four"}

// options solves the ways of doing the treatment side by side.
func (w *work) options() error {
	least := w.visitsFigure("least_visits")
	most := w.visitsFigure("options")
	if w.in.MostVisits > 0 {
		most = max(least, w.in.MostVisits)
	}
	f := w.facts(least)
	if w.in.From != nil {
		least, most, f = 1, max(1, min(most-1, 2)), w.factsFrom(f)
		if w.in.Overdue != nil {
			most = max(most, 2) // the visit that cleans again, and the one that goes on
		}
	}
	if w.protocol.Kind != "treatment" {
		// A single visit has no other number of visits to be weighed against.
		f = facts{}
	}
	for k := 1; k <= most; k++ {
		if k < least {
			// What the protocol forbids is still shown, with its reason.
			w.plan.Options = append(w.plan.Options, w.blank(k, f))
			continue
		}
		if k == 3 && w.in.MostVisits == 0 && !w.thirdIsSensible(least) {
			break
		}
		o, err := w.option(k, f)
		if err != nil {
			return err
		}
		w.plan.Options = append(w.plan.Options, o)
	}
	return nil
}

func (w *work) visitsFigure(name string) int {
	f, _ := w.catalogue.Figure("protocols." + w.protocol.ID + "." + name)
	return int(f.Value)
}

// thirdIsSensible: three visits are shown when two will not do for many teeth
// like this, or when the treatment itself is long.
func (w *work) thirdIsSensible(least int) bool {
	if least >= 2 || w.diagnosis.Filled || w.in.Findings.Exudate || w.in.Findings.Swelling || w.diagnosis.ID == "acute-abscess" {
		return true
	}
	two := w.plan.Options[len(w.plan.Options)-1]
	return !two.Feasible || two.Complete[1].P < *w.tables.limits["third_option"].V
}

func (w *work) blank(k int, f facts) Option {
	o := Option{ID: optionID(k), Title: w.optionTitle(k), Earliest: k, Visits: []Visit{}, Complete: []Odds{}}
	o.Reasons = w.tables.apply(f, k == 1)
	o.Strength = strongest(o.Reasons)
	for _, r := range o.Reasons {
		if r.Strength == Forbids {
			o.Because = r.Text
			break
		}
	}
	return o
}

func optionID(k int) string {
	if k == 1 {
		return "one-visit"
	}
	return numberWords[k] + "-visits"
}

func (w *work) optionTitle(k int) string {
	more := ""
	if w.in.From != nil {
		more = " more"
	}
	if k == 1 {
		return "One" + more + " visit"
	}
	return strings.ToUpper(numberWords[k][:1]) + numberWords[k][1:] + more + " visits"
}

func (w *work) option(k int, f facts) (Option, error) {
	o := w.blank(k, f)
	if o.Strength == Forbids {
		return o, nil
	}
	m := w.dressedBetween(w.model, k)
	res, err := w.solve(&m, k)
	// Visits so short that the tooth cannot be taken to a sound stop: stopping
	// between two canals is the last way out, and said to be one. One visit that
	// cannot be borne is no one-visit option.
	if impossible(err) && w.partly != nil && k > 1 {
		m = w.dressedBetween(*w.partly, k)
		if res, err = w.solve(&m, k); err == nil && w.diagnosis.Pulp == protocol.Infected {
			f = withFact(f, "partly-infected")
			o.Reasons = w.tables.apply(f, k == 1)
			o.Strength = strongest(o.Reasons)
		}
	}
	if impossible(err) {
		o.Because = w.infeasible(err)
		return o, nil
	}
	if err != nil {
		return o, fmt.Errorf("option %s: %w", o.ID, err)
	}
	o.Feasible, o.Model, o.Result = true, &m, &res
	if r, later := laterVisits(m, res, k); later {
		o.Reasons = append(o.Reasons, r)
	}
	return o, w.fill(&o, k)
}

// dressedBetween holds two visits of an infected tooth to what speaks for them,
// a dressing between the visits: the first does not stop where the tooth is
// merely taken down and closed again. A third visit leaves room for that, and a
// treatment taken up midway goes on from where it stands.
func (w *work) dressedBetween(m visits.Model, k int) visits.Model {
	if k != 2 || w.in.From != nil || w.diagnosis.Pulp != protocol.Infected {
		return m
	}
	dressed := -1 // the last stop that leaves a dressing
	for i, s := range m.Stops {
		if s.Allowed && w.stop(s.ID).Use != "" {
			dressed = i
		}
	}
	m.Stops = slices.Clone(m.Stops)
	for i := range max(dressed, 0) {
		if s := w.stop(m.Stops[i].ID); s.Dressed && s.Use == "" {
			m.Stops[i].Allowed = false
		}
	}
	return m
}

func impossible(err error) bool {
	return errors.Is(err, visits.ErrTooShort) || errors.Is(err, visits.ErrUnbearable)
}

func (w *work) infeasible(err error) string {
	if bear := w.model.Bear.Minutes; bear > 0 && (errors.Is(err, visits.ErrUnbearable) || bear < w.model.Grid.Most) {
		return fmt.Sprintf("This patient can bear %d minutes in the chair, and this option needs longer visits even at their shortest.", bear)
	}
	return "No appointment length that the practice books holds the shortest visit of this option."
}

func withFact(f facts, name string) facts {
	out := facts{name: true}
	for k, v := range f {
		if v {
			out[k] = true
		}
	}
	return out
}

// fill reads the numbers of a solved option.
func (w *work) fill(o *Option, k int) error {
	res := o.Result
	o.Unfinished, o.ExpectedVisits, o.FurtherVisits = res.Unfinished, res.ExpectedVisits, max(0, res.ExpectedVisits-1)
	o.Minutes, o.MeanMinutes, o.Cost = res.Total, res.Total.Mean(), res.Cost
	for i, p := range res.Complete {
		done := oddsWords(p, fmt.Sprintf("are complete after visit %d", i+1))
		if i+1 < k && p == 0 { // the option forbids it
			done = noneOf(fmt.Sprintf("are complete after visit %d", i+1))
		}
		o.Complete = append(o.Complete, done)
	}
	for _, v := range res.Visits {
		// A visit beyond those booked is shown while it is worth a line.
		if v.Number > k && v.Happens < worthShowing {
			break
		}
		visit := Visit{Number: v.Number, Kind: w.protocol.ID, Length: v.Length, Minutes: v.Minutes, Overrun: v.Overrun, Idle: v.Idle,
			OnTime: oddsWords(v.Quantile, "finish on time"), TooLong: tooLong(v, o.Model.Bear), Aim: w.aim(o, v.Number, k)}
		if v.Number == 1 {
			visit.Needed = oddsWords(1, "need this visit")
			visit.Needed.Words = "always"
			if err := w.windowFrom(&visit); err != nil {
				return err
			}
		} else {
			visit.Needed = oddsWords(v.Happens, "need this visit")
			stop, found := mainStop(res.Visits[v.Number-2])
			if found {
				win, err := w.window(stop, nil)
				if err != nil {
					return err
				}
				visit.Window, visit.From = &win, stop
			}
		}
		o.Visits = append(o.Visits, visit)
	}
	return nil
}

func tooLong(v visits.Visit, bear visits.Bear) float64 {
	if bear.Minutes == 0 {
		return 0
	}
	return v.Minutes.LongerThan(bear.Minutes)
}

// worthShowing is the chance from which a visit that is not booked ahead gets a
// line of its own in an option. It is a matter of layout, not of treatment.
const worthShowing = .05

// mainStop is the state in which a visit most often ends without completing the
// treatment, over all numbers of canals.
func mainStop(v visits.Visit) (string, bool) {
	odds := map[string]float64{}
	var order []string
	for _, e := range v.Ends {
		if strings.HasPrefix(e.Stop, "complete") || e.Stop == "answered" {
			continue
		}
		if _, ok := odds[e.Stop]; !ok {
			order = append(order, e.Stop)
		}
		odds[e.Stop] += e.Odds
	}
	best := ""
	for _, id := range order {
		if best == "" || odds[id] > odds[best] {
			best = id
		}
	}
	return best, best != ""
}

// aim says in words what a visit is meant to do: the stages between the state
// in which it most often begins and the one in which it most often ends.
func (w *work) aim(o *Option, n, k int) string {
	m, res := o.Model, o.Result
	if n > k {
		return "finish what is left, if it is needed"
	}
	from, to := m.Begin.Stage, mainStage(res.Visits[n-1])
	if n > 1 {
		from = mainStage(res.Visits[n-2])
		if from == len(m.Stages) { // most often complete already
			return "finish what is left, if it is needed"
		}
	}
	var parts []string
	for i := from; i < to; i++ {
		parts = append(parts, w.stageName(m.Stages[i].ID))
	}
	if len(parts) == 0 {
		parts = append(parts, "clean again")
	}
	if to < len(m.Stages) {
		parts = append(parts, w.closing(m.Stops[to].ID))
	}
	return strings.Join(parts, ", ")
}

// closing says how a visit ends that does not complete the treatment.
func (w *work) closing(stop string) string {
	if s, err := w.catalogue.Stop(stop); err == nil && s.Use == "" {
		return "seal"
	}
	return "dress and seal"
}

// mainStage is the number of stages done at which a visit most often ends.
func mainStage(v visits.Visit) int {
	odds := map[int]float64{}
	best := 0
	for _, e := range v.Ends {
		odds[e.State.Stage] += e.Odds
		if odds[e.State.Stage] > odds[best] {
			best = e.State.Stage
		}
	}
	return best
}

func (w *work) stageName(id string) string {
	for _, s := range w.protocol.Stages {
		if s.ID == id {
			return s.Name
		}
	}
	return id
}

// recommend chooses: never what a rule forbids or what cannot be done; what no
// rule advises against before what one does; then the least expected cost.
func (w *work) recommend() {
	best := -1
	better := func(i, j int) bool {
		a, b := w.plan.Options[i], w.plan.Options[j]
		if x, y := a.Strength == AdvisesAgainst, b.Strength == AdvisesAgainst; x != y {
			return y
		}
		return a.Result.CostMicro < b.Result.CostMicro
	}
	for i, o := range w.plan.Options {
		if o.Feasible && (best < 0 || better(i, best)) {
			best = i
		}
	}
	if best < 0 {
		w.plan.Recommendation = "No option can be planned: " + w.plan.Options[0].Because
		return
	}
	o := w.plan.Options[best]
	w.plan.Recommended = o.ID
	w.plan.Recommendation = w.why(o)
}

func (w *work) why(o Option) string {
	var others []string
	for _, x := range w.plan.Options {
		if x.ID == o.ID {
			continue
		}
		title := strings.ToLower(x.Title)
		switch {
		case x.Strength == Forbids:
			others = append(others, title+" ruled out ("+lower(x.Because)+")")
		case !x.Feasible:
			others = append(others, title+" cannot be planned ("+lower(x.Because)+")")
		case x.Strength == AdvisesAgainst && o.Strength != AdvisesAgainst:
			others = append(others, title+" advised against ("+lower(x.Reasons[0].Text)+")")
		default:
			verb := "cost"
			if x.Earliest == 1 {
				verb = "costs"
			}
			others = append(others, fmt.Sprintf("%s %s %.0f minutes' worth more (overrun, idle chair and further visits as the practice weighs them)", title, verb, x.Cost-o.Cost))
		}
	}
	text := fmt.Sprintf("%s: %s.", o.Title, o.Complete[o.Earliest-1].Words)
	if o.Strength == AdvisesAgainst {
		text += " A rule advises against it too; see its reasons."
	}
	if len(others) > 0 {
		text += " Beside it: " + strings.Join(others, "; ") + "."
	}
	if slices.ContainsFunc(w.model.Stages, func(s visits.Stage) bool { return s.Fills }) {
		text += " Whether the tooth may be filled is answered by the ready-to-fill check on the day."
	}
	return text + " The clinician decides."
}

func lower(s string) string {
	s = strings.TrimRight(s, ".")
	if s == "" {
		return s
	}
	return strings.ToLower(s[:1]) + s[1:]
}
