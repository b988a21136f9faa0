package desk

import (
	"encoding/base64"
	"fmt"
	"net/url"
	"slices"
	"strconv"

	"google.golang.org/genproto/googleapis/type/dayofweek"
	"google.golang.org/protobuf/proto"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// wishFields are the fields of the form of wishes; they travel in the address,
// so that a page with its offers can be reloaded, and comes back as it was.
var wishFields = []string{"from", "until", "day", "part", "start", "end", "not", "clinician", "same", "accompanied", "urgent", "soonest", "visit", "what", "minutes", "first"}

// wishes reads what patient and practice ask of the places.
func (q *ask) wishes(f *form) *vw.OfferWishes {
	w := &vw.OfferWishes{SameClinician: f.On("same"), Accompanied: f.On("accompanied"), Urgent: f.On("urgent"), FirstAvailable: f.On("soonest"), OtherDays: true}
	if f.Get("from") != "" {
		if w.NotBefore = readDate(f.Get("from")); w.NotBefore == nil {
			f.wrong("from", q.t("booking.date-wrong"))
		}
	}
	if f.Get("until") != "" {
		if w.NotAfter = readDate(f.Get("until")); w.NotAfter == nil {
			f.wrong("until", q.t("booking.date-wrong"))
		}
	}
	if w.NotBefore != nil && w.NotAfter != nil && q.words.daysBetween(w.GetNotBefore(), w.GetNotAfter()) < 0 {
		f.wrong("until", q.t("booking.until-before"))
	}
	for _, text := range f.All("day") {
		n, err := strconv.Atoi(text)
		if err != nil || n < 1 || n > 7 || slices.Contains(w.Weekdays, dayofweek.DayOfWeek(n)) {
			f.wrong("day", q.t("booking.day-wrong"))
			continue
		}
		w.Weekdays = append(w.Weekdays, dayofweek.DayOfWeek(n))
	}
	if f.Get("not") != "" {
		if d := readDate(f.Get("not")); d == nil {
			f.wrong("not", q.t("booking.date-wrong"))
		} else {
			w.Excluded = []*vw.DateRange{{FirstDate: d, LastDate: d}}
		}
	}
	q.times(f, w)
	if id := f.Get("clinician"); id != "" {
		w.Clinicians = []string{q.name("clinicians", id)}
	}
	return w
}

// dayParts are the times of day that are chosen by one tap.
var dayParts = map[string]stretch{"morning": {0, 12 * 60}, "afternoon": {12 * 60, 17 * 60}, "evening": {17 * 60, wholeDay}}

func (q *ask) times(f *form, w *vw.OfferWishes) {
	for _, part := range f.All("part") {
		s, known := dayParts[part]
		if !known {
			f.wrong("part", q.t("booking.part-wrong"))
			continue
		}
		w.Times = append(w.Times, &vw.DaySpan{FromMinute: int32(s.From), ToMinute: int32(s.To)})
	}
	start, end := f.Get("start"), f.Get("end")
	if start == "" && end == "" {
		return
	}
	s := stretch{0, wholeDay}
	for _, side := range []struct {
		field, text string
		to          *int
	}{{"start", start, &s.From}, {"end", end, &s.To}} {
		if side.text == "" {
			continue
		}
		t := readClock(side.text)
		if t == nil || t.GetMinutes()%gridMinutes != 0 {
			f.wrong(side.field, q.t("booking.time-wrong"))
			return
		}
		*side.to = minuteOf(t)
	}
	if s.From >= s.To {
		f.wrong("end", q.t("booking.end-before"))
		return
	}
	w.Times = append(w.Times, &vw.DaySpan{FromMinute: int32(s.From), ToMinute: int32(s.To)})
}

// wishedAny reports whether anything at all was asked, so that the form stands
// open when it matters.
func wishedAny(f *form) bool {
	for _, k := range []string{"from", "until", "day", "part", "start", "end", "not", "clinician", "same", "accompanied", "urgent"} {
		if f.Get(k) != "" {
			return true
		}
	}
	return false
}

// keptQuery is the part of an address that carries the wishes; changes come in
// pairs, an empty value takes a field out.
func keptQuery(values url.Values, changes ...string) string {
	out := url.Values{}
	for _, k := range wishFields {
		for _, v := range values[k] {
			if v != "" {
				out.Add(k, v)
			}
		}
	}
	for i := 0; i+1 < len(changes); i += 2 {
		if out.Del(changes[i]); changes[i+1] != "" {
			out.Set(changes[i], changes[i+1])
		}
	}
	return addressWith("", out)
}

// sealed writes a message into an address or a hidden field. Whatever comes
// back is checked by the service like any other request.
func sealed(m proto.Message) string {
	b, err := proto.Marshal(m)
	if err != nil {
		return ""
	}
	return base64.RawURLEncoding.EncodeToString(b)
}

// mostSealed is the longest text that is opened.
const mostSealed = 8 << 10

func opened(text string, into proto.Message) error {
	if len(text) > mostSealed {
		return fmt.Errorf("a text of %d bytes, want at most %d", len(text), mostSealed)
	}
	b, err := base64.RawURLEncoding.DecodeString(text)
	if err != nil {
		return err
	}
	return proto.Unmarshal(b, into)
}

// weekdayOptions are the days of the week in the order of the practice's week.
func (q *ask) weekdayOptions() []option {
	var out []option
	for _, d := range q.words.Week() {
		out = append(out, option{Value: strconv.Itoa((int(d)+6)%7 + 1), Text: q.t("words.weekday-" + d.String()[:3])})
	}
	return out
}

func (q *ask) partOptions() []option {
	var out []option
	for _, part := range []string{"morning", "afternoon", "evening"} {
		out = append(out, option{Value: part, Text: q.t("booking.part-" + part)})
	}
	return out
}
