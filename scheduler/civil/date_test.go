package civil_test

import (
	"encoding/json"
	"testing"
	"time"

	"pgregory.net/rapid"

	"github.com/visitwright/visitwright/scheduler/civil"
)

// The clamped results were computed with PostgreSQL 15.18 and with the Temporal
// polyfill 0.5.1; Go's AddDate gives 3 March for the first row.
func TestAMonthLaterThanTheThirtyFirstIsTheLastDayOfAShorterMonth(t *testing.T) {
	for _, row := range []struct {
		start  string
		months int
		want   string
	}{
		{"2026-01-31", 1, "2026-02-28"},
		{"2024-01-31", 1, "2024-02-29"},
		{"2026-03-31", 1, "2026-04-30"},
		{"2026-08-31", 6, "2027-02-28"},
		{"2026-03-31", -1, "2026-02-28"},
		{"2024-02-29", 12, "2025-02-28"},
	} {
		if got := civil.MustDate(row.start).AddMonths(row.months); got != civil.MustDate(row.want) {
			t.Errorf("%s %+d months: got %s, want %s", row.start, row.months, got, row.want)
		}
	}
}

func TestReviewsAreCountedFromTheFirstDateAndNeverFromTheLast(t *testing.T) {
	anchor := civil.MustDate("2026-01-31")
	if step := anchor.AddMonths(1).AddMonths(1); step != civil.MustDate("2026-03-28") {
		t.Errorf("two steps: %s", step) // what a chain of steps would wrongly give
	}
	got := civil.Anniversaries(anchor, 1, 2, 6, 12)
	want := []string{"2026-02-28", "2026-03-31", "2026-07-31", "2027-01-31"}
	for i, w := range want {
		if got[i] != civil.MustDate(w) {
			t.Errorf("review %d: got %s, want %s", i, got[i], w)
		}
	}
	// Months before days, in both oracles: 31 January + 1 month + 1 day.
	if d := anchor.AddMonths(1).AddDays(1); d != civil.MustDate("2026-03-01") {
		t.Errorf("month, then day: %s", d)
	}
}

func TestDatesThatAreNotInTheCalendarAreRefused(t *testing.T) {
	for _, s := range []string{"", "2026-02-29", "2026-2-1", "0000-01-01", "2026-13-01", "10000-01-01", "2026-01-01T00:00"} {
		if d, err := civil.ParseDate(s); err == nil {
			t.Errorf("%q was read as %s", s, d)
		}
	}
	for _, d := range [][3]int{{2026, 2, 29}, {0, 1, 1}, {2026, 0, 1}, {2026, 13, 1}, {2026, 4, 31}, {2026, 1, 0}} {
		if _, err := civil.NewDate(d[0], time.Month(d[1]), d[2]); err == nil {
			t.Errorf("%v: want an error", d)
		}
	}
	for _, s := range []string{"24:01", "9:00", "09:60", "-1:00", "09:00:00", "0a:00", ""} {
		if v, err := civil.ParseTimeOfDay(s); err == nil {
			t.Errorf("%q was read as %s", s, v)
		}
	}
}

func TestDatesAgreeWithTheStandardLibraryOverFourCenturies(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		days := rapid.IntRange(-80000, 80000).Draw(t, "days from 1970-01-01")
		std := time.Date(1970, 1, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, days)
		d := civil.MustDate("1970-01-01").AddDays(days)
		if d.String() != std.Format(time.DateOnly) || d.Weekday() != std.Weekday() {
			t.Fatalf("got %s %s, want %s %s", d, d.Weekday(), std.Format(time.DateOnly), std.Weekday())
		}
		if back := civil.MustDate(d.String()); back != d || back.DaysSince(civil.MustDate("1970-01-01")) != days {
			t.Fatalf("%s does not survive being written and read", d)
		}
		months := rapid.IntRange(-600, 600).Draw(t, "months")
		moved := d.AddMonths(months)
		y, m, day := d.Parts()
		y2, m2, day2 := moved.Parts()
		if (y2*12+int(m2))-(y*12+int(m)) != months {
			t.Fatalf("%s %+d months: %s is in another month", d, months, moved)
		}
		if day2 != min(day, civil.DaysIn(y2, m2)) {
			t.Fatalf("%s %+d months: day %d", d, months, day2)
		}
	})
}

func TestNoDateStaysNoDateInJSON(t *testing.T) {
	var term civil.Term
	if err := json.Unmarshal([]byte(`{"from":"2026-01-05","hours":{"anchor":"","weeks":[]}}`), &term); err != nil {
		t.Fatal(err)
	}
	if term.From != civil.MustDate("2026-01-05") || !term.Until.IsZero() || !term.Hours.Anchor.IsZero() {
		t.Errorf("got %+v", term)
	}
	b, err := json.Marshal(civil.MustLocalTime("2026-03-29T10:05"))
	if err != nil || string(b) != `{"date":"2026-03-29","time":"10:05"}` {
		t.Errorf("%s %v", b, err)
	}
}

func FuzzParseLocalTime(f *testing.F) {
	for _, s := range []string{"2026-03-29T10:00", "2026-03-29T24:00", "2026-03-29 10:00", "T", ""} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		l, err := civil.ParseLocalTime(s)
		if err == nil && l.String() != s {
			t.Fatalf("%q was read as %s", s, l)
		}
	})
}
