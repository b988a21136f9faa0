package reminder

import (
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"
)

// Template is a practice's wording of one kind of message in one language. A
// field stands in square brackets, [practice]; a bracket itself is written
// twice, [[ or ]].
type Template struct {
	Kind     Kind   `json:"kind"`
	Language string `json:"language"` // BCP 47, for example "en"
	Subject  string `json:"subject"`
	Body     string `json:"body"`
}

// Fields that a template may use. Neutral by design: nothing says which tooth,
// what treatment or why.
var fields = []string{"practice", "phone", "day", "time", "reference", "answer"}

// Fields returns the names a template may use, in the order in which they are
// explained to the practice.
func Fields() []string { return slices.Clone(fields) }

const (
	longestSubject = 120  // characters
	longestBody    = 2000 // characters
)

// TemplateError says what is wrong with a template, in which part.
type TemplateError struct{ Field, Problem, Want string }

func (e *TemplateError) Error() string {
	return fmt.Sprintf("%s: %s; want %s", e.Field, e.Problem, e.Want)
}

// Validate reports an unknown field, an open bracket, a line break in a
// subject, or a text that is empty or too long.
func (t Template) Validate() error {
	for _, part := range []struct {
		name, text string
		most       int
	}{{"subject", t.Subject, longestSubject}, {"body", t.Body, longestBody}} {
		n := utf8.RuneCountInString(part.text)
		switch {
		case !utf8.ValidString(part.text):
			return &TemplateError{part.name, "not valid UTF-8", "plain text"}
		case strings.TrimSpace(part.text) == "":
			return &TemplateError{part.name, "empty", "a text"}
		case n > part.most:
			return &TemplateError{part.name, fmt.Sprintf("%d characters", n), fmt.Sprintf("at most %d", part.most)}
		}
		if _, err := fill(part.name, part.text, nil); err != nil {
			return err
		}
	}
	if strings.ContainsAny(t.Subject, "\r\n") {
		return &TemplateError{"subject", "a line break", "one line"}
	}
	return nil
}

// Render fills the template. A field without a value becomes empty; an unknown
// field is an error, never text that reaches a patient.
func (t Template) Render(values map[string]string) (subject, body string, err error) {
	if values == nil {
		values = map[string]string{}
	}
	if subject, err = fill("subject", t.Subject, values); err != nil {
		return "", "", err
	}
	if body, err = fill("body", t.Body, values); err != nil {
		return "", "", err
	}
	// A value must not be able to start a header of its own.
	subject = strings.Join(strings.Fields(subject), " ")
	return subject, body, nil
}

// fill replaces fields by values; with nil values it only checks.
func fill(part, text string, values map[string]string) (string, error) {
	var b strings.Builder
	for i := 0; i < len(text); {
		switch c := text[i]; {
		case c == '[' && i+1 < len(text) && text[i+1] == '[':
			b.WriteByte('[')
			i += 2
		case c == ']' && i+1 < len(text) && text[i+1] == ']':
			b.WriteByte(']')
			i += 2
		case c == ']':
			return "", &TemplateError{part, "a closing bracket without an opening one", "]] for a bracket in the text"}
		case c == '[':
			end := strings.IndexByte(text[i:], ']')
			if end < 0 {
				return "", &TemplateError{part, "a bracket that is not closed", "[field], or [[ for a bracket in the text"}
			}
			name := text[i+1 : i+end]
			if !slices.Contains(fields, name) {
				return "", &TemplateError{part, fmt.Sprintf("unknown field %q", name), "one of " + strings.Join(fields, ", ")}
			}
			b.WriteString(values[name])
			i += end + 1
		default:
			b.WriteByte(c)
			i++
		}
	}
	return b.String(), nil
}
