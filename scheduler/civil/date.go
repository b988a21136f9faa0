// Package civil holds the calendar of a practice: dates, local times in its
// IANA zone, working hours, closures and working days.
//
// Everything that depends on a zone goes through a Database, which is part of
// the program and knows the name of its release; the machine's own zone files
// are never read. Go's time.Date is not used to resolve a local time: what it
// does in a gap or an overlap is unspecified and differs between zones.
package civil

import (
	"fmt"
	"time"
)

// Date is a day of the proleptic Gregorian calendar, year 1 to 9999, without
// zone. The zero Date means "no date". Dates compare with ==.
type Date struct {
	n int32 // days; 0001-01-01 is 1, so that zero is no date
}

const (
	leastDay = 1       // 0001-01-01
	mostDay  = 3652059 // 9999-12-31
	unixDay  = 719163  // 1970-01-01
)

// NewDate returns the date of year, month and day. It refuses a day that the
// month does not have: nothing is carried over into the next month.
func NewDate(year int, month time.Month, day int) (Date, error) {
	if year < 1 || year > 9999 {
		return Date{}, fmt.Errorf("year %d: want 1 to 9999", year)
	}
	if month < time.January || month > time.December {
		return Date{}, fmt.Errorf("month %d: want 1 to 12", month)
	}
	if last := DaysIn(year, month); day < 1 || day > last {
		return Date{}, fmt.Errorf("day %d: %s %d has days 1 to %d", day, month, year, last)
	}
	return fromUnixDays(unixDays(year, month, day)), nil
}

// ParseDate reads a date written as ISO 8601 does, 2026-03-29.
func ParseDate(s string) (Date, error) {
	t, err := time.Parse(time.DateOnly, s)
	if err != nil || t.Year() < 1 {
		return Date{}, fmt.Errorf("date %q: want a day of the calendar written YYYY-MM-DD", s)
	}
	return fromUnixDays(t.Unix() / 86400), nil
}

// MustDate is ParseDate for constants in tests and demo data; it panics on a
// date that does not parse.
func MustDate(s string) Date {
	d, err := ParseDate(s)
	if err != nil {
		panic(err)
	}
	return d
}

// DaysIn returns how many days the month has, 28 to 31.
func DaysIn(year int, month time.Month) int {
	return time.Date(year, month+1, 0, 0, 0, 0, 0, time.UTC).Day()
}

func unixDays(year int, month time.Month, day int) int64 {
	u := time.Date(year, month, day, 0, 0, 0, 0, time.UTC).Unix()
	if u < 0 {
		return (u - 86399) / 86400
	}
	return u / 86400
}

func fromUnixDays(n int64) Date { return Date{int32(n + unixDay)} }

func (d Date) utc() time.Time {
	return time.Unix((int64(d.n)-unixDay)*86400, 0).UTC()
}

// IsZero reports whether d is no date.
func (d Date) IsZero() bool { return d.n == 0 }

// Parts returns the year, the month and the day of the month.
func (d Date) Parts() (year int, month time.Month, day int) { return d.utc().Date() }

// Weekday returns the day of the week.
func (d Date) Weekday() time.Weekday {
	return time.Weekday(d.n % 7) // 0001-01-01 was a Monday
}

// AddDays returns the date n days later (earlier when n is negative). A result
// outside the years 1 to 9999 is held at the first or last day of them.
func (d Date) AddDays(n int) Date {
	sum := int64(d.n) + int64(n)
	return Date{int32(min(max(sum, leastDay), mostDay))}
}

// DaysSince returns the number of calendar days from earlier to d, negative
// when d comes first. A clock change does not alter it.
func (d Date) DaysSince(earlier Date) int { return int(d.n - earlier.n) }

// Before reports whether d is an earlier day than other.
func (d Date) Before(other Date) bool { return d.n < other.n }

// After reports whether d is a later day than other.
func (d Date) After(other Date) bool { return d.n > other.n }

// AddMonths returns the same day of the month n months later, or the month's
// last day where it has no such day (31 January + 1 month = 28 or 29 February).
//
// Clamping does not add up: 31 January plus one month plus one month is 28
// March. A series is therefore always computed from its first date: see
// Anniversaries.
func (d Date) AddMonths(n int) Date {
	year, month, day := d.Parts()
	at := year*12 + int(month) - 1 + n
	switch {
	case at < 12:
		return Date{leastDay}
	case at >= 10000*12:
		return Date{mostDay}
	}
	year, month = at/12, time.Month(at%12+1)
	return fromUnixDays(unixDays(year, month, min(day, DaysIn(year, month))))
}

// Anniversaries returns anchor plus each number of months, every one counted
// from the anchor itself and never from the date before it.
func Anniversaries(anchor Date, months ...int) []Date {
	out := make([]Date, len(months))
	for i, n := range months {
		out[i] = anchor.AddMonths(n)
	}
	return out
}

// String writes the date as ISO 8601 does, or "no date".
func (d Date) String() string {
	if d.IsZero() {
		return "no date"
	}
	return d.utc().Format(time.DateOnly)
}

// Words is the day as people read it: "24 Nov 2026".
func (d Date) Words() string { return d.utc().Format("2 Jan 2006") }

// MarshalText writes YYYY-MM-DD, or nothing for no date.
func (d Date) MarshalText() ([]byte, error) {
	if d.IsZero() {
		return nil, nil
	}
	return []byte(d.String()), nil
}

// UnmarshalText reads what MarshalText writes.
func (d *Date) UnmarshalText(b []byte) error {
	if len(b) == 0 {
		*d = Date{}
		return nil
	}
	got, err := ParseDate(string(b))
	if err != nil {
		return err
	}
	*d = got
	return nil
}
