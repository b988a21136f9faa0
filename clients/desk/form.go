package desk

import (
	"net/url"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/google/uuid"
	"google.golang.org/grpc/codes"

	client "github.com/visitwright/visitwright/clients/go"
)

// form is what somebody typed, and what is wrong with it. A form that was
// refused is shown again with both.
type form struct {
	values url.Values
	// Wrong holds the message beside each field.
	Wrong map[string]string
	// Problem is what is wrong with the whole, in a sentence.
	Problem string
	// Theirs holds what somebody else has put into a field meanwhile.
	Theirs map[string]string
	// RequestID is sent with each try of the same form, so that it is done once; a
	// form that was refused comes back with another.
	RequestID string
}

// newRequestID is for something that is to be done once.
func newRequestID() string { return uuid.NewString() }

// newForm starts a form with what is known.
func newForm(known url.Values) *form {
	if known == nil {
		known = url.Values{}
	}
	return &form{values: known, Wrong: map[string]string{}, Theirs: map[string]string{}, RequestID: newRequestID()}
}

// typed is the form that was sent.
func (q *ask) typed() *form {
	f := newForm(q.form)
	// Only an id of our own making is passed on.
	if id, err := uuid.Parse(q.form.Get("request_id")); err == nil {
		f.RequestID = id.String()
	}
	return f
}

// Get is the trimmed value of a field.
func (f *form) Get(field string) string { return strings.TrimSpace(f.values.Get(field)) }

// All are the values of a field that may be given several times.
func (f *form) All(field string) []string { return f.values[field] }

// On reports whether a box is ticked.
func (f *form) On(field string) bool { return f.Get(field) != "" }

// Set puts a value in, where a form is shown for the first time.
func (f *form) Set(field, value string) { f.values.Set(field, value) }

// wrong says what is wrong with a field. The first message stays.
func (f *form) wrong(field, text string) {
	if f.Wrong[field] == "" {
		f.Wrong[field] = text
	}
}

// ok reports whether nothing was found wrong.
func (f *form) ok() bool { return len(f.Wrong) == 0 && f.Problem == "" }

// refused takes in a refusal of the service that whoever typed can mend, and
// reports whether it was one. fields maps the paths of the request to fields of
// the form; a path that begins with a mapped one belongs to it.
func (f *form) refused(err error, fields map[string]string) bool {
	e := refusal(err)
	if !canMend(e) {
		return false
	}
	// What was refused was not done: changed and sent again, it is another request.
	f.RequestID = newRequestID()
	placed := false
	for _, p := range e.Fields {
		if field := fieldFor(p.Field, fields); field != "" {
			f.wrong(field, sentence(p.Wrong))
			placed = true
		}
	}
	if !placed {
		f.Problem = sentence(e.Error())
		for _, s := range e.State {
			if s.Wrong != "" && !strings.Contains(f.Problem, s.Wrong) {
				f.Problem += " " + sentence(s.Wrong)
			}
		}
	}
	return true
}

// canMend reports whether a refusal is one that whoever asked can do something
// about; another one is the service's trouble, or means a page that is not there.
func canMend(e *client.Error) bool {
	if e == nil {
		return false
	}
	switch e.Code {
	case codes.InvalidArgument, codes.FailedPrecondition, codes.Aborted, codes.AlreadyExists, codes.OutOfRange, codes.PermissionDenied, codes.ResourceExhausted:
		return true
	}
	return false
}

// fieldFor finds the longest mapped path that the given one begins with.
func fieldFor(path string, fields map[string]string) string {
	for path != "" {
		if field, mapped := fields[path]; mapped {
			return field
		}
		cut := strings.LastIndexAny(path, ".[")
		if cut < 0 {
			return ""
		}
		path = path[:cut]
	}
	return ""
}

// sentence begins with a capital and ends with a full stop.
func sentence(text string) string {
	text = strings.TrimSpace(text)
	if text == "" {
		return ""
	}
	text = sentenceStart(text)
	if !strings.ContainsAny(text[len(text)-1:], ".!?") {
		text += "."
	}
	return text
}

// sentenceStart begins with a capital, in whichever letters.
func sentenceStart(text string) string {
	first, size := utf8.DecodeRuneInString(text)
	if size == 0 {
		return ""
	}
	return string(unicode.ToUpper(first)) + text[size:]
}

// conflict reports whether somebody else changed the thing meanwhile.
func conflict(err error) bool { return reasonOf(err) == "ETAG_MISMATCH" }

// fresh sets beside each field what it has become meanwhile, so that whoever
// typed sees both, and takes the etag of what stands there now: whoever has seen
// both versions and saves again means it. It is another request than the first.
func (f *form) fresh(q *ask, theirs url.Values) {
	for field, now := range theirs {
		switch {
		case len(now) == 0 || now[0] == f.values.Get(field):
		case now[0] == "":
			f.Theirs[field] = q.t("desk.theirs-nothing")
		default:
			f.Theirs[field] = now[0]
		}
	}
	f.Set("etag", theirs.Get("etag"))
	delete(f.Theirs, "etag")
	f.RequestID = newRequestID()
}

// meanwhile is fresh for the forms that say in a sentence that somebody else
// was quicker.
func (f *form) meanwhile(q *ask, theirs url.Values) {
	f.Problem = q.t("practice.changed-meanwhile")
	f.fresh(q, theirs)
}
