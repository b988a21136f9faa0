package cli

import (
	"fmt"
	"strings"

	"github.com/visitwright/visitwright/clients/odds"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"google.golang.org/genproto/googleapis/type/date"
)

// mark is what stands behind a figure: the publication, or a flag that shows at
// a glance that it was not read in one.
func mark(p *vw.Provenance) string {
	switch p.GetKind() {
	case vw.Provenance_KIND_PUBLISHED:
		return " (" + p.GetSource() + ")"
	case vw.Provenance_KIND_PRACTICE:
		return " [practice]"
	case vw.Provenance_KIND_MEMORY:
		return " [memory]"
	case vw.Provenance_KIND_ASSUMED:
		return " [assumed]"
	case vw.Provenance_KIND_INVENTED:
		return " [invented]"
	case vw.Provenance_KIND_LOCAL:
		return " [this practice]"
	}
	return ""
}

// kindOf is the standing of a figure as a column of a table.
func kindOf(p *vw.Provenance) string {
	if p.GetKind() == vw.Provenance_KIND_PUBLISHED {
		return "published"
	}
	return strings.Trim(mark(p), " []")
}

// marksShown explains the flags, below a page that uses them.
const marksShown = "Figures in [brackets] were not read in a publication: [practice] is common practice, [assumed] a modelling choice, " +
	"[memory] recalled and to be checked, [this practice] set by the practice. `visitwright figures` lists them all with their sources."

// toothWords is the tooth in code and words, "46, lower right first molar".
func toothWords(t *vw.Tooth) string {
	if t == nil {
		return "tooth not yet identified"
	}
	code := t.GetShown()
	if code == "" {
		code = t.GetIso()
	}
	if t.GetWords() == "" {
		return code
	}
	return code + ", " + t.GetWords()
}

// sayOdds prefers the service's own words.
func sayOdds(o *vw.Odds) string {
	if o.GetWords() != "" {
		return o.GetWords()
	}
	return odds.Words(o.GetProbability())
}

// sayDate writes a calendar day, or "".
func sayDate(d *date.Date) string {
	if d == nil {
		return ""
	}
	return fmt.Sprintf("%04d-%02d-%02d", d.GetYear(), d.GetMonth(), d.GetDay())
}

// sayDays writes a number of days as people count them.
func sayDays(days int32) string {
	switch {
	case days == 0:
		return "the same day"
	case days == 1:
		return "1 day"
	case days%7 == 0 && days >= 14:
		return fmt.Sprintf("%d days (%d weeks)", days, days/7)
	}
	return fmt.Sprintf("%d days", days)
}

// words turns an enum value or an id into words: "STATE_IN_TREATMENT" and
// "in-treatment" both read "in treatment".
func words(id, prefix string) string {
	text := strings.TrimPrefix(id, prefix)
	return strings.ToLower(strings.NewReplacer("_", " ", "-", " ").Replace(text))
}

func levelWords(l vw.Difficulty_Level) string { return words(l.String(), "LEVEL_") }

func stanceWords(s vw.Reason_Stance) string { return words(s.String(), "STANCE_") }

// sentence makes the first letter large and ends with a full stop.
func sentence(text string) string {
	if text == "" {
		return ""
	}
	text = strings.ToUpper(text[:1]) + text[1:]
	if !strings.ContainsAny(text[len(text)-1:], ".!?") {
		text += "."
	}
	return text
}

// plural chooses the word for a number.
func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// shortID is the last part of a resource name.
func shortID(name string) string { return name[strings.LastIndexByte(name, '/')+1:] }

// consentWords says who agreed.
func consentWords(c *vw.Consent) string {
	switch c.GetGiver() {
	case vw.Consent_GIVER_PATIENT:
		return "consent given by the patient, " + words(c.GetForm(), "")
	case vw.Consent_GIVER_GUARDIAN:
		return "consent given by the guardian, " + words(c.GetForm(), "")
	}
	return "consent not yet given"
}
