// Package protocol holds the catalogue of kinds of visit and treatment, and
// compiles one case into the visits.Model that is planned.
//
// A protocol is data: ordered steps with a scope (visit, tooth or canal),
// median minutes and spread, the difficulty criteria that stretch them, events
// that may happen, stages cut at stopping points, and what each stop means.
// Only the criteria that the published study ties to time multiply minutes.
//
// Every number stands in the embedded data files with a provenance mark; a
// practice replaces any of them by its path and switches steps off (Overrides).
// Compile is pure: the same input gives the same model and the same trace.
package protocol

import (
	"bytes"
	"embed"
	"encoding/json"
	"fmt"
	"io/fs"
	"path"
	"sort"
	"strings"
	"sync"

	"github.com/visitwright/visitwright/planner/provenance"
)

//go:embed data/*.json data/protocols/*.json
var files embed.FS

// DataVersion names the state of the embedded figures; a kept plan stores it.
const DataVersion = "protocol-data-1"

// Figure is one number of the catalogue with its standing.
type Figure struct {
	Path  string          `json:"path"` // how Overrides names it, "steps.shape.median"
	Value float64         `json:"value"`
	Unit  string          `json:"unit"`
	Mark  provenance.Mark `json:"mark"`
}

// Catalogue is a complete, checked set of figures and protocols. It is not
// changed after it is made: With gives a changed copy.
type Catalogue struct {
	figures    map[string]Figure
	steps      map[string]Step
	events     map[string]Event
	stops      map[string]StopState
	diagnoses  map[string]Diagnosis
	medicament map[string]Medicament
	temporary  map[string]Temporary
	protocols  map[string]Protocol
	terms      terms
	off        map[string]bool
	own        map[string][]OwnStep
}

var shipped = sync.OnceValues(func() (*Catalogue, error) { return load(files) })

// Shipped returns the catalogue as it ships, without a practice's changes. An
// error means that the embedded data are broken, never that an input was.
func Shipped() (*Catalogue, error) { return shipped() }

func load(from fs.FS) (*Catalogue, error) {
	c := &Catalogue{figures: map[string]Figure{}, off: map[string]bool{}, own: map[string][]OwnStep{}}
	var marks map[string]provenance.Mark
	if err := read(from, "data/marks.json", &marks); err != nil {
		return nil, err
	}
	for name, m := range marks {
		if err := m.Validate(); err != nil {
			return nil, fmt.Errorf("data/marks.json %s: %w", name, err)
		}
	}
	for root, file := range map[string]string{
		"steps": "data/steps.json", "events": "data/events.json", "factors": "data/factors.json",
		"diagnoses": "data/diagnoses.json", "materials": "data/materials.json",
	} {
		if err := c.collect(from, root, file, marks); err != nil {
			return nil, err
		}
	}
	var materials struct {
		Medicaments map[string]Medicament `json:"medicaments"`
		Temporaries map[string]Temporary  `json:"temporaries"`
	}
	for file, into := range map[string]any{
		"data/steps.json": &c.steps, "data/events.json": &c.events, "data/stops.json": &c.stops,
		"data/diagnoses.json": &c.diagnoses, "data/materials.json": &materials, "data/terms.json": &c.terms,
	} {
		if err := read(from, file, into); err != nil {
			return nil, err
		}
	}
	c.medicament, c.temporary = materials.Medicaments, materials.Temporaries
	c.nameEntries()

	c.protocols = map[string]Protocol{}
	names, err := fs.Glob(from, "data/protocols/*.json")
	if err != nil {
		return nil, err
	}
	for _, file := range names {
		id := strings.TrimSuffix(path.Base(file), ".json")
		var p Protocol
		if err := read(from, file, &p); err != nil {
			return nil, err
		}
		if err := c.collect(from, "protocols."+id, file, marks); err != nil {
			return nil, err
		}
		p.ID = id
		c.protocols[id] = p
	}
	if err := c.check(); err != nil {
		return nil, err
	}
	return c, nil
}

func read(from fs.FS, file string, into any) error {
	b, err := fs.ReadFile(from, file)
	if err != nil {
		return err
	}
	if err := json.Unmarshal(b, into); err != nil {
		return fmt.Errorf("%s: %w", file, err)
	}
	return nil
}

// collect walks a data file and keeps every figure under its path. A number
// that stands outside a figure has no provenance and is refused.
func (c *Catalogue) collect(from fs.FS, root, file string, marks map[string]provenance.Mark) error {
	b, err := fs.ReadFile(from, file)
	if err != nil {
		return err
	}
	dec := json.NewDecoder(bytes.NewReader(b))
	dec.UseNumber()
	var tree any
	if err := dec.Decode(&tree); err != nil {
		return fmt.Errorf("%s: %w", file, err)
	}
	return c.walk(root, file, tree, marks)
}

func (c *Catalogue) walk(at, file string, node any, marks map[string]provenance.Mark) error {
	switch n := node.(type) {
	case json.Number:
		return fmt.Errorf("%s %s: the number %s has no provenance mark", file, at, n)
	case []any:
		for i, v := range n {
			if err := c.walk(fmt.Sprintf("%s.%d", at, i), file, v, marks); err != nil {
				return err
			}
		}
	case map[string]any:
		if raw, ok := n["v"].(json.Number); ok {
			src, _ := n["src"].(string)
			mark, known := marks[src]
			if !known {
				return fmt.Errorf("%s %s: provenance mark %q is not in data/marks.json", file, at, src)
			}
			v, err := raw.Float64()
			if err != nil {
				return fmt.Errorf("%s %s: %w", file, at, err)
			}
			unit := unitOf(at)
			if err := unit.check(at, v); err != nil {
				return fmt.Errorf("%s: %w", file, err)
			}
			c.figures[at] = Figure{Path: at, Value: v, Unit: unit.name, Mark: mark}
			return nil
		}
		for k, v := range n {
			if err := c.walk(at+"."+k, file, v, marks); err != nil {
				return err
			}
		}
	}
	return nil
}

func (c *Catalogue) nameEntries() {
	for id, s := range c.steps {
		s.ID = id
		c.steps[id] = s
	}
	for id, e := range c.events {
		e.ID = id
		c.events[id] = e
	}
	for id, s := range c.stops {
		s.ID = id
		c.stops[id] = s
	}
	for id, d := range c.diagnoses {
		d.ID = id
		c.diagnoses[id] = d
	}
	for id, m := range c.medicament {
		m.ID = id
		c.medicament[id] = m
	}
	for id, t := range c.temporary {
		t.ID = id
		c.temporary[id] = t
	}
}

// Figure returns the figure at a path, practice changes included.
func (c *Catalogue) Figure(path string) (Figure, bool) {
	f, ok := c.figures[path]
	return f, ok
}

// Figures lists every figure by path, in path order.
func (c *Catalogue) Figures() []Figure {
	all := make([]Figure, 0, len(c.figures))
	for _, f := range c.figures {
		all = append(all, f)
	}
	sort.Slice(all, func(i, j int) bool { return all[i].Path < all[j].Path })
	return all
}

// Protocols lists the kinds of visit and treatment by id.
func (c *Catalogue) Protocols() []Protocol { return sorted(c.protocols) }

// Steps lists the steps by id.
func (c *Catalogue) Steps() []Step { return sorted(c.steps) }

// Events lists the events by id.
func (c *Catalogue) Events() []Event { return sorted(c.events) }

// Stops lists the states in which a visit may end, by id.
func (c *Catalogue) Stops() []StopState { return sorted(c.stops) }

// Diagnoses lists the diagnoses by id.
func (c *Catalogue) Diagnoses() []Diagnosis { return sorted(c.diagnoses) }

// Medicaments lists the dressings by id.
func (c *Catalogue) Medicaments() []Medicament { return sorted(c.medicament) }

// Temporaries lists the temporary restorations by id.
func (c *Catalogue) Temporaries() []Temporary { return sorted(c.temporary) }

func sorted[T any](m map[string]T) []T {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	all := make([]T, len(keys))
	for i, k := range keys {
		all[i] = m[k]
	}
	return all
}

// known joins the ids of a catalogue for an error that says what would be right.
func known[T any](m map[string]T) string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	return strings.Join(keys, ", ")
}

// find looks an id up in an open set.
func find[T any](m map[string]T, set, id string) (T, error) {
	v, ok := m[id]
	if !ok {
		return v, &InputError{Field: set, Problem: fmt.Sprintf("%q is not in the catalogue", id), Want: "one of " + known(m)}
	}
	return v, nil
}

// Protocol returns one kind of visit or treatment.
func (c *Catalogue) Protocol(id string) (Protocol, error) { return find(c.protocols, "protocol", id) }

// Diagnosis returns one diagnosis.
func (c *Catalogue) Diagnosis(id string) (Diagnosis, error) {
	return find(c.diagnoses, "diagnosis", id)
}

// Stop returns one state of the tooth.
func (c *Catalogue) Stop(id string) (StopState, error) { return find(c.stops, "stop", id) }

// Step returns one step; own steps of a practice are not in the catalogue.
func (c *Catalogue) Step(id string) (Step, error) { return find(c.steps, "step", id) }

// Event returns one event.
func (c *Catalogue) Event(id string) (Event, error) { return find(c.events, "event", id) }

// Medicament returns one dressing.
func (c *Catalogue) Medicament(id string) (Medicament, error) {
	return find(c.medicament, "medicament", id)
}

// UsualMedicament returns the usual dressing.
func (c *Catalogue) UsualMedicament() Medicament {
	for _, m := range c.medicament {
		if m.Usual {
			return m
		}
	}
	return Medicament{} // not met: the catalogue was checked
}

// Temporary returns one temporary restoration.
func (c *Catalogue) Temporary(id string) (Temporary, error) {
	return find(c.temporary, "temporary", id)
}

// InputError says which field was wrong, how, and what would be right.
type InputError struct {
	Field   string
	Problem string
	Want    string
}

func (e *InputError) Error() string {
	if e.Want == "" {
		return e.Field + ": " + e.Problem
	}
	return e.Field + ": " + e.Problem + "; want " + e.Want
}
