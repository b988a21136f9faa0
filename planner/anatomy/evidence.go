package anatomy

import (
	"errors"
	"fmt"

	"github.com/visitwright/visitwright/planner/tooth"
)

// Evidence is one thing that was seen. A sign that was not looked for is left
// out.
type Evidence struct {
	Sign Sign `json:"sign"`
	// Absent: a present-or-absent sign was looked for and is not there.
	Absent bool `json:"absent,omitempty"`
	// Count of a sign with a count: canals seen, filled or located, 1 to what the
	// tables know for the tooth (located: one more). For a search
	// it is the number of canals located when the search ended. For a further
	// orifice it is the number of orifices in all; 0 means one more than were
	// located, or than are routine.
	Count int `json:"count,omitempty"`
}

// What Believe refuses; test with errors.Is.
var (
	// ErrImpossible: a count that the tooth cannot have.
	ErrImpossible = errors.New("impossible canal count")
	// ErrContradiction: two pieces of evidence that cannot both hold.
	ErrContradiction = errors.New("contradictory evidence")
	// ErrEvidence: evidence that cannot be read.
	ErrEvidence = errors.New("unreadable evidence")
)

// Contradiction names two pieces of evidence that cannot both hold.
type Contradiction struct {
	First, Second string // in words
	Advice        string
	// At is where they stand in the question's evidence, in the order of the
	// words above; shorter where one of them is no piece of evidence.
	At []int
}

// Error names both and says what to do.
func (c *Contradiction) Error() string {
	return fmt.Sprintf("%s, but %s: %s", c.First, c.Second, c.Advice)
}

// Is makes errors.Is(err, ErrContradiction) hold.
func (c *Contradiction) Is(target error) bool { return target == ErrContradiction }

func impossible(kind tooth.Kind, shape Shape, what string, n, most int) error {
	of := article(kind.Words())
	if shape == CShaped || shape == DistolingualRoot {
		of += " with a " + shape.Words()
	}
	return fmt.Errorf("%w: %s %d; want 1 to %d canals to treat in %s", ErrImpossible, what, n, most, of)
}

// fill gives a further orifice without a count its count and refuses what
// cannot be read for this tooth.
func (q Question) fill(e Evidence, f frame, located int) (Evidence, error) {
	row, ok := signFor(e.Sign, q.Kind)
	if !ok {
		return e, fmt.Errorf("%w: sign %s is not known; want one of %v", ErrEvidence, quoted(string(e.Sign)), Signs())
	}
	switch row.form {
	case formYesNo:
		if e.Count != 0 {
			return e, fmt.Errorf("%w: %s has the count %d; want only present or absent", ErrEvidence, e.Sign, e.Count)
		}
		return e, nil
	case formAtLeast:
		if e.Absent {
			return e, fmt.Errorf("%w: an absent %s; want a search sign with the number of canals located when it ended", ErrEvidence, e.Sign)
		}
		if e.Count == 0 {
			e.Count = min(max(f.routine, located)+1, f.most)
		}
	}
	if e.Absent {
		return e, fmt.Errorf("%w: %s is absent and has a count; want a count alone", ErrEvidence, e.Sign)
	}
	most := f.most
	if row.form == formLocated && most < Most {
		most++ // what a file has found stands, even if no table has it; see beyondTables
	}
	if e.Count < 1 || e.Count > most {
		return e, impossible(q.Kind, q.Shape, string(e.Sign), e.Count, f.most)
	}
	return e, nil
}

// contradiction looks for two pieces of evidence that cannot both hold. Located
// canals overrule images: a file in a canal settles what an image only
// suggests, so a lower count on CBCT is then set aside instead. at says where
// each piece stands in the question.
func (q Question) contradiction(evidence []Evidence, at map[Evidence]int, located int) error {
	for i, a := range evidence {
		for _, b := range evidence[i+1:] {
			advice := twice(a, b, signForm(a.Sign, q.Kind))
			if advice == "" {
				advice = clash(a, b, located)
			}
			if advice == "" {
				advice = clash(b, a, located)
			}
			if advice != "" {
				return &Contradiction{phrase(a), phrase(b), advice, []int{at[a], at[b]}}
			}
		}
	}
	return nil
}

// twice looks at one sign that was given twice and says what to do; "" when the
// two are of different signs.
func twice(a, b Evidence, f form) string {
	if a.Sign != b.Sign || a == b {
		return ""
	}
	switch {
	case f == formYesNo:
		return "the same sign cannot be both, leave one out"
	case isSearch(a.Sign):
		return "one search has one end, keep the later one"
	case f == formAgree, f == formAtLeast, f == formLocated:
		return "the two numbers cannot both hold, leave one out"
	}
	return "the two numbers cannot both hold, keep the better reading"
}

// clash looks at one ordered pair of different signs and says what to do; ""
// when both can hold.
func clash(a, b Evidence, located int) string {
	switch {
	case a.Sign == CBCTCount && b.Sign == FurtherOrifice && a.Count < b.Count && located < b.Count,
		isSearch(a.Sign) && b.Sign == FurtherOrifice && b.Count > a.Count && located < b.Count:
		return "probe the orifice; if a file goes in, record the canal as located, if not, leave the orifice out"
	case a.Sign == CBCTCount && b.Sign == FilledCount && a.Count < b.Count && located < b.Count:
		return "a filled canal is a canal, so one of the two was misread: look again"
	}
	return ""
}

func isSearch(s Sign) bool {
	return s == SearchEye || s == SearchLoupes || s == SearchMicroscope || s == SearchTrough
}

func signForm(s Sign, kind tooth.Kind) form {
	row, _ := signFor(s, kind)
	return row.form
}

// phrase says a piece of evidence in words.
func phrase(e Evidence) string {
	counted := canalsText(e.Count)
	switch e.Sign {
	case FilmCount:
		return counted + " on a straight film"
	case AngledFilmCount:
		return counted + " on a shifted film"
	case CBCTCount:
		return counted + " counted on CBCT"
	case FastBreak:
		if !e.Absent {
			return "a canal disappears mid-root"
		}
		return "the canal can be followed to its end"
	case Bifurcation:
		if !e.Absent {
			return "a division of the canal is seen"
		}
		return "no division of the canal is seen"
	case OffCentreOrifice:
		if !e.Absent {
			return "an orifice lies off-centre"
		}
		return "the orifices lie in the centre"
	case FurtherOrifice:
		return fmt.Sprintf("a further orifice is seen (%d in all)", e.Count)
	case ContralateralCount:
		return counted + " in the same tooth on the other side"
	case FilledCount:
		return counted + " filled by an earlier treatment"
	case CanalsLocated:
		return counted + " located with a file"
	case SearchEye:
		return "a search with mirror and probe ended with " + counted + " located"
	case SearchLoupes:
		return "a search under loupes ended with " + counted + " located"
	case SearchMicroscope:
		return "a search under the microscope ended with " + counted + " located"
	case SearchTrough:
		return "a search under the microscope with the dentine ledge cut back ended with " + counted + " located"
	}
	return string(e.Sign)
}

// quoted keeps a mistyped sentence out of an error.
func quoted(s string) string {
	const most = 32
	if len(s) > most {
		s = s[:most] + "..."
	}
	return fmt.Sprintf("%q", s)
}
