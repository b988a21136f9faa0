package proposal

import (
	"fmt"
	"slices"

	"github.com/visitwright/visitwright/planner/anatomy"
	"github.com/visitwright/visitwright/planner/protocol"
	"github.com/visitwright/visitwright/planner/visits"
	"github.com/visitwright/visitwright/planner/window"
)

// work carries one proposal.
type work struct {
	in        Input
	tables    tables
	catalogue *protocol.Catalogue
	protocol  protocol.Protocol
	diagnosis protocol.Diagnosis
	levels    map[string]protocol.Level
	model     visits.Model
	partly    *visits.Model // the same with stops between canals; nil when it is the same
	solver    visits.Solver // keeps what it has computed about steps within this proposal
	dressing  string        // medicament id between visits
	plan      Plan
}

// Propose plans one tooth. It is pure and deterministic. Errors say which field
// was wrong and what would be right: *protocol.InputError, or an error of
// anatomy or difficulty about the evidence or the answers.
func Propose(in Input) (Plan, error) {
	w, err := prepare(in)
	if err != nil {
		return Plan{}, err
	}
	if err := w.intake(); err != nil {
		return Plan{}, err
	}
	if err := w.options(); err != nil {
		return Plan{}, err
	}
	w.recommend()
	if err := w.further(); err != nil {
		return Plan{}, err
	}
	if err := w.stops(); err != nil {
		return Plan{}, err
	}
	w.cautions()
	return w.plan, nil
}

// prepare checks the input, assesses the tooth and compiles the model.
func prepare(in Input) (*work, error) {
	t, err := data()
	if err != nil {
		return nil, err
	}
	shipped, err := protocol.Shipped()
	if err != nil {
		return nil, err
	}
	c, err := shipped.With(in.Clinic.Overrides)
	if err != nil {
		return nil, err
	}
	in.Conditions = slices.Clone(in.Conditions)
	in.Patient.Alerts = slices.Clone(in.Patient.Alerts)
	if err := in.check(c); err != nil {
		return nil, err
	}
	w := &work{in: in, tables: t, catalogue: c}
	if w.protocol, err = c.Protocol(in.Protocol); err != nil {
		return nil, err
	}
	if w.diagnosis, err = c.Diagnosis(in.Diagnosis); err != nil {
		return nil, err
	}
	w.plan = Plan{
		Tooth: in.Tooth.String(), ToothLabel: in.Tooth.Label(in.Notation), Protocol: in.Protocol, Title: w.protocol.Name, Diagnosis: w.diagnosis,
		Options: []Option{}, Further: []Further{}, Stops: []Stop{}, Cautions: []Caution{}, Unknown: []string{},
		Versions: Versions{Model: ModelVersion, Data: protocol.DataVersion, Calibration: in.Clinic.Calibration},
	}
	if err := w.assess(); err != nil {
		return nil, err
	}
	if err := w.believe(); err != nil {
		return nil, err
	}
	if err := w.chooseDressing(); err != nil {
		return nil, err
	}
	return w, w.compile()
}

func (w *work) believe() error {
	if w.in.Tooth == 0 { // one canal stands for the tooth: nothing is done per canal
		w.plan.Canals = anatomy.Belief{Count: anatomy.CanalsToTreat, Before: []float64{0, 1}, P: []float64{0, 1}, Expected: 1, Names: []string{"main"}}
		return nil
	}
	b, err := anatomy.Believe(anatomy.Question{Kind: w.in.Tooth.Kind(), Shape: w.in.Shape, Evidence: w.in.Evidence, Prior: w.in.Clinic.CanalShares})
	if err != nil {
		return err
	}
	if n := w.in.ExpectedCanals; n > 0 && n != b.Expected {
		if n >= len(b.P) {
			return &protocol.InputError{Field: "expected_canals", Problem: fmt.Sprintf("%d", n), Want: fmt.Sprintf("1 to %d in this tooth", len(b.P)-1)}
		}
		if b.Names, err = anatomy.Sequence(b.Kind, b.Shape, n, len(b.P)-1); err != nil {
			return err
		}
		b.Expected = n
	}
	w.plan.Canals = b
	return nil
}

// belief is the plan's belief as the model wants it.
func (w *work) belief() visits.CanalBelief {
	b := w.plan.Canals
	return visits.CanalBelief{P: slices.Clone(b.P), Expected: b.Expected, Names: slices.Clone(b.Names)}
}

// known is the belief of a tooth in which exactly n canals are known beforehand.
func (w *work) known(n int) (visits.CanalBelief, error) {
	b := w.plan.Canals
	names, err := anatomy.Sequence(b.Kind, b.Shape, n, n)
	if err != nil {
		return visits.CanalBelief{}, err
	}
	p := make([]float64, n+1)
	p[n] = 1
	return visits.CanalBelief{P: p, Expected: n, Names: names}, nil
}

func (w *work) compile() error {
	in := w.caseInput(w.belief())
	m, trace, err := w.catalogue.Compile(in)
	if err != nil {
		return err
	}
	w.model, w.plan.Trace = m, trace
	if err := w.setBack(m); err != nil {
		return err
	}
	w.from(&w.model)
	w.plan.Unknown = append(w.plan.Unknown, trace.Unknown...)
	if slices.Contains(in.Conditions, protocol.PartlyStops) {
		return nil
	}
	in.Conditions = append(slices.Clone(in.Conditions), protocol.PartlyStops)
	p, _, err := w.catalogue.Compile(in)
	if err != nil {
		return err
	}
	w.from(&p)
	w.partly = &p
	return nil
}

func (w *work) caseInput(canals visits.CanalBelief) protocol.CaseInput {
	conditions := slices.Clone(w.in.Conditions)
	add := func(on bool, c string) {
		if on && !slices.Contains(conditions, c) {
			conditions = append(conditions, c)
		}
	}
	add(w.in.Clinic.CoreSameVisit || w.in.Findings.RestoreSameDay, protocol.WithCore)
	add(w.in.Begun != nil, protocol.Opened)
	// Whole canals finished and the others not entered is a sound stop in a vital
	// tooth; in an infected one only where the clinician accepts it.
	add(w.diagnosis.Pulp == protocol.Vital || w.in.Clinic.PartlyStops, protocol.PartlyStops)
	return protocol.CaseInput{
		Protocol: w.in.Protocol, Tooth: w.in.Tooth, Canals: canals, Diagnosis: w.in.Diagnosis, Difficulty: w.levels,
		Conditions: conditions, Microscope: w.in.Clinic.Microscope, SharesVisit: w.in.SharesVisit, Pace: w.in.Pace,
		Cost: w.in.Clinic.Cost, Grid: w.in.Clinic.Grid, Bear: w.in.Patient.Bear, Horizon: w.in.Clinic.Horizon, Cap: w.in.Clinic.Cap,
	}
}

// openApex: the root has not grown to its end, found so or by its diagnosis.
func (w *work) openApex() bool {
	return w.in.Findings.OpenApex || w.diagnosis.ID == "immature-necrotic"
}

// window of a return after a visit that ended in a state.
func (w *work) window(stop string, begun *window.Begun) (window.Window, error) {
	in := window.Input{
		Stop: stop, Diagnosis: w.in.Diagnosis, Medicament: w.dressing, Temporary: w.in.Clinic.Temporary,
		OpenApex: w.openApex(),
		Symptoms: begun != nil && (w.in.Findings.Pain || w.in.Findings.Swelling), Begun: begun,
		Prophylaxis: slices.Contains(w.in.Patient.Alerts, "endocarditis-prophylaxis"), CourseEndsIn: w.in.Patient.CourseEndsIn,
		Spacing: w.in.Patient.Spacing,
	}
	if begun != nil {
		in.Medicament, in.Temporary = w.in.Begun.Dressing, w.in.Begun.Temporary
	}
	if s, err := w.catalogue.Stop(stop); err == nil && s.Use == protocol.Vital && s.ID == "relieved-vital" {
		in.Medicament = "pulp-dressing"
	}
	return window.Compute(w.catalogue, in)
}

// intake starts the clock of a tooth that was dressed elsewhere.
func (w *work) intake() error {
	b := w.in.Begun
	if b == nil {
		return nil
	}
	stop := b.Stop
	if stop == "" || stop == "unknown" {
		stop = "partly-treated-infected"
		if w.diagnosis.Pulp == protocol.Vital {
			stop = "partly-treated-vital"
		}
	}
	win, err := w.window(stop, &window.Begun{DaysAgo: b.DaysAgo})
	if err != nil {
		return err
	}
	w.plan.Intake = &win
	return nil
}
