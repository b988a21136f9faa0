package proposal

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/visitwright/visitwright/planner/anatomy"
	"github.com/visitwright/visitwright/planner/chairtime"
	"github.com/visitwright/visitwright/planner/protocol"
	"github.com/visitwright/visitwright/planner/provenance"
	"github.com/visitwright/visitwright/planner/visits"
)

// Sheet is one page for nurse and clinician. Several teeth of one patient share
// one start of visit and one anaesthetic total.
type Sheet struct {
	Identity    []string       `json:"identity"` // what is checked before anything else
	Alerts      []Alert        `json:"alerts"`   // confirmed at this visit, with what each changes
	Start       []Line         `json:"start"`    // opens the visit, once for all teeth
	Teeth       []SheetTooth   `json:"teeth"`
	SetOut      []string       `json:"set_out"`
	Cautions    []Caution      `json:"cautions"`
	Anaesthetic Anaesthetic    `json:"anaesthetic"` // empty where nothing is injected
	RedFlags    []RedFlag      `json:"red_flags"`
	Emergency   bool           `json:"emergency"` // the red-flag questions come before anything else
	Urgent      string         `json:"urgent_instruction"`
	Length      int            `json:"length"` // minutes booked for all teeth
	Minutes     chairtime.Dist `json:"minutes"`
}

// SheetTooth is one tooth's part of a visit.
type SheetTooth struct {
	Label     string      `json:"label"`
	Treatment string      `json:"treatment"`
	Option    string      `json:"option"`
	Visit     int         `json:"visit"`
	Aim       string      `json:"aim"`
	Consent   string      `json:"consent"`
	Steps     []Line      `json:"steps"`
	Canals    []CanalLine `json:"canals"`
	Dressing  string      `json:"dressing"`  // at the end of the visit, or if it must stop; "" where a tooth is not opened
	Temporary string      `json:"temporary"` // the same; "" where nothing is sealed
	GoOn      []string    `json:"go_on"`     // when to go on and when to stop
	Level     string      `json:"level"`     // difficulty
}

// toothPage is one tooth's part of a visit with what all teeth share.
type toothPage struct {
	SheetTooth
	start  []Line
	visit  Visit
	setOut []string
	numbed bool // the visit begins with an injection
}

// Line is one line of the order of a visit.
type Line struct {
	Step     string            `json:"step"`
	Text     string            `json:"text"`
	Minutes  float64           `json:"minutes"`   // mean, for the canals expected
	StopNext bool              `json:"stop_next"` // a stopping point follows
	Marks    []provenance.Mark `json:"marks"`     // figures in it that were not read in a published source
}

// CanalLine is one canal of the canal table.
type CanalLine struct {
	Name  string         `json:"name"`
	State string         `json:"state"` // expected, possible, or what the caller says
	Odds  Odds           `json:"odds"`
	Usual anatomy.Length `json:"length"` // usual working length of the tooth
}

// Consent is what the patient has agreed to.
type Consent struct {
	Given  bool
	Option string // option id
}

// Part is one tooth's part of a visit.
type Part struct {
	Input   Input
	Plan    Plan
	Option  string // "" takes the recommended option
	Visit   int    // from 1
	Consent Consent
	// CanalStates are what is known of canals by name: located, shaped, ...
	CanalStates map[string]string
}

// VisitSheet writes the page for one visit, the first tooth first.
func VisitSheet(parts []Part) (Sheet, error) {
	if len(parts) == 0 || len(parts) > mostTeeth {
		return Sheet{}, &protocol.InputError{Field: "parts", Problem: fmt.Sprintf("%d teeth", len(parts)), Want: fmt.Sprintf("1 to %d", mostTeeth)}
	}
	s := Sheet{Alerts: []Alert{}, Start: []Line{}, Cautions: []Caution{}, SetOut: []string{}, RedFlags: RedFlags()}
	var labels []string
	first := parts[0].Input
	s.Minutes = chairtime.Exactly(0)
	shared := SharedVisit{Minutes: chairtime.Exactly(0)}
	numbed := false
	for i, p := range parts {
		w, err := prepare(p.Input)
		if err != nil {
			return Sheet{}, fmt.Errorf("parts[%d]: %w", i, err)
		}
		t, err := w.sheetTooth(p)
		if err != nil {
			return Sheet{}, fmt.Errorf("parts[%d]: %w", i, err)
		}
		if i == 0 {
			s.Start, s.Urgent = t.start, p.Input.Clinic.UrgentInstruction
		} else if len(t.start) > 0 {
			t.Steps = append(slices.Clone(t.start), t.Steps...)
		}
		s.Teeth = append(s.Teeth, t.SheetTooth)
		numbed = numbed || t.numbed
		s.Emergency = s.Emergency || p.Input.Protocol == "emergency-relief"
		labels = append(labels, t.Label)
		s.Length = t.visit.Length
		s.Minutes = s.Minutes.Plus(t.visit.Minutes, capOf(first))
		shared.Minutes = shared.Minutes.Plus(t.visit.booked(p.Visit), capOf(first))
		for _, line := range t.setOut {
			if !slices.Contains(s.SetOut, line) {
				s.SetOut = append(s.SetOut, line)
			}
		}
		for _, a := range Alerts() {
			if slices.Contains(p.Input.Patient.Alerts, a.ID) && !slices.Contains(s.Alerts, a) {
				s.Alerts = append(s.Alerts, a)
			}
		}
		for _, c := range p.Plan.Cautions {
			if !slices.ContainsFunc(s.Cautions, func(x Caution) bool { return x.Text == c.Text }) {
				s.Cautions = append(s.Cautions, c)
			}
		}
	}
	s.Identity = []string{
		"Ask the patient for name and date of birth; compare with the record. Do not read them out.",
		"Tooth: " + strings.Join(labels, "; ") + ". Point to it, let the patient confirm, compare with the radiograph.",
		"Confirm every alert below, and ask for new ones.",
	}
	s.SetOut = actOn(s.SetOut, s.Alerts)
	if len(parts) > 1 {
		if err := shared.book(first); err != nil {
			return Sheet{}, err
		}
		s.Length = shared.Length
	}
	if !numbed {
		return s, nil // nothing is injected: a limit would only be noise
	}
	limit, err := anaestheticLimit(first)
	if err != nil {
		return Sheet{}, err
	}
	s.Anaesthetic = limit
	return s, nil
}

// actOn changes what is set out by the alerts.
func actOn(setOut []string, alerts []Alert) []string {
	has := func(id string) bool {
		return slices.ContainsFunc(alerts, func(a Alert) bool { return a.ID == id })
	}
	for i, line := range setOut {
		if has("latex") {
			line = strings.Replace(line, "rubber dam", "latex-free dam", 1)
		}
		if has("hypochlorite") && strings.Contains(line, "hypochlorite") {
			line = "NO hypochlorite: the irrigant agreed on for this patient, in marked syringes"
		}
		setOut[i] = line
	}
	if has("latex") {
		setOut = append(setOut, "latex-free gloves")
	}
	if has("chlorhexidine") {
		setOut = append(setOut, "NO chlorhexidine, as rinse, gel or field disinfectant")
	}
	if has("anticoagulant") {
		setOut = append(setOut, "gauze and a local haemostatic")
	}
	return setOut
}

func capOf(in Input) int {
	if in.Clinic.Cap == 0 {
		return DefaultCap
	}
	return in.Clinic.Cap
}

func (w *work) sheetTooth(p Part) (toothPage, error) {
	id := p.Option
	if id == "" {
		id = p.Plan.Recommended
	}
	o, ok := p.Plan.Option(id)
	if !ok || !o.Feasible {
		return toothPage{}, &protocol.InputError{Field: "option", Problem: fmt.Sprintf("%q is not an option of this plan that can be done", id), Want: "the id of a feasible option"}
	}
	if p.Visit < 1 || p.Visit > len(o.Visits) {
		return toothPage{}, &protocol.InputError{Field: "visit", Problem: fmt.Sprintf("%d", p.Visit), Want: fmt.Sprintf("1 to %d", len(o.Visits))}
	}
	v := o.Visits[p.Visit-1]
	t := toothPage{visit: v, SheetTooth: SheetTooth{
		Label: p.Plan.ToothLabel, Treatment: p.Plan.Title, Option: id, Visit: p.Visit, Aim: v.Aim,
		Consent: consentLine(p.Consent, o), Level: string(p.Plan.Difficulty.Level), Steps: []Line{}, GoOn: []string{},
	}}
	m := *o.Model
	from, to := m.Begin.Stage, mainStage(o.Result.Visits[p.Visit-1])
	if p.Visit > 1 {
		from = leftAt(o.Result.Visits[p.Visit-2], len(m.Stages))
		to = max(to, from)
	}
	r := w.run(m, *o.Result, p.Visit, from, to)
	t.start = w.lines(m, m.Start, "start", p.Plan.Trace, w.startOrder())
	if r.resumes {
		at := m.Stops[from].ID
		t.Steps = append(t.Steps, w.lines(m, m.Stops[from].Resume, "stops/"+at+"/resume", p.Plan.Trace, w.stop(at).Resume)...)
	}
	for i := from; i < to; i++ {
		s := m.Stages[i]
		if s.Gate != nil {
			t.Steps = append(t.Steps, w.checkLine(m, s, p.Plan.Trace))
		}
		t.Steps = append(t.Steps, w.lines(m, s.Work, "stages/"+s.ID+"/work", p.Plan.Trace, w.stageOrder(s.ID))...)
		if n := len(t.Steps); n > 0 && i+1 < len(m.Stages) && m.Stops[i+1].Allowed {
			t.Steps[n-1].StopNext = true
		}
	}
	at := m.Stops[to].ID
	t.Steps = append(t.Steps, w.lines(m, m.Stops[to].End, "stops/"+at+"/end", p.Plan.Trace, w.stop(at).End)...)
	t.Canals = []CanalLine{}
	if w.in.Tooth != 0 && w.entersCanals(m) {
		length, err := anatomy.WorkingLength(w.in.Tooth.Kind())
		if err != nil {
			return t, err
		}
		t.Canals = canalTable(p, length)
	}
	t.Dressing, t.Temporary = w.dressingLine(r), w.temporaryLine(r)
	t.GoOn = w.goOn(m, *o.Result, p.Visit)
	t.setOut = w.setOut(r)
	t.numbed = hasStep(m.Start, "anaesthetise")
	return t, nil
}

// leftAt is the number of stages done at which a visit that leaves something to
// do most often ends: there the next visit takes up the tooth.
func leftAt(v visits.Visit, all int) int {
	var open visits.Visit
	for _, e := range v.Ends {
		if e.State.Stage < all {
			open.Ends = append(open.Ends, e)
		}
	}
	return mainStage(open)
}

func consentLine(c Consent, o Option) string {
	switch {
	case !c.Given:
		return "Consent is not recorded: obtain it before treatment begins."
	case c.Option != o.ID:
		return fmt.Sprintf("Consent covers another option (%s), not this one: obtain it before treatment begins.", c.Option)
	}
	return "Consent to this option is recorded; confirm it, and that it covers stopping early and a further canal."
}

// lines writes the steps of a block with their mean minutes for the canals
// expected, in the order in which they are done.
func (w *work) lines(m visits.Model, b visits.Block, at string, trace protocol.Trace, order []string) []Line {
	var out []Line
	for _, s := range b.Once {
		out = append(out, Line{Step: s.ID, Text: w.stepName(s.ID), Minutes: mean(m, s.Minutes), Marks: marksOf(trace, at+"/once/"+s.ID+"/median")})
	}
	for _, s := range b.PerCanal {
		l := Line{Step: s.ID, Text: w.stepName(s.ID) + ", each canal"}
		for i := 0; i < m.Canals.Expected && i < len(s.Medians); i++ {
			l.Minutes += mean(m, visits.Minutes{Median: s.Medians[i], LogSD: s.LogSD, Scaled: s.Scaled})
			for _, x := range marksOf(trace, at+"/per_canal/"+s.ID+"/medians/"+m.Canals.Names[i]) {
				if !slices.Contains(l.Marks, x) {
					l.Marks = append(l.Marks, x)
				}
			}
		}
		out = append(out, l)
	}
	w.arrange(out, order)
	return out
}

func (w *work) checkLine(m visits.Model, s visits.Stage, trace protocol.Trace) Line {
	return Line{Step: "ready-check", Text: w.stepName("ready-check") + ": unless every point is answered, stop here", Minutes: mean(m, s.Gate.Check), Marks: marksOf(trace, "stages/"+s.ID+"/gate/check/median")}
}

func (w *work) stepName(id string) string {
	if s, err := w.catalogue.Step(id); err == nil {
		return s.Name
	}
	for _, own := range w.in.Clinic.Overrides.Sequences {
		for _, s := range own {
			if s.ID == id {
				return s.Name
			}
		}
	}
	return id
}

// mean of a lognormal duration, the shared factors averaged over.
func mean(m visits.Model, x visits.Minutes) float64 {
	v := x.LogSD * x.LogSD
	if x.Scaled {
		v += m.Factor.CaseLogSD*m.Factor.CaseLogSD + m.Factor.VisitLogSD*m.Factor.VisitLogSD
	}
	return x.Median * math.Exp(v/2)
}

func marksOf(trace protocol.Trace, path string) []provenance.Mark {
	l, ok := trace.Find(path)
	if !ok {
		return nil
	}
	var out []provenance.Mark
	add := func(m provenance.Mark) {
		if m.Flag() != "" && !slices.Contains(out, m) {
			out = append(out, m)
		}
	}
	add(l.Base.Mark)
	for _, t := range l.Times {
		add(t.Figure.Mark)
	}
	return out
}

func canalTable(p Part, length anatomy.Length) []CanalLine {
	b := p.Plan.Canals
	out := []CanalLine{}
	for i, name := range b.Names {
		odds := b.AtLeast(i + 1)
		if odds == 0 {
			continue
		}
		state := "expected"
		if i >= b.Expected {
			state = "possible"
		}
		if s := p.CanalStates[name]; s != "" {
			state = s
		}
		line := CanalLine{Name: name, State: state, Odds: oddsWords(odds, "have it"), Usual: length}
		if i < max(1, b.Located) { // every tooth has one, and what has a file in it is there
			line.Odds = alwaysThere()
		}
		out = append(out, line)
	}
	return out
}

// goOn says for one visit how many minutes must be left to go on, in words and
// only where the choice can come up.
func (w *work) goOn(m visits.Model, res visits.Result, visit int) []string {
	out := []string{}
	for _, e := range res.Table {
		if e.Visit != visit || e.Rule != visits.Chosen || e.Barred || e.Reached < .02 || e.State.Stage >= len(m.Stages) {
			continue
		}
		where := w.stopName(e.Stop)
		if e.State.Canal > 0 {
			where = fmt.Sprintf("%d of %d canals finished", e.State.Canal, e.State.Found)
		} else if e.State.Found > 0 && w.entersCanals(m) {
			where += fmt.Sprintf(", %d canals found", e.State.Found)
		}
		next := w.stageName(m.Stages[e.State.Stage].ID)
		switch {
		case e.LeastLeft >= visits.Never:
			out = append(out, fmt.Sprintf("%s: stop here", where))
		case e.LeastLeft == 0:
			out = append(out, fmt.Sprintf("%s: go on (%s) whatever the clock says", where, next))
		case e.LeastLeft == 1:
			out = append(out, fmt.Sprintf("%s: go on (%s) as long as time is left, else stop here", where, next))
		default:
			out = append(out, fmt.Sprintf("%s: go on (%s) with at least %d minutes left, else stop here", where, next, e.LeastLeft))
		}
	}
	return out
}

func (w *work) stopName(id string) string {
	if s, err := w.catalogue.Stop(id); err == nil {
		return s.Name
	}
	return id
}
