package civil

import (
	"errors"
	"fmt"
	"slices"
)

// Closure is a time at which something is shut: the practice for a holiday, a
// room for repair, a person on leave. Times without days are not closures but
// breaks, which belong into the hours.
type Closure struct {
	Days DateRange `json:"days"`
	// Part, when set, shuts only these times of each of the days.
	Part   *Span  `json:"part,omitempty"`
	Reason string `json:"reason"`
}

// Opening replaces the hours of one day, and wins over closures: the Saturday
// worked in turn, the public holiday on which the practice is open after all.
type Opening struct {
	Date   Date   `json:"date"`
	Spans  []Span `json:"spans"`
	Reason string `json:"reason"`
}

// Calendar says when something is open: hours, corrected by hand.
type Calendar struct {
	Hours    Timetable `json:"hours"`
	Closures []Closure `json:"closures,omitempty"`
	Openings []Opening `json:"openings,omitempty"`
}

// Validate checks hours, closures and openings against the grid of minutes.
func (c Calendar) Validate(grid int) error {
	if err := c.Hours.Validate(grid); err != nil {
		return err
	}
	for _, cl := range c.Closures {
		if err := cl.Days.Validate(); err != nil {
			return fmt.Errorf("closure %q: %w", cl.Reason, err)
		}
		if cl.Part != nil {
			if err := CheckSpans([]Span{*cl.Part}, grid); err != nil {
				return fmt.Errorf("closure %q: %w", cl.Reason, err)
			}
		}
	}
	for i, o := range c.Openings {
		if o.Date.IsZero() {
			return fmt.Errorf("opening %q: the date is missing", o.Reason)
		}
		if err := CheckSpans(o.Spans, grid); err != nil {
			return fmt.Errorf("opening %q: %w", o.Reason, err)
		}
		for _, p := range c.Openings[:i] {
			if p.Date == o.Date {
				return fmt.Errorf("opening %q: %s already has one", o.Reason, o.Date)
			}
		}
	}
	return nil
}

// Spans returns when it is open on the day, in order and without overlap.
func (c Calendar) Spans(d Date) []Span {
	for _, o := range c.Openings {
		if o.Date == d {
			return sorted(o.Spans)
		}
	}
	open := sorted(c.Hours.On(d))
	for _, cl := range c.Closures {
		if !cl.Days.Holds(d) {
			continue
		}
		if cl.Part == nil {
			return nil
		}
		open = without(open, *cl.Part)
	}
	return open
}

// Closed returns the closure that shuts the whole day, if one does.
func (c Calendar) Closed(d Date) (Closure, bool) {
	for _, o := range c.Openings {
		if o.Date == d {
			return Closure{}, false
		}
	}
	for _, cl := range c.Closures {
		if cl.Part == nil && cl.Days.Holds(d) {
			return cl, true
		}
	}
	return Closure{}, false
}

func sorted(s []Span) []Span {
	if slices.IsSortedFunc(s, bySpanStart) {
		return s
	}
	s = slices.Clone(s)
	slices.SortFunc(s, bySpanStart)
	return s
}

func bySpanStart(a, b Span) int { return int(a.From) - int(b.From) }

func without(open []Span, shut Span) []Span {
	var out []Span
	for _, s := range open {
		if before := (Span{s.From, min(s.To, shut.From)}); before.To > before.From {
			out = append(out, before)
		}
		if after := (Span{max(s.From, shut.To), s.To}); after.To > after.From {
			out = append(out, after)
		}
	}
	return out
}

// IsWorkingDay reports whether it is open at all on the day.
func (c Calendar) IsWorkingDay(d Date) bool { return len(c.Spans(d)) > 0 }

// ErrNoWorkingDay means that no working day was found where one was sought.
var ErrNoWorkingDay = errors.New("no working day")

// mostRoll is how many days a roll looks ahead or back: longer than any closure
// of a practice that still takes bookings.
const mostRoll = 366

// Next returns d, or the first working day after it: for a bound that must not
// be undercut.
func (c Calendar) Next(d Date) (Date, error) {
	for i := 0; i <= mostRoll; i++ {
		if at := d.AddDays(i); c.IsWorkingDay(at) {
			return at, nil
		}
	}
	return Date{}, fmt.Errorf("%w in the %d days from %s on", ErrNoWorkingDay, mostRoll, d)
}

// Previous returns d, or the last working day before it: for a bound that must
// not be passed.
func (c Calendar) Previous(d Date) (Date, error) {
	for i := 0; i <= mostRoll; i++ {
		if at := d.AddDays(-i); c.IsWorkingDay(at) {
			return at, nil
		}
	}
	return Date{}, fmt.Errorf("%w in the %d days up to %s", ErrNoWorkingDay, mostRoll, d)
}

// NextUnlessPast rolls to the next working day, or back to the previous one if
// the next would pass latest. It never leaves earliest to latest, both
// included; when every day between them is closed the error is
// ErrNoWorkingDay, and the plan has to change. A zero bound is no bound.
func (c Calendar) NextUnlessPast(d, earliest, latest Date) (Date, error) {
	if !earliest.IsZero() && d.Before(earliest) {
		d = earliest
	}
	if !latest.IsZero() && d.After(latest) {
		d = latest
	}
	if at, err := c.Next(d); err == nil && (latest.IsZero() || !at.After(latest)) {
		return at, nil
	}
	if at, err := c.Previous(d); err == nil && (earliest.IsZero() || !at.Before(earliest)) {
		return at, nil
	}
	return Date{}, fmt.Errorf("%w from %s to %s", ErrNoWorkingDay, earliest, latest)
}

// NextInMonth rolls to the next working day unless that leaves the month, then
// to the previous one ("modified following").
func (c Calendar) NextInMonth(d Date) (Date, error) {
	at, err := c.Next(d)
	if err == nil && !sameMonth(at, d) {
		return c.Previous(d)
	}
	return at, err
}

// PreviousInMonth rolls to the previous working day unless that leaves the
// month, then to the next one ("modified preceding").
func (c Calendar) PreviousInMonth(d Date) (Date, error) {
	at, err := c.Previous(d)
	if err == nil && !sameMonth(at, d) {
		return c.Next(d)
	}
	return at, err
}

func sameMonth(a, b Date) bool {
	ya, ma, _ := a.Parts()
	yb, mb, _ := b.Parts()
	return ya == yb && ma == mb
}
