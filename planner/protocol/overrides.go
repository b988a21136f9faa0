package protocol

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"sort"
	"strings"
	"unicode/utf8"

	"github.com/visitwright/visitwright/planner/provenance"
)

// Overrides are a practice's own figures and habits, laid over the catalogue.
type Overrides struct {
	// Figures replaces figures by path, for example
	// "steps.shape.median": 3.5. Figures lists the paths.
	Figures map[string]float64 `json:"figures,omitempty"`
	// Off are steps that the practice leaves out, for example "microscope".
	// Only steps that may be switched off are accepted.
	Off []string `json:"off,omitempty"`
	// Sequences replaces a named sequence of steps per canal ("irrigation") by
	// the practice's own.
	Sequences map[string][]OwnStep `json:"sequences,omitempty"`
}

// OwnStep is a step of the practice's own sequence, done on every canal.
type OwnStep struct {
	ID     string  `json:"id"`     // lower case letters, digits and hyphens
	Name   string  `json:"name"`   // as the visit sheet shows it
	Median float64 `json:"median"` // minutes a canal, 0 to 60
	LogSD  float64 `json:"log_sd"` // 0 to 1.5
	Scaled bool    `json:"scaled"` // stretched by the case; false: a timed rinse
}

// bounds of a figure by its unit. They keep slips of the pen out; they are no
// clinical limits.
type unit struct {
	name        string
	least, most float64
}

var (
	minutesUnit     = unit{"minutes", 0, 240}
	logSDUnit       = unit{"log-sd", 0, 1.5}
	probabilityUnit = unit{"probability", 0, 1}
	factorUnit      = unit{"factor", 0.2, 5}
	daysUnit        = unit{"days", 0, 730}
	millimetreUnit  = unit{"mm", 0, 10}
	countUnit       = unit{"visits", 1, 8}
)

// unitOf reads a figure's unit from its path: the data files are laid out so
// that one group holds one unit.
func unitOf(path string) unit {
	parts := strings.Split(path, ".")
	last := parts[len(parts)-1]
	switch {
	case strings.HasSuffix(last, "log_sd"):
		return logSDUnit
	case parts[0] == "events" && len(parts) > 2 && parts[2] == "probability", strings.HasPrefix(path, "factors.discovery."), strings.HasPrefix(last, "ready_"):
		return probabilityUnit
	case strings.HasPrefix(path, "factors.contact."), last == "median", last == "minutes":
		return minutesUnit
	case parts[0] == "factors":
		return factorUnit
	case last == "least_mm":
		return millimetreUnit
	case parts[0] == "materials":
		return daysUnit
	case parts[0] == "protocols":
		return countUnit
	}
	return factorUnit
}

func (u unit) check(path string, v float64) error {
	if math.IsNaN(v) || v < u.least || v > u.most {
		return &InputError{Field: path, Problem: fmt.Sprintf("%g is outside what %s can be", v, u.name),
			Want: fmt.Sprintf("%g to %g %s", u.least, u.most, u.name)}
	}
	return nil
}

// OffSteps lists the steps that a practice may leave out.
func (c *Catalogue) OffSteps() []string {
	var ids []string
	for id, s := range c.steps {
		if s.MaySwitchOff {
			ids = append(ids, id)
		}
	}
	sort.Strings(ids)
	return ids
}

// With lays a practice's changes over the catalogue and returns the changed
// copy. Errors are *InputError and name the path and what would be right; the
// catalogue itself is never changed.
func (c *Catalogue) With(o Overrides) (*Catalogue, error) {
	changed := *c
	changed.figures = maps.Clone(c.figures)
	changed.off = maps.Clone(c.off)
	changed.own = maps.Clone(c.own)
	for _, path := range slices.Sorted(maps.Keys(o.Figures)) {
		f, ok := changed.figures[path]
		if !ok {
			return nil, &InputError{Field: "overrides.figures." + path, Problem: "there is no figure with this path", Want: "a path from the list of figures, for example steps.shape.median"}
		}
		if err := unitOf(path).check("overrides.figures."+path, o.Figures[path]); err != nil {
			return nil, err
		}
		f.Value = o.Figures[path]
		f.Mark = provenance.Mark{Kind: provenance.Local, Source: "set by this practice in place of the figure that ships"}
		changed.figures[path] = f
	}
	for _, id := range o.Off {
		if !c.steps[id].MaySwitchOff {
			return nil, &InputError{Field: "overrides.off", Problem: fmt.Sprintf("step %q cannot be left out", id), Want: "one of " + strings.Join(c.OffSteps(), ", ")}
		}
		changed.off[id] = true
	}
	for _, seq := range slices.Sorted(maps.Keys(o.Sequences)) {
		if err := changed.ownSequence(seq, o.Sequences[seq]); err != nil {
			return nil, err
		}
	}
	if err := changed.checkOrder(); err != nil {
		return nil, err
	}
	return &changed, nil
}

func (c *Catalogue) ownSequence(seq string, own []OwnStep) error {
	field := "overrides.sequences." + seq
	exists := false
	for _, s := range c.steps {
		exists = exists || s.Sequence == seq && seq != ""
	}
	if !exists {
		return &InputError{Field: field, Problem: "there is no such sequence", Want: "irrigation"}
	}
	if len(own) == 0 || len(own) > 12 {
		return &InputError{Field: field, Problem: fmt.Sprintf("%d steps", len(own)), Want: "1 to 12 steps; to leave a step out, name it in off"}
	}
	seen := map[string]bool{}
	for i, s := range own {
		at := fmt.Sprintf("%s[%d]", field, i)
		if _, clash := c.steps[s.ID]; clash || seen[s.ID] || !validID(s.ID) {
			return &InputError{Field: at + ".id", Problem: fmt.Sprintf("%q cannot be used", s.ID), Want: "lower case letters, digits and hyphens, not the id of another step"}
		}
		seen[s.ID] = true
		if strings.TrimSpace(s.Name) == "" || utf8.RuneCountInString(s.Name) > 80 {
			return &InputError{Field: at + ".name", Problem: "empty or too long", Want: "1 to 80 characters"}
		}
		if err := (unit{"minutes", 0, 60}).check(at+".median", s.Median); err != nil {
			return err
		}
		if err := logSDUnit.check(at+".log_sd", s.LogSD); err != nil {
			return err
		}
	}
	c.own[seq] = slices.Clone(own)
	return nil
}

func validID(id string) bool {
	if id == "" || len(id) > 40 {
		return false
	}
	for _, r := range id {
		if (r < 'a' || r > 'z') && (r < '0' || r > '9') && r != '-' {
			return false
		}
	}
	return true
}

// checkOrder refuses days whose least passes their target or most, and factors
// that would make a harder tooth quicker.
func (c *Catalogue) checkOrder() error {
	for _, path := range slices.Sorted(maps.Keys(c.figures)) {
		for _, pair := range [][2]string{{".least", ".target"}, {".target", ".most"}, {".minimal", ".moderate"}, {".moderate", ".high"}} {
			base, ok := strings.CutSuffix(path, pair[0])
			if !ok {
				continue
			}
			upper, ok := c.figures[base+pair[1]]
			if ok && c.figures[path].Value > upper.Value {
				return &InputError{Field: path, Problem: fmt.Sprintf("%g is above %g of %s", c.figures[path].Value, upper.Value, upper.Path), Want: "figures that do not fall from least to most, or from minimal to high"}
			}
		}
	}
	return nil
}
