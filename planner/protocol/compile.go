package protocol

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"github.com/visitwright/visitwright/planner/tooth"
	"github.com/visitwright/visitwright/planner/visits"
)

// Level is how hard one criterion makes the tooth.
type Level string

// The three published levels.
const (
	Minimal  Level = "minimal"
	Moderate Level = "moderate"
	High     Level = "high"
)

// CaseInput is one case, ready to be compiled.
type CaseInput struct {
	Protocol  string             // catalogue id
	Tooth     tooth.Code         // a permanent tooth; 0, not yet identified, where the protocol allows it
	Canals    visits.CanalBelief // canals to treat
	Diagnosis string             // catalogue id
	// Difficulty by criterion id. Criteria that no published study ties to time
	// are accepted and change no minutes; an absent criterion counts as minimal
	// and is named in the trace.
	Difficulty  map[string]Level
	Conditions  []string // Caries, Crowned, Post, Splinted, WithCore, Opened, PartlyStops
	Microscope  bool     // one is used; a practice may also switch it off
	SharesVisit bool     // another tooth of this patient opens the visit: identity, wait and microscope count once
	// Pace is what the practice's own visits say; the zero Pace leaves the
	// published figures as they are.
	Pace Pace

	Cost    visits.Cost
	Grid    visits.Grid
	Bear    visits.Bear
	Horizon int // visits followed, 2 to 8
	Cap     int // minutes, 60 to 960
}

// Compile turns a case into the model that is planned, with a trace that says
// for every number of the model where it came from. It is pure: same input,
// same model. Errors are *InputError.
func (c *Catalogue) Compile(in CaseInput) (visits.Model, Trace, error) {
	b, err := c.begin(in)
	if err != nil {
		return visits.Model{}, Trace{}, err
	}
	m := visits.Model{
		Protocol: in.Protocol, Tooth: in.Tooth.String(),
		Canals: visits.CanalBelief{P: slices.Clone(in.Canals.P), Expected: in.Canals.Expected, Names: slices.Clone(in.Canals.Names)},
		Factor: b.spread(),
		Cost:   in.Cost, Grid: in.Grid, Bear: in.Bear, Horizon: in.Horizon, Cap: in.Cap, Clock: visits.NearestMinute,
	}
	b.inputs(m)
	m.Start = b.block("start", b.startRefs(), nil, nil)
	stops := b.stopRefs()
	for _, s := range b.protocol.Stages {
		if s.When == "" || b.on[s.When] {
			m.Stages = append(m.Stages, b.stage(s))
		}
	}
	if len(stops) != len(m.Stages)+1 {
		return visits.Model{}, Trace{}, fmt.Errorf("protocol %s: %d stages with %d stops", in.Protocol, len(m.Stages), len(stops))
	}
	// A protocol without a search still has its one tooth: the first stage
	// stands for it.
	if !slices.ContainsFunc(m.Stages, func(s visits.Stage) bool { return s.Locates }) {
		m.Stages[0].Locates = true
	}
	for _, id := range stops {
		m.Stops = append(m.Stops, b.stop(c.stops[id]))
	}
	if err := visits.Validate(m); err != nil {
		var field *visits.FieldError
		if errors.As(err, &field) {
			err = &InputError{Field: field.Field, Problem: field.Want}
		}
		return visits.Model{}, Trace{}, err
	}
	return m, b.trace, nil
}

// builder carries one compilation.
type builder struct {
	c         *Catalogue
	in        CaseInput
	protocol  Protocol
	diagnosis Diagnosis
	on        map[string]bool // conditions that hold
	placed    map[string]bool // own sequences already placed
	trace     Trace
}

func (c *Catalogue) begin(in CaseInput) (*builder, error) {
	p, err := c.Protocol(in.Protocol)
	if err != nil {
		return nil, err
	}
	d, err := c.Diagnosis(in.Diagnosis)
	if err != nil {
		return nil, err
	}
	if !p.Suits(in.Diagnosis) {
		return nil, &InputError{Field: "diagnosis", Problem: fmt.Sprintf("%q does not go with the protocol %q", in.Diagnosis, in.Protocol), Want: "one of " + strings.Join(p.Diagnoses, ", ")}
	}
	if !in.Tooth.Valid() && (in.Tooth != 0 || !p.AnyTooth) {
		return nil, &InputError{Field: "tooth", Problem: "no permanent tooth is named", Want: "an ISO 3950 code from 11 to 48; before the tooth is identified only a consultation or emergency relief can be planned"}
	}
	if err := checkBelief(in.Canals); err != nil {
		return nil, err
	}
	for _, id := range slices.Sorted(maps.Keys(in.Difficulty)) {
		switch in.Difficulty[id] {
		case Minimal, Moderate, High:
		default:
			return nil, &InputError{Field: "difficulty." + id, Problem: fmt.Sprintf("level %q is unknown", in.Difficulty[id]), Want: "minimal, moderate or high"}
		}
	}
	b := &builder{c: c, in: in, protocol: p, diagnosis: d, on: map[string]bool{}, placed: map[string]bool{}}
	for _, cond := range in.Conditions {
		if !slices.Contains(settable, cond) {
			return nil, &InputError{Field: "conditions", Problem: fmt.Sprintf("%q is unknown", cond), Want: "any of " + strings.Join(settable, ", ")}
		}
		b.on[cond] = true
	}
	b.on[d.Pulp] = true
	b.on["microscope"] = in.Microscope && !c.off["microscope"]
	b.on["not-opened"] = !b.on[Opened]
	b.on["inflamed"], b.on["not-inflamed"] = d.Inflamed, !d.Inflamed
	// For a tooth not yet identified the longer wait is planned.
	block := in.Tooth == 0 || in.Tooth.Arch() == tooth.Lower && (in.Tooth.Class() == tooth.Molar || in.Tooth.Class() == tooth.Premolar)
	b.on["block"], b.on["no-block"] = block, !block
	return b, nil
}

func checkBelief(cb visits.CanalBelief) error {
	if len(cb.P) < 2 || len(cb.P) > 7 {
		return &InputError{Field: "canals.p", Problem: fmt.Sprintf("%d entries", len(cb.P)), Want: "2 to 7: entry n is the probability of n canals to treat, entry 0 is 0"}
	}
	sum := 0.0
	for n, p := range cb.P {
		if math.IsNaN(p) || p < 0 || p > 1 || (n == 0 && p != 0) {
			return &InputError{Field: fmt.Sprintf("canals.p[%d]", n), Problem: fmt.Sprintf("%g is no probability here", p), Want: "0 to 1, and 0 for no canal"}
		}
		sum += p
	}
	if math.Abs(sum-1) > 1e-6 {
		return &InputError{Field: "canals.p", Problem: fmt.Sprintf("adds up to %g", sum), Want: "1"}
	}
	if cb.Expected < 1 || cb.Expected >= len(cb.P) {
		return &InputError{Field: "canals.expected", Problem: fmt.Sprintf("%d canals", cb.Expected), Want: fmt.Sprintf("1 to %d", len(cb.P)-1)}
	}
	if len(cb.Names) != len(cb.P)-1 {
		return &InputError{Field: "canals.names", Problem: fmt.Sprintf("%d names", len(cb.Names)), Want: fmt.Sprintf("%d", len(cb.P)-1)}
	}
	return nil
}

func (b *builder) holds(when []string) bool {
	for _, w := range when {
		if !b.on[w] {
			return false
		}
	}
	return true
}

func (b *builder) startRefs() []StepRef {
	var refs []StepRef
	for _, r := range b.protocol.Start {
		once := r.Step == "identify" || r.Step == "onset-block" || r.Step == "onset-infiltration" || r.Step == "microscope"
		if b.in.SharesVisit && once {
			continue
		}
		refs = append(refs, r)
	}
	return refs
}

func (b *builder) stopRefs() []string {
	var ids []string
	for _, r := range b.protocol.Stops {
		if id := r.pick(b.on); id != "" {
			ids = append(ids, id)
		}
	}
	return ids
}

// block compiles steps and events that hold in this case. The slices are
// never nil, so that a plan file shows empty lists and not nulls.
func (b *builder) block(at string, once, canal []StepRef, events []EventRef) visits.Block {
	blk := visits.Block{Once: []visits.Step{}, PerCanal: []visits.CanalStep{}, Events: []visits.Event{}, Overlaps: []string{}}
	for _, r := range append(slices.Clone(once), canal...) {
		step := b.c.steps[r.Step]
		if !b.holds(r.When) || b.c.off[r.Step] {
			continue
		}
		if own := b.c.own[step.Sequence]; step.Sequence != "" && own != nil {
			if !b.placed[step.Sequence] {
				b.placed[step.Sequence] = true
				for _, o := range own {
					blk.PerCanal = append(blk.PerCanal, b.ownStep(at, o))
				}
			}
			continue
		}
		if step.Scope == PerCanal {
			blk.PerCanal = append(blk.PerCanal, b.canalStep(at, step))
			continue
		}
		blk.Once = append(blk.Once, b.onceStep(at, step))
	}
	for _, r := range events {
		if b.holds(r.When) {
			blk.Events = append(blk.Events, b.event(at, b.c.events[r.Event]))
		}
	}
	return blk
}

func (b *builder) stage(s StageRef) visits.Stage {
	at := "stages/" + s.ID
	out := visits.Stage{ID: s.ID, Locates: s.Locates, Fills: s.Fills}
	out.Work = b.block(at+"/work", s.Once, s.Canal, s.Events)
	out.StopAfterCanal = len(s.PartStop) > 0 && b.holds(s.PartStop) && len(out.Work.PerCanal) > 0
	if s.Discovery != "" {
		set := "without"
		if b.on["microscope"] {
			set = "microscope"
		}
		out.Discovery = b.plain(at+"/discovery", "factors.discovery."+set+"."+s.Discovery)
	}
	if s.Contact {
		path := "factors.contact." + b.diagnosis.Pulp
		whole, _ := b.c.Figure(path)
		share, note := 1.0, ""
		if out.StopAfterCanal {
			share, note = float64(b.in.Canals.Expected), "shared between the canals expected, since each canal is a portion of its own"
		}
		out.Work.Contact = whole.Value / share
		b.trace.add(Line{Path: at + "/work/contact", Value: out.Work.Contact, Base: whole, Note: note})
		for _, o := range s.Overlaps {
			if has(out.Work, o) {
				out.Work.Overlaps = append(out.Work.Overlaps, o)
			}
		}
	}
	if s.Fills {
		out.Gate = &visits.Gate{
			FirstVisit: b.plain(at+"/gate/first_visit", "diagnoses."+b.diagnosis.ID+".ready_first"),
			AfterDress: b.plain(at+"/gate/after_dress", "diagnoses."+b.diagnosis.ID+".ready_after"),
			Check:      b.law(at+"/gate/check", b.c.steps["ready-check"], ""),
		}
	}
	return out
}

func has(blk visits.Block, step string) bool {
	return slices.ContainsFunc(blk.Once, func(s visits.Step) bool { return s.ID == step }) ||
		slices.ContainsFunc(blk.PerCanal, func(s visits.CanalStep) bool { return s.ID == step })
}

func (b *builder) stop(s StopState) visits.Stop {
	at := "stops/" + s.ID
	return visits.Stop{
		ID:      s.ID,
		Allowed: s.Allowed || (s.Dressed && b.on[PartlyStops]),
		End:     b.block(at+"/end", refs(s.End), nil, nil),
		Resume:  b.block(at+"/resume", refs(s.Resume), nil, nil),
	}
}

func refs(ids []string) []StepRef {
	out := make([]StepRef, len(ids))
	for i, id := range ids {
		out[i] = StepRef{Step: id}
	}
	return out
}

func (b *builder) onceStep(at string, s Step) visits.Step {
	return visits.Step{ID: s.ID, Minutes: b.law(at+"/once/"+s.ID, s, "")}
}

func (b *builder) canalStep(at string, s Step) visits.CanalStep {
	at += "/per_canal/" + s.ID
	out := visits.CanalStep{ID: s.ID, Scaled: s.Scaled}
	for _, name := range b.in.Canals.Names {
		out.Medians = append(out.Medians, b.median(at+"/medians/"+name, s, name))
	}
	out.LogSD = b.plain(at+"/log_sd", "steps."+s.ID+".log_sd")
	return out
}

func (b *builder) ownStep(at string, o OwnStep) visits.CanalStep {
	at += "/per_canal/" + o.ID
	out := visits.CanalStep{ID: o.ID, LogSD: o.LogSD, Scaled: o.Scaled}
	for _, name := range b.in.Canals.Names {
		out.Medians = append(out.Medians, o.Median)
		b.trace.add(local(at+"/medians/"+name, o.Median))
	}
	b.trace.add(local(at+"/log_sd", o.LogSD))
	return out
}

// law is the minutes of a step that is not done per canal.
func (b *builder) law(at string, s Step, canal string) visits.Minutes {
	return visits.Minutes{
		Median: b.median(at+"/median", s, canal),
		LogSD:  b.plain(at+"/log_sd", "steps."+s.ID+".log_sd"),
		Scaled: s.Scaled,
	}
}

// median multiplies the base figure by pace, difficulty, tooth class and canal.
// A fixed step is a timed wait and is not multiplied.
func (b *builder) median(at string, s Step, canal string) float64 {
	base, _ := b.c.Figure("steps." + s.ID + ".median")
	line := Line{Path: at, Base: base}
	value := base.Value
	times := func(path, what string) {
		f, ok := b.c.Figure(path)
		if !ok || f.Value == 1 {
			return
		}
		value *= f.Value
		line.Times = append(line.Times, Applied{What: what, Figure: f})
	}
	if s.Scaled {
		pace := "visit"
		if s.Scope == PerCanal {
			pace = "canal"
		}
		times("factors.pace."+pace, "pace of the "+pace+" steps")
		for _, criterion := range s.Factors {
			level, ok := b.in.Difficulty[criterion]
			if !ok {
				b.trace.unknown(criterion)
				continue
			}
			times("factors.difficulty."+criterion+"."+string(level), criterion+" "+string(level))
		}
		b.pace(&line, &value)
		if s.ByClass {
			times("factors.class."+string(b.in.Tooth.Class()), string(b.in.Tooth.Class()))
		}
		if s.ByCanal && canal != "" {
			times("factors.canal."+b.canalFactor(canal), "canal "+canal)
			if b.on[NarrowMesial] && canal != "main" && strings.HasPrefix(canal, "M") {
				times("factors.narrow.mesial", "narrow mesial canal")
			}
		}
	}
	line.Value = value
	b.trace.add(line)
	return value
}

// canalFactor finds the row of a canal by its name; a name without a row takes
// "other".
func (b *builder) canalFactor(name string) string {
	if _, ok := b.c.Figure("factors.canal." + name); ok {
		return name
	}
	return "other"
}

// plain takes a figure over as it is.
func (b *builder) plain(at, path string) float64 {
	f, _ := b.c.Figure(path)
	b.trace.add(Line{Path: at, Value: f.Value, Base: f})
	return f.Value
}

func (b *builder) event(at string, e Event) visits.Event {
	at += "/events/" + e.ID
	row := string(Minimal)
	switch {
	case e.Criterion == "diagnosis":
		row = b.diagnosis.Dry
	case e.Criterion != "":
		if level, ok := b.in.Difficulty[e.Criterion]; ok {
			row = string(level)
		} else {
			b.trace.unknown(e.Criterion)
		}
	}
	minutes, _ := b.c.Figure("events." + e.ID + ".minutes")
	value := minutes.Value
	line := Line{Path: at + "/minutes/median", Base: minutes}
	if e.Scaled {
		pace, _ := b.c.Figure("factors.pace.visit")
		value *= pace.Value
		line.Times = append(line.Times, Applied{What: "pace of the visit steps", Figure: pace})
	}
	line.Value = value
	b.trace.add(line)
	return visits.Event{
		ID: e.ID, PerCanal: e.Scope == PerCanal, BarsFilling: e.Bars,
		Probability: b.plain(at+"/probability", "events."+e.ID+".probability."+row),
		Minutes:     visits.Minutes{Median: value, LogSD: b.plain(at+"/minutes/log_sd", "events."+e.ID+".log_sd"), Scaled: e.Scaled},
	}
}
