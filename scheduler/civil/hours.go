package civil

import (
	"fmt"
	"slices"
	"time"
)

// Span is a stretch of one day as the wall shows it, From up to and not
// including To. A break is the time between two spans.
type Span struct {
	From TimeOfDay `json:"from"`
	To   TimeOfDay `json:"to"`
}

// String writes 09:00-17:30.
func (s Span) String() string { return s.From.String() + "-" + s.To.String() }

// Holds reports whether the reading lies inside; To does not.
func (s Span) Holds(t TimeOfDay) bool { return t >= s.From && t < s.To }

// CheckSpans refuses spans that end before they start, leave the day, lie off
// the grid of minutes or share time.
func CheckSpans(spans []Span, grid int) error {
	sorted := slices.Clone(spans)
	slices.SortFunc(sorted, func(a, b Span) int { return int(a.From) - int(b.From) })
	for i, s := range sorted {
		switch {
		case s.From < 0 || s.To > EndOfDay:
			return fmt.Errorf("hours %s: want times from 00:00 to 24:00", s)
		case s.To <= s.From:
			return fmt.Errorf("hours %s: want an end after the start", s)
		case grid > 0 && (int(s.From)%grid != 0 || int(s.To)%grid != 0):
			return fmt.Errorf("hours %s: want times on the grid of %d minutes", s, grid)
		case i > 0 && s.From < sorted[i-1].To:
			return fmt.Errorf("hours %s: they overlap %s", s, sorted[i-1])
		}
	}
	return nil
}

// Week holds the hours of the seven days, indexed by time.Weekday.
type Week [7][]Span

// Hours are working hours that repeat: every week, or in turn when there is
// more than one week. Weeks run from Monday to Sunday.
type Hours struct {
	// Anchor is any day of a week in which Weeks[0] holds. It matters only when
	// there is more than one week.
	Anchor Date   `json:"anchor"`
	Weeks  []Week `json:"weeks"` // 1 to 8
}

// EveryWeek returns hours that are the same each week.
func EveryWeek(w Week) Hours { return Hours{Weeks: []Week{w}} }

// mostWeeks is the longest cycle of alternating weeks that is accepted.
const mostWeeks = 8

// Validate refuses hours without weeks, alternating weeks without an anchor,
// and spans that CheckSpans refuses.
func (h Hours) Validate(grid int) error {
	if len(h.Weeks) < 1 || len(h.Weeks) > mostWeeks {
		return fmt.Errorf("hours: %d weeks, want 1 to %d", len(h.Weeks), mostWeeks)
	}
	if len(h.Weeks) > 1 && h.Anchor.IsZero() {
		return fmt.Errorf("hours: alternating weeks need an anchor, a day of a week in which the first of them holds")
	}
	for i, w := range h.Weeks {
		for day, spans := range w {
			if err := CheckSpans(spans, grid); err != nil {
				return fmt.Errorf("week %d, %s: %w", i+1, time.Weekday(day), err)
			}
		}
	}
	return nil
}

// On returns the spans of the day.
func (h Hours) On(d Date) []Span {
	if len(h.Weeks) == 0 {
		return nil
	}
	i := 0
	if n := len(h.Weeks); n > 1 {
		weeks := floorDiv(d.DaysSince(monday(h.Anchor)), 7)
		i = ((weeks % n) + n) % n
	}
	return h.Weeks[i][d.Weekday()]
}

func monday(d Date) Date { return d.AddDays(-((int(d.Weekday()) + 6) % 7)) }

func floorDiv(a, b int) int {
	q := a / b
	if a%b != 0 && a < 0 {
		q--
	}
	return q
}

// Term is a stretch of dates in which certain hours hold. Zero dates leave it
// open at that end.
type Term struct {
	From  Date  `json:"from,omitzero"`
	Until Date  `json:"until,omitzero"` // included
	Hours Hours `json:"hours"`
}

func (t Term) holds(d Date) bool {
	return (t.From.IsZero() || !d.Before(t.From)) && (t.Until.IsZero() || !d.After(t.Until))
}

// Timetable is hours over the years: the last term that holds the day counts,
// so that a change of hours is one more term.
type Timetable []Term

// Always returns a timetable of one term without end.
func Always(h Hours) Timetable { return Timetable{{Hours: h}} }

// Validate checks every term.
func (t Timetable) Validate(grid int) error {
	for i, term := range t {
		if !term.From.IsZero() && !term.Until.IsZero() && term.Until.Before(term.From) {
			return fmt.Errorf("term %d: until %s comes before from %s", i+1, term.Until, term.From)
		}
		if err := term.Hours.Validate(grid); err != nil {
			return fmt.Errorf("term %d: %w", i+1, err)
		}
	}
	return nil
}

// On returns the spans of the day, none on a day that no term holds.
func (t Timetable) On(d Date) []Span {
	for i := len(t) - 1; i >= 0; i-- {
		if t[i].holds(d) {
			return t[i].Hours.On(d)
		}
	}
	return nil
}
