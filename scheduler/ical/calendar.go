// Package ical writes bookings as iCalendar objects (RFC 5545), for one booking
// or as a feed to subscribe to. It writes no patient data: the caller chooses
// the texts, and a reference is all that is needed.
//
// Times are written in UTC, so that no VTIMEZONE can go stale in a copy that
// somebody keeps; the reader's own zone shows them.
package ical

import (
	"fmt"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// Method says what a receiver should do with the object (RFC 5546). A feed has
// none.
type Method string

// The methods that are used.
const (
	NoMethod Method = ""
	Publish  Method = "PUBLISH"
	Cancel   Method = "CANCEL"
)

// Status is how firm an event is.
type Status string

// The statuses of RFC 5545: a provisional booking is tentative.
const (
	Tentative Status = "TENTATIVE"
	Confirmed Status = "CONFIRMED"
	Cancelled Status = "CANCELLED"
)

// Calendar is one iCalendar object.
type Calendar struct {
	Product string // PRODID, names the program that wrote it
	Method  Method
	Name    string        // shown by the reader (RFC 7986); may be empty
	Refresh time.Duration // how often to read a feed again, in whole minutes; 0 says nothing
	Events  []Event
}

// Event is one booking.
type Event struct {
	UID      string // the same in every revision, unlike that of any other event
	Sequence int    // see Revise
	Stamp    time.Time
	Start    time.Time
	End      time.Time // exclusive, after Start
	Status   Status
	Summary  string
	// Description and Location may be empty.
	Description string
	Location    string
	// Organizer is a URI such as mailto:desk@example.com. RFC 5546 wants one
	// whenever the calendar has a method.
	Organizer string
	// Free leaves the reader's time free (TRANSP:TRANSPARENT); a cancelled event
	// always does.
	Free bool
}

// Revise returns the next revision of an event. Its sequence rises when what
// people must know of changes (start, end, status), and stays when only texts
// do, as RFC 5546 section 2.1.4 asks.
func Revise(before, after Event) Event {
	after.UID, after.Sequence = before.UID, before.Sequence
	if !before.Start.Equal(after.Start) || !before.End.Equal(after.End) || before.Status != after.Status {
		after.Sequence++
	}
	return after
}

// FieldError names a field that cannot be written. It does not repeat the
// value.
type FieldError struct {
	Field, Problem string
}

func (e *FieldError) Error() string { return e.Field + ": " + e.Problem }

// MostEvents is the largest number of events in one object.
const MostEvents = 50_000

func (c *Calendar) validate() error {
	if c.Product == "" {
		return &FieldError{"product", "missing"}
	}
	switch c.Method {
	case NoMethod, Publish, Cancel:
	default:
		return &FieldError{"method", "want none, PUBLISH or CANCEL"}
	}
	if c.Refresh < 0 || c.Refresh%time.Minute != 0 {
		return &FieldError{"refresh", "want whole minutes"}
	}
	if len(c.Events) > MostEvents {
		return &FieldError{"events", fmt.Sprintf("%d of them, want at most %d", len(c.Events), MostEvents)}
	}
	if c.Method != NoMethod && len(c.Events) == 0 {
		return &FieldError{"events", "a calendar with a method needs at least one"}
	}
	for _, f := range []struct{ name, text string }{{"product", c.Product}, {"name", c.Name}} {
		if err := checkText(f.name, f.text); err != nil {
			return err
		}
	}
	seen := make(map[string]bool, len(c.Events))
	for i := range c.Events {
		if err := c.Events[i].validate(c.Method); err != nil {
			err.Field = fmt.Sprintf("events[%d].%s", i, err.Field)
			return err
		}
		if seen[c.Events[i].UID] {
			return &FieldError{fmt.Sprintf("events[%d].uid", i), "is there twice"}
		}
		seen[c.Events[i].UID] = true
	}
	return nil
}

func (e *Event) validate(m Method) *FieldError {
	switch {
	case e.UID == "":
		return &FieldError{"uid", "missing"}
	case len(e.UID) > 255:
		return &FieldError{"uid", "want at most 255 octets"} // RFC 7986 section 5.3
	case e.Sequence < 0 || e.Sequence > 1<<31-1:
		return &FieldError{"sequence", "want 0 to 2147483647"}
	case e.Stamp.IsZero():
		return &FieldError{"stamp", "missing"}
	case !e.End.After(e.Start):
		return &FieldError{"end", "want a time after the start"}
	case e.Status != Tentative && e.Status != Confirmed && e.Status != Cancelled:
		return &FieldError{"status", "want TENTATIVE, CONFIRMED or CANCELLED"}
	case m == Cancel && e.Status != Cancelled:
		return &FieldError{"status", "a calendar that cancels holds cancelled events only"}
	case m != NoMethod && e.Organizer == "":
		return &FieldError{"organizer", "missing, a calendar with a method needs it"}
	}
	for _, t := range []time.Time{e.Stamp, e.Start, e.End} {
		if y := t.UTC().Year(); y < 1 || y > 9999 {
			return &FieldError{"start", "want a year from 1 to 9999"}
		}
	}
	for _, f := range []struct{ name, text string }{{"uid", e.UID}, {"summary", e.Summary}, {"description", e.Description}, {"location", e.Location}} {
		if err := checkText(f.name, f.text); err != nil {
			return err
		}
	}
	for _, r := range e.Organizer {
		if r <= ' ' || r > '~' {
			return &FieldError{"organizer", "want a URI of visible ASCII characters, such as mailto:desk@example.com"}
		}
	}
	if e.Organizer != "" && !strings.Contains(e.Organizer, ":") {
		return &FieldError{"organizer", "want a URI, such as mailto:desk@example.com"}
	}
	return nil
}

// checkText refuses what TEXT cannot hold: control characters other than tab
// and line breaks, and bytes that are no UTF-8.
func checkText(name, s string) *FieldError {
	if !utf8.ValidString(s) {
		return &FieldError{name, "want UTF-8"}
	}
	for _, r := range strings.ReplaceAll(s, "\r\n", "\n") {
		if unicode.IsControl(r) && r != '\n' && r != '\t' {
			return &FieldError{name, "holds a control character"}
		}
	}
	return nil
}

// Encode writes the object: UTF-8, lines of at most 75 octets ended by CRLF.
// The error is a *FieldError, and nothing is written with it.
func (c Calendar) Encode() ([]byte, error) {
	if err := c.validate(); err != nil {
		return nil, err
	}
	w := &writer{}
	w.line("BEGIN:VCALENDAR")
	w.line("VERSION:2.0")
	w.text("PRODID", c.Product)
	w.line("CALSCALE:GREGORIAN")
	if c.Method != NoMethod {
		w.line("METHOD:" + string(c.Method))
	}
	if c.Name != "" {
		w.text("NAME", c.Name)
	}
	if c.Refresh > 0 {
		w.line("REFRESH-INTERVAL;VALUE=DURATION:PT" + strconv.Itoa(int(c.Refresh/time.Minute)) + "M")
	}
	for i := range c.Events {
		w.event(&c.Events[i])
	}
	w.line("END:VCALENDAR")
	return w.out, nil
}
