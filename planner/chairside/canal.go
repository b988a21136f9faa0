package chairside

import (
	"fmt"

	"github.com/visitwright/visitwright/planner/anatomy"
	"github.com/visitwright/visitwright/planner/tooth"
)

// CanalState is how far one canal is.
type CanalState string

const (
	Expected   CanalState = "expected"
	Located    CanalState = "located"
	Negotiated CanalState = "negotiated"
	Shaped     CanalState = "shaped"
	Dressed    CanalState = "dressed"
	Filled     CanalState = "filled"
	GivenUp    CanalState = "given up"
)

// BelowZero is how much shorter than the apex locator's zero the working
// length is preset, in mm: common practice, changed by the clinician.
const BelowZero = 0.5

// Note is what was found about one canal. Nil fields say nothing new.
type Note struct {
	State     CanalState `json:"state,omitempty"`
	Patent    *bool      `json:"patent,omitempty"`
	ZeroMM    *float64   `json:"zero_mm,omitempty"`   // apex locator zero
	LengthMM  *float64   `json:"length_mm,omitempty"` // working length; preset from ZeroMM
	Reference string     `json:"reference,omitempty"` // reference point, for example "MB cusp"
	FileSize  *int       `json:"file_size,omitempty"` // last file, ISO size 6 to 140
	Taper     *float64   `json:"taper,omitempty"`     // mm per mm, 0.02 to 0.12
	// Decided: a canal short of its length is accepted as it is, with the reason.
	Decided string `json:"decided,omitempty"`
}

// Canal is the record of one canal.
type Canal struct {
	Name      string
	State     CanalState
	Patent    *bool
	ZeroMM    float64 // 0 while not measured
	LengthMM  float64
	Reference string
	FileSize  int
	Taper     float64
	// Joins is the canal it joins, at Third of the root.
	Joins string
	Third Third
	// Open is what the clinician has to decide before filling; Decided says what
	// was decided.
	Open    string
	Decided string
}

// inHand canals are treated on their own.
func (c Canal) inHand() bool { return c.State != Expected && c.State != GivenUp }

// apply takes a note over and returns warnings that a clinician would want:
// lengths are questioned, not refused, unless no tooth has them.
func (c *Canal) apply(n Note, t tooth.Code, others map[string]float64) ([]string, error) {
	if c.State == GivenUp && (n.State == Filled || n.State == Shaped || n.State == Dressed) {
		return nil, &InputError{"note.state", fmt.Sprintf("%s was given up and cannot be %s", c.Name, n.State), "the canal taken in hand again first (state located)"}
	}
	switch n.State {
	case "", Expected, Located, Negotiated, Shaped, Dressed, Filled, GivenUp:
	default:
		return nil, &InputError{"note.state", fmt.Sprintf("%q is no state of a canal", n.State), "expected, located, negotiated, shaped, dressed, filled or given up"}
	}
	var warnings []string
	for _, m := range []struct {
		field string
		mm    *float64
		to    *float64
	}{{"note.zero_mm", n.ZeroMM, &c.ZeroMM}, {"note.length_mm", n.LengthMM, &c.LengthMM}} {
		if m.mm == nil {
			continue
		}
		w, err := judgeLength(m.field, *m.mm, t)
		if err != nil {
			return nil, err
		}
		warnings = append(warnings, w...)
		*m.to = *m.mm
	}
	if n.ZeroMM != nil && n.LengthMM == nil && c.LengthMM == 0 {
		c.LengthMM = *n.ZeroMM - BelowZero
	}
	if c.ZeroMM > 0 && c.LengthMM > c.ZeroMM {
		warnings = append(warnings, fmt.Sprintf("%s: the working length of %.1f mm is beyond the apex locator's zero of %.1f mm", c.Name, c.LengthMM, c.ZeroMM))
	}
	if n.FileSize != nil {
		if *n.FileSize < 6 || *n.FileSize > 140 {
			return nil, &InputError{"note.file_size", fmt.Sprintf("%d is no file size", *n.FileSize), "6 to 140 (hundredths of a mm at the tip)"}
		}
		c.FileSize = *n.FileSize
	}
	if n.Taper != nil {
		if *n.Taper < 0.02 || *n.Taper > 0.12 {
			return nil, &InputError{"note.taper", fmt.Sprintf("%g is no taper", *n.Taper), "0.02 to 0.12"}
		}
		c.Taper = *n.Taper
	}
	if n.Patent != nil {
		c.Patent = n.Patent
	}
	if n.Reference != "" {
		c.Reference = n.Reference
	}
	if n.Decided != "" {
		c.Decided, c.Open = n.Decided, ""
	}
	if n.State != "" {
		c.State = n.State
		if n.State == GivenUp {
			c.Open = ""
		}
	}
	if c.LengthMM > 0 {
		others[c.Name] = c.LengthMM
	}
	return warnings, nil
}

func judgeLength(field string, mm float64, t tooth.Code) ([]string, error) {
	// Longer than any human tooth, or shorter than any root that has a canal.
	if !(mm >= 5 && mm <= 40) {
		return nil, &InputError{field, fmt.Sprintf("%g mm is the length of no tooth", mm), "5 to 40 mm"}
	}
	if t == 0 {
		return nil, nil
	}
	l, err := anatomy.WorkingLength(t.Kind())
	if err != nil {
		return nil, err
	}
	if verdict, line := l.Judge(mm); verdict != anatomy.Plausible {
		return []string{line.Text}, nil
	}
	return nil, nil
}
