// Package difficulty says how hard a tooth is by the published three-level
// case-difficulty form: minimal, moderate or high, reasons first, with what
// nobody has answered yet and what it could change.
//
// The editions are kept apart, as data files with a provenance for every
// answer. The questions are in our own words and in the order in which a visit
// asks: history, patient, tests, mouth, radiograph, tooth, earlier treatment.
package difficulty

import (
	"bytes"
	"embed"
	"encoding/json"
	"fmt"
	"strings"
	"sync"

	"github.com/visitwright/visitwright/planner/provenance"
)

// Edition of the form; its id is used in settings and messages.
type Edition string

const (
	// Edition2005 is the form of 2005, reprinted 2010.
	Edition2005 Edition = "2005-2010"
	// Edition2022 changed the physical status row, added vital structures and
	// printed a rule for how many moderate criteria make a high case.
	Edition2022 Edition = "2022"
)

// Editions lists the editions, oldest first.
func Editions() []Edition { return []Edition{Edition2005, Edition2022} }

// Level of difficulty. The 2022 edition calls minimal "low"; one word is used.
type Level string

// The three levels, and the absence of one.
const (
	NotAssessed Level = ""
	Minimal     Level = "minimal"
	Moderate    Level = "moderate"
	High        Level = "high"
)

// rank orders levels; 0 for not assessed, -1 for what is no level.
func (l Level) rank() int {
	switch l {
	case NotAssessed:
		return 0
	case Minimal:
		return 1
	case Moderate:
		return 2
	case High:
		return 3
	}
	return -1
}

// Over reports whether l is a higher level than other.
func (l Level) Over(other Level) bool { return l.rank() > other.rank() }

func higher(a, b Level) Level {
	if b.Over(a) {
		return b
	}
	return a
}

// Group is the part of a visit in which a criterion is asked.
type Group string

// The groups, in the order of a visit.
const (
	History          Group = "history"
	Patient          Group = "patient"
	Tests            Group = "tests"
	Mouth            Group = "mouth"
	Radiograph       Group = "radiograph"
	Tooth            Group = "tooth"
	EarlierTreatment Group = "earlier-treatment"
)

// Groups lists the groups in the order of a visit.
func Groups() []Group {
	return []Group{History, Patient, Tests, Mouth, Radiograph, Tooth, EarlierTreatment}
}

// Criterion is one row of the form.
type Criterion struct {
	ID         string `json:"id"`
	Group      Group  `json:"group"`
	Ask        string `json:"ask"`
	TiedToTime bool   `json:"tied_to_time"` // a published study ties it to treatment time
	Parts      []Part `json:"parts"`        // most have one; a criterion counts once, at its worst part
}

// Part is one question of a criterion.
type Part struct {
	ID      string   `json:"id"`
	Topic   string   `json:"topic"` // heads a reason
	Ask     string   `json:"ask"`
	Answers []Answer `json:"answers"`
}

// Answer is one cell of the form, in our own words.
type Answer struct {
	ID    string          `json:"id"`
	Text  string          `json:"text"`
	Level Level           `json:"level"`
	Mark  provenance.Mark `json:"mark"`
}

// rule says when moderate criteria make a high case.
type rule struct {
	ModerateForHigh int             `json:"moderate_criteria_for_high"`
	Mark            provenance.Mark `json:"mark"`
}

// form is one edition.
type form struct {
	Edition      Edition          `json:"edition"`
	Title        string           `json:"title"`
	Rule         rule             `json:"rule"`
	PartsRule    provenance.Mark  `json:"parts_rule"`
	VolumeFrom   Level            `json:"volume_advised_from"` // from this level the form advises to consider a CBCT
	VolumeMark   *provenance.Mark `json:"volume_mark"`
	TiedToTime   provenance.Mark  `json:"tied_to_time"`
	Criteria     []Criterion      `json:"criteria"`
	criterionOf  map[string]int   // by part
	answersParts int
}

//go:embed data
var files embed.FS

// The forms are part of the program: a file that cannot be read is a fault of
// the build, which the tests of this package catch.
var shipped = sync.OnceValue(func() map[Edition]*form {
	out := map[Edition]*form{}
	for _, e := range Editions() {
		text, err := files.ReadFile("data/form-" + string(e) + ".json")
		if err != nil {
			panic("difficulty data files: " + err.Error())
		}
		f, err := readForm(text)
		if err != nil {
			panic("difficulty data files: " + string(e) + ": " + err.Error())
		}
		out[e] = f
	}
	return out
})

func readForm(text []byte) (*form, error) {
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	f := &form{criterionOf: map[string]int{}}
	if err := d.Decode(f); err != nil {
		return nil, err
	}
	if f.Rule.ModerateForHigh < 2 {
		return nil, fmt.Errorf("%d moderate criteria for high: want at least 2", f.Rule.ModerateForHigh)
	}
	at := -1
	for i, c := range f.Criteria {
		g := groupAt(c.Group)
		if g < at {
			return nil, fmt.Errorf("criterion %s of group %q stands out of the order of a visit", c.ID, c.Group)
		}
		at = g
		for _, p := range c.Parts {
			if _, twice := f.criterionOf[p.ID]; twice || p.ID == "" || p.Topic == "" {
				return nil, fmt.Errorf("part %q is named twice or not at all, or has no topic", p.ID)
			}
			f.criterionOf[p.ID] = i
			f.answersParts++
			seen := map[string]bool{Unknown: true}
			for _, a := range p.Answers {
				if seen[a.ID] || a.ID == "" || a.Level.rank() < 1 {
					return nil, fmt.Errorf("answer %q of %s is named twice, not at all, or has no level", a.ID, p.ID)
				}
				seen[a.ID] = true
				if err := a.Mark.Validate(); err != nil {
					return nil, fmt.Errorf("answer %s of %s: %w", a.ID, p.ID, err)
				}
			}
		}
	}
	return f, nil
}

func groupAt(g Group) int {
	for i, other := range Groups() {
		if other == g {
			return i
		}
	}
	return -2
}

func formOf(e Edition) (*form, error) {
	f, ok := shipped()[e]
	if !ok {
		names := make([]string, 0, 2)
		for _, known := range Editions() {
			names = append(names, string(known))
		}
		return nil, fmt.Errorf("edition %s of the difficulty form: want %s", quoted(string(e)), strings.Join(names, " or "))
	}
	return f, nil
}

// Criteria returns the criteria of an edition in the order in which a visit
// asks them. The error names the editions there are.
func Criteria(e Edition) ([]Criterion, error) {
	f, err := formOf(e)
	if err != nil {
		return nil, err
	}
	out := append([]Criterion(nil), f.Criteria...)
	for i := range out {
		out[i].Parts = append([]Part(nil), out[i].Parts...)
		for j := range out[i].Parts {
			out[i].Parts[j].Answers = append([]Answer(nil), out[i].Parts[j].Answers...)
		}
	}
	return out, nil
}

// Title names the edition in words.
func (e Edition) Title() string {
	if f, ok := shipped()[e]; ok {
		return f.Title
	}
	return ""
}

// worst is the answer with the highest level; the first of equals.
func (p Part) worst() Answer {
	best := p.Answers[0]
	for _, a := range p.Answers[1:] {
		if a.Level.Over(best.Level) {
			best = a
		}
	}
	return best
}

func (p Part) answer(id string) (Answer, bool) {
	for _, a := range p.Answers {
		if a.ID == id {
			return a, true
		}
	}
	return Answer{}, false
}

func (p Part) answerIDs() string {
	ids := make([]string, 0, len(p.Answers)+1)
	for _, a := range p.Answers {
		ids = append(ids, a.ID)
	}
	return strings.Join(append(ids, Unknown), ", ")
}

// quoted keeps a mistyped sentence out of an error.
func quoted(s string) string {
	const most = 40
	if len(s) > most {
		s = s[:most] + "..."
	}
	return fmt.Sprintf("%q", s)
}
