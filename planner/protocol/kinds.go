package protocol

import (
	"encoding/json"
	"fmt"
	"slices"
)

// Scope says how often a step is done.
type Scope string

// A step is done once in a visit, once on the tooth, or on every canal.
const (
	PerVisit Scope = "visit"
	PerTooth Scope = "tooth"
	PerCanal Scope = "canal"
)

// Step is a piece of work. Its minutes stand in the figures
// "steps.<id>.median" and "steps.<id>.log_sd".
type Step struct {
	ID           string   `json:"id"`
	Name         string   `json:"name"`
	Scope        Scope    `json:"scope"`
	Scaled       bool     `json:"scaled"`         // stretched by pace, difficulty and the case; false: a timed wait
	Factors      []string `json:"factors"`        // difficulty criteria that stretch it
	ByClass      bool     `json:"by_class"`       // differs between incisor, canine, premolar and molar
	ByCanal      bool     `json:"by_canal"`       // differs between canals: a second mesiobuccal is not a palatal
	MaySwitchOff bool     `json:"may_switch_off"` // a practice may leave it out
	Sequence     string   `json:"sequence"`       // "irrigation": may be replaced by the practice's own sequence
	EntersCanal  bool     `json:"enters_canal"`   // done on the tooth as a whole, yet a file goes into a canal
}

// Event is something that may happen and cost time.
type Event struct {
	ID        string `json:"id"`
	Name      string `json:"name"`
	Scope     Scope  `json:"scope"`
	Criterion string `json:"criterion"` // difficulty criterion that sets its chance; "diagnosis": the diagnosis does; "": constant
	Scaled    bool   `json:"scaled"`
	Bars      bool   `json:"bars_filling"` // the tooth may not be filled in this visit
}

// StopState is a state of the tooth in which a visit may end.
type StopState struct {
	ID      string `json:"id"`
	Name    string `json:"name"`
	Partly  string `json:"partly"`       // the state it becomes once some, not all, canals are finished
	Allowed bool   `json:"allowed"`      // may be chosen; otherwise only forced
	Dressed bool   `json:"dressed"`      // a dressing and a seal are in place: a clock runs
	Use     string `json:"dressing_use"` // which row of a medicament's days counts
	// CleaningUnfinished: the next visit goes on cleaning and does not fill, so
	// the dressing's minimum, which serves filling, does not hold it back.
	CleaningUnfinished bool     `json:"cleaning_unfinished"`
	End                []string `json:"end"`    // steps that close a visit here
	Resume             []string `json:"resume"` // steps that open a later visit from here
	Rule               string   `json:"rule"`   // what the state means, in a sentence
}

// Pulp states that decide which stops and dressings apply.
const (
	Vital    = "vital"
	Infected = "infected"
)

// Diagnosis is a pulpal and apical finding.
type Diagnosis struct {
	ID       string `json:"id"`
	Name     string `json:"name"`
	Pulp     string `json:"pulp"` // Vital or Infected
	Inflamed bool   `json:"inflamed"`
	Lesion   bool   `json:"lesion"`
	Filled   bool   `json:"previously_filled"`
	Dry      string `json:"dry"` // the row of the chance that a canal will not dry
}

// Medicament is a dressing. Its days stand in
// "materials.medicaments.<id>.uses.<use>.least|target|most".
type Medicament struct {
	ID     string   `json:"id"`
	Name   string   `json:"name"`
	Alerts []string `json:"alerts"` // patient alerts that rule it out
	// Usual: the one that a practice may place its own for, and that is placed for one
	// that an alert rules out. There is one such, and no alert rules it out.
	Usual bool                       `json:"usual"`
	Uses  map[string]json.RawMessage `json:"uses"`
}

// Temporary is a temporary restoration. Thickness and days stand in
// "materials.temporaries.<id>.least_mm|most_days|limit_days".
type Temporary struct {
	ID   string `json:"id"`
	Name string `json:"name"`
}

// Protocol is one kind of visit or treatment.
type Protocol struct {
	ID        string            `json:"id"`
	Name      string            `json:"name"`
	Kind      string            `json:"kind"`      // "treatment": may run over visits; "visit": one visit
	Diagnoses []string          `json:"diagnoses"` // for which it is meant; "*" for all
	Start     []StepRef         `json:"start"`
	Stages    []StageRef        `json:"stages"`
	Stops     []StopRef         `json:"stops"` // one more than the stages
	Dressing  map[string]string `json:"dressing"`
	// AnyTooth: may be planned before the tooth is identified.
	AnyTooth bool      `json:"any_tooth"`
	SetOut   []SetLine `json:"set_out"`
	Cautions []string  `json:"cautions"`
}

// SetLine is one line of what is set out, and the steps it is for; without
// steps it is set out for every visit.
type SetLine struct {
	What string   `json:"what"`
	For  []string `json:"for"`
}

// UnmarshalJSON reads a bare line, or an object with steps.
func (l *SetLine) UnmarshalJSON(b []byte) error {
	if len(b) > 0 && b[0] == '"' {
		return json.Unmarshal(b, &l.What)
	}
	type plain SetLine
	return json.Unmarshal(b, (*plain)(l))
}

// Suits reports whether the protocol is meant for a diagnosis.
func (p Protocol) Suits(diagnosis string) bool {
	return slices.Contains(p.Diagnoses, "*") || slices.Contains(p.Diagnoses, diagnosis)
}

// StageRef is a stage as a protocol lists it.
type StageRef struct {
	ID        string     `json:"id"`
	Name      string     `json:"name"`
	When      string     `json:"when"` // condition under which the stage exists
	Locates   bool       `json:"locates"`
	Fills     bool       `json:"fills"`
	Discovery string     `json:"discovery"` // the search figure that counts; "" for no search
	PartStop  []string   `json:"stop_after_canal"`
	Contact   bool       `json:"contact"`
	Once      []StepRef  `json:"once"`
	Canal     []StepRef  `json:"canal"`
	Overlaps  []string   `json:"overlaps"`
	Events    []EventRef `json:"events"`
}

// Order is the order in which the steps of a stage are done: what is done once
// comes first, unless it is said to follow a step on the canals.
func (s StageRef) Order() []string {
	var order []string
	for _, r := range append(slices.Clone(s.Once), s.Canal...) {
		if r.After == "" {
			order = append(order, r.Step)
		}
	}
	for _, r := range s.Once {
		if at := slices.Index(order, r.After); r.After != "" && at >= 0 {
			order = slices.Insert(order, at+1, r.Step)
		}
	}
	return order
}

// StepRef names a step and the conditions under which it is done.
type StepRef struct {
	Step  string   `json:"step"`
	When  []string `json:"when"`
	After string   `json:"after"` // the step on the canals that it follows; it changes no minutes
}

// UnmarshalJSON reads a bare id, or an object with conditions.
func (r *StepRef) UnmarshalJSON(b []byte) error {
	if len(b) > 0 && b[0] == '"' {
		return json.Unmarshal(b, &r.Step)
	}
	type plain StepRef
	return json.Unmarshal(b, (*plain)(r))
}

// EventRef names an event and the conditions under which it can happen.
type EventRef struct {
	Event string   `json:"event"`
	When  []string `json:"when"`
}

// UnmarshalJSON reads a bare id, or an object with conditions.
func (r *EventRef) UnmarshalJSON(b []byte) error {
	if len(b) > 0 && b[0] == '"' {
		return json.Unmarshal(b, &r.Event)
	}
	type plain EventRef
	return json.Unmarshal(b, (*plain)(r))
}

// StopRef names the stop at a place, which may depend on the pulp, or on
// whether the core is part of the treatment.
type StopRef struct {
	ID       string `json:"id"`
	When     string `json:"when"`
	Vital    string `json:"vital"`
	Infected string `json:"infected"`
	Core     string `json:"core"`
	Plain    string `json:"plain"`
}

// UnmarshalJSON reads a bare id, or an object of choices.
func (r *StopRef) UnmarshalJSON(b []byte) error {
	if len(b) > 0 && b[0] == '"' {
		return json.Unmarshal(b, &r.ID)
	}
	type plain StopRef
	return json.Unmarshal(b, (*plain)(r))
}

// pick chooses the stop for this case; "" when the place does not exist in it.
func (r StopRef) pick(conditions map[string]bool) string {
	switch {
	case r.When != "" && !conditions[r.When]:
		return ""
	case r.Core != "":
		if conditions[WithCore] {
			return r.Core
		}
		return r.Plain
	case r.Vital != "":
		if conditions[Vital] {
			return r.Vital
		}
		return r.Infected
	}
	return r.ID
}

func (r StopRef) ids() []string {
	var all []string
	for _, id := range []string{r.ID, r.Vital, r.Infected, r.Core, r.Plain} {
		if id != "" {
			all = append(all, id)
		}
	}
	return all
}

// Conditions of a case that a caller may set.
const (
	Caries      = "caries"  // caries or a failing filling has to go first
	Crowned     = "crowned" // access is through a crown that stays
	Post        = "post"
	Splinted    = "splint"
	WithCore    = "core"         // the core is part of this treatment
	Opened      = "opened"       // opened before, here or elsewhere, and dressed
	PartlyStops = "partly"       // the visit may end between two canals
	LengthImage = "length-image" // a working-length radiograph beside the apex locator
	// NarrowMesial: the mesial canals are narrow although the tooth as a whole
	// looks easy; the distal and palatal canals are not slowed.
	NarrowMesial = "narrow-mesial-canals"
)

// settable are the conditions a caller may set; the others follow from tooth,
// diagnosis and equipment.
var settable = []string{Caries, Crowned, Post, Splinted, WithCore, Opened, PartlyStops, LengthImage, NarrowMesial}

// derived are the conditions that Compile sets itself.
var derived = []string{Vital, Infected, "block", "no-block", "inflamed", "not-inflamed", "microscope", "not-opened"}

// check proves that every reference in the catalogue leads somewhere.
func (c *Catalogue) check() error {
	for _, id := range []string{"microscope", "anaesthetise", "identify"} {
		if _, ok := c.steps[id]; !ok {
			return fmt.Errorf("data/steps.json: step %q is missing", id)
		}
	}
	for id, s := range c.steps {
		for _, f := range s.Factors {
			if _, ok := c.figures["factors.difficulty."+f+".high"]; !ok {
				return fmt.Errorf("data/steps.json %s: difficulty criterion %q has no factors", id, f)
			}
		}
		for _, field := range []string{"median", "log_sd"} {
			if _, ok := c.figures["steps."+id+"."+field]; !ok {
				return fmt.Errorf("data/steps.json %s: %s is missing", id, field)
			}
		}
		if s.Scope != PerVisit && s.Scope != PerTooth && s.Scope != PerCanal {
			return fmt.Errorf("data/steps.json %s: scope %q", id, s.Scope)
		}
	}
	for id, s := range c.stops {
		for _, step := range append(slices.Clone(s.End), s.Resume...) {
			if _, ok := c.steps[step]; !ok {
				return fmt.Errorf("data/stops.json %s: step %q is not in data/steps.json", id, step)
			}
		}
		if _, ok := c.stops[s.Partly]; s.Partly != "" && !ok {
			return fmt.Errorf("data/stops.json %s: stop %q does not exist", id, s.Partly)
		}
	}
	usual := 0
	for id, m := range c.medicament {
		if m.Usual {
			usual++
		}
		if m.Usual && len(m.Alerts) > 0 {
			return fmt.Errorf("data/materials.json %s: the usual dressing is ruled out by %s", id, m.Alerts[0])
		}
	}
	if usual != 1 {
		return fmt.Errorf("data/materials.json: %d usual dressings, want one", usual)
	}
	for pulpal := range c.terms.Pulpal {
		if _, ok := c.terms.Combined[pulpal]["*"]; !ok {
			return fmt.Errorf("data/terms.json: %q has no row for other apical findings", pulpal)
		}
		for _, id := range c.terms.Combined[pulpal] {
			if _, ok := c.diagnoses[id]; !ok {
				return fmt.Errorf("data/terms.json: diagnosis %q is not in data/diagnoses.json", id)
			}
		}
	}
	for id, p := range c.protocols {
		if err := c.checkProtocol(p); err != nil {
			return fmt.Errorf("data/protocols/%s.json: %w", id, err)
		}
	}
	return nil
}

func (c *Catalogue) checkProtocol(p Protocol) error {
	if len(p.Stages) == 0 || len(p.Stops) != len(p.Stages)+1 {
		return fmt.Errorf("%d stages need %d stops, not %d", len(p.Stages), len(p.Stages)+1, len(p.Stops))
	}
	refs := slices.Clone(p.Start)
	for _, s := range p.Stages {
		refs = append(append(refs, s.Once...), s.Canal...)
		for _, o := range s.Overlaps {
			refs = append(refs, StepRef{Step: o})
		}
		for _, e := range s.Events {
			if _, ok := c.events[e.Event]; !ok {
				return fmt.Errorf("stage %s: event %q is not in data/events.json", s.ID, e.Event)
			}
			if err := checkConditions(e.When); err != nil {
				return err
			}
		}
		for _, r := range s.Once {
			if c.steps[r.Step].Scope == PerCanal {
				return fmt.Errorf("stage %s: step %q is done per canal", s.ID, r.Step)
			}
			if r.After != "" && !slices.ContainsFunc(s.Canal, func(x StepRef) bool { return x.Step == r.After }) {
				return fmt.Errorf("stage %s: step %q follows %q, which is not done on its canals", s.ID, r.Step, r.After)
			}
		}
		for _, r := range s.Canal {
			if c.steps[r.Step].Scope != PerCanal {
				return fmt.Errorf("stage %s: step %q is not done per canal", s.ID, r.Step)
			}
		}
	}
	for _, l := range p.SetOut {
		for _, step := range l.For {
			refs = append(refs, StepRef{Step: step})
		}
	}
	for _, r := range refs {
		if _, ok := c.steps[r.Step]; !ok {
			return fmt.Errorf("step %q is not in data/steps.json", r.Step)
		}
		if err := checkConditions(r.When); err != nil {
			return err
		}
	}
	for _, s := range p.Stops {
		for _, id := range s.ids() {
			if _, ok := c.stops[id]; !ok {
				return fmt.Errorf("stop %q is not in data/stops.json", id)
			}
		}
	}
	for _, pulp := range []string{Vital, Infected} {
		if _, ok := c.medicament[p.Dressing[pulp]]; !ok {
			return fmt.Errorf("dressing %q for %s is not in data/materials.json", p.Dressing[pulp], pulp)
		}
	}
	for _, d := range p.Diagnoses {
		if _, ok := c.diagnoses[d]; d != "*" && !ok {
			return fmt.Errorf("diagnosis %q is not in data/diagnoses.json", d)
		}
	}
	return nil
}

func checkConditions(when []string) error {
	for _, w := range when {
		if !slices.Contains(settable, w) && !slices.Contains(derived, w) {
			return fmt.Errorf("condition %q is unknown", w)
		}
	}
	return nil
}
