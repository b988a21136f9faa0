package desk

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"google.golang.org/genproto/googleapis/type/date"

	"github.com/visitwright/visitwright/clients/odds"
	"github.com/visitwright/visitwright/planner/tooth"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// Percent is a probability in per cent, by the steps of every client: never 0 or
// 100.
func (w *words) Percent(p float64) string {
	if math.IsNaN(p) {
		return w.T("words.not-known")
	}
	return w.T("words.percent", odds.Figure(p))
}

// There is the chance of a canal in a table. One that was found is there.
func (w *words) There(o *vw.Odds) string {
	if odds.Certain(o.GetProbability(), o.GetWords()) {
		return w.T("words.percent", int(100*o.GetProbability()))
	}
	return w.Percent(o.GetProbability())
}

// Odds is a chance as the service words it, with its per cent: "8 in 10 finish
// on time (about 81 %)".
func (w *words) Odds(o *vw.Odds) string {
	text := o.GetWords()
	if text == "" {
		text = odds.Words(o.GetProbability())
	}
	return w.both(text, o.GetProbability())
}

// Told is a chance in a table whose heading says of what, certain where the
// service tells that it is.
func (w *words) Told(o *vw.Odds) string {
	return w.both(odds.Told(o.GetProbability(), o.GetWords()), o.GetProbability())
}

// Chance is a bare chance: "8 in 10 (about 81 %)".
func (w *words) Chance(p float64) string {
	return w.both(odds.Words(p), p)
}

// both adds the per cent to a chance in words; close to none and to all the
// words say it better.
func (w *words) both(text string, p float64) string {
	if rounded := math.Round(p * 100); math.IsNaN(p) || rounded <= 0 || rounded >= 100 {
		return text
	}
	return w.T("words.odds", text, w.Percent(p))
}

// Number writes a number with so many digits behind the point.
func (w *words) Number(v float64, digits int) string { return strconv.FormatFloat(v, 'f', digits, 64) }

// Enum is a value of the contract in words: the text of prefix + "." + the
// value without its type's name. A value from a later version reads as the
// unspecified one.
func (w *words) Enum(prefix string, value fmt.Stringer) string {
	key := prefix + "-" + strings.ToLower(value.String())
	if !w.has(key) {
		return w.T(prefix + "-unspecified")
	}
	return w.T(key)
}

// CaseState is where a case stands, in words.
func (w *words) CaseState(c *vw.Case) string {
	return w.Enum("case.state", short(c.GetState(), "STATE_"))
}

// Level is a level of difficulty in words.
func (w *words) Level(l vw.Difficulty_Level) string {
	return w.Enum("assess.level", short(l, "LEVEL_"))
}

// Stance says how strongly a reason speaks.
func (w *words) Stance(s vw.Reason_Stance) string {
	return w.Enum("options.stance", short(s, "STANCE_"))
}

// Standing says where a figure comes from, in a word or two.
func (w *words) Standing(p *vw.Provenance) string {
	return w.Enum("words.kind", short(p.GetKind(), "KIND_"))
}

// Standings are the standings of the figures that were not read in a
// publication, each once.
func (w *words) Standings(all []*vw.Provenance) string {
	var said []string
	for _, p := range all {
		if text := w.Standing(p); p.GetKind() != vw.Provenance_KIND_PUBLISHED && !slices.Contains(said, text) {
			said = append(said, text)
		}
	}
	return strings.Join(said, ", ")
}

// StepStandings are those of the minutes of several steps.
func (w *words) StepStandings(steps []*vw.SheetStep) string {
	var all []*vw.Provenance
	for _, s := range steps {
		all = append(all, s.GetProvenance()...)
	}
	return w.Standings(all)
}

// shortened is an enum value without the name of its type.
type shortened string

func (s shortened) String() string { return string(s) }

func short(value fmt.Stringer, prefix string) shortened {
	return shortened(strings.TrimPrefix(value.String(), prefix))
}

// Who is how the practice calls a patient: the label with the reference, or the
// reference alone.
func (w *words) Who(p *vw.Patient) string {
	if p.GetLabel() == "" {
		return p.GetReference()
	}
	return w.T("patients.who", p.GetLabel(), p.GetReference())
}

// teeth are all teeth as choices, in the practice's notation and in words.
func (q *ask) teeth() []option {
	system := tooth.ISO
	switch q.me.GetNotation() {
	case vw.ToothNotation_TOOTH_NOTATION_UNIVERSAL:
		system = tooth.Universal
	case vw.ToothNotation_TOOTH_NOTATION_QUADRANT:
		system = tooth.Quadrant
	}
	out := []option{{Text: q.t("words.tooth-unknown")}}
	for _, c := range tooth.All() {
		out = append(out, option{Value: c.In(tooth.ISO), Text: q.t("words.tooth", c.In(system), c.Words())})
	}
	return out
}

// Diagnosis is what is thought to be wrong, in words.
func (w *words) Diagnosis(d *vw.Diagnosis, named map[string]entries) string {
	var parts []string
	if d.GetPulpal() != "" {
		parts = append(parts, named["pulpal-diagnoses"].Title(d.GetPulpal()))
	}
	if d.GetApical() != "" {
		parts = append(parts, named["apical-diagnoses"].Title(d.GetApical()))
	}
	if len(parts) == 0 {
		return w.T("case.no-diagnosis")
	}
	return strings.Join(parts, "; ")
}

// day reads a date of a form; nil when nothing stands there.
func (f *form) day(q *ask, field string) *date.Date {
	text := f.Get(field)
	if text == "" {
		return nil
	}
	d := readDate(text)
	if d == nil {
		f.wrong(field, q.t("form.date-wrong"))
	}
	return d
}

// whole reads a whole number of a form; nil when nothing stands there.
func (f *form) whole(q *ask, field string, least, most int64) *int32 {
	text := f.Get(field)
	if text == "" {
		return nil
	}
	n, err := strconv.ParseInt(text, 10, 32)
	if err != nil || n < least || n > most {
		f.wrong(field, q.t("form.whole-wrong", least, most))
		return nil
	}
	v := int32(n)
	return &v
}

// number reads a number of a form, with a point or a comma; nil when nothing
// stands there.
func (f *form) number(q *ask, field string, least, most float64) *float64 {
	text := strings.ReplaceAll(f.Get(field), ",", ".")
	if text == "" {
		return nil
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(v) || v < least || v > most {
		f.wrong(field, q.t("form.number-wrong", strconv.FormatFloat(least, 'f', -1, 64), strconv.FormatFloat(most, 'f', -1, 64)))
		return nil
	}
	return &v
}

// chosen is a value of a form that must be one of the choices; "" when nothing
// stands there.
func (f *form) chosen(q *ask, field string, choices []option) string {
	value := f.Get(field)
	if value != "" && !slices.ContainsFunc(choices, func(o option) bool { return o.Value == value }) {
		f.wrong(field, q.t("form.choice-wrong"))
		return ""
	}
	return value
}

// optional is a text of a form; nil when nothing stands there.
func (f *form) optional(field string) *string {
	if text := f.Get(field); text != "" {
		return &text
	}
	return nil
}
