package civil_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"github.com/visitwright/visitwright/scheduler/civil"
)

const grid = 5

func spans(text string) []civil.Span {
	var out []civil.Span
	for _, f := range strings.Fields(text) {
		from, to, _ := strings.Cut(f, "-")
		out = append(out, civil.Span{From: civil.MustTimeOfDay(from), To: civil.MustTimeOfDay(to)})
	}
	return out
}

func weekdays(text string) civil.Week {
	var w civil.Week
	for d := time.Monday; d <= time.Friday; d++ {
		w[d] = spans(text)
	}
	return w
}

func mondayToFriday() civil.Calendar {
	return civil.Calendar{Hours: civil.Always(civil.EveryWeek(weekdays("09:00-13:00 14:00-17:30")))}
}

// The dates follow from the definitions of the four rolls (FpML's FOLLOWING,
// MODFOLLOWING, PRECEDING, MODPRECEDING), Saturday and Sunday closed.
func TestADateOnAClosedDayRolls(t *testing.T) {
	c := mondayToFriday()
	for _, row := range []struct {
		name, day, want string
		roll            func(civil.Date) (civil.Date, error)
	}{
		{"next", "2026-02-28", "2026-03-02", c.Next},
		{"next unless it leaves the month", "2026-02-28", "2026-02-27", c.NextInMonth},
		{"previous", "2026-03-01", "2026-02-27", c.Previous},
		{"previous unless it leaves the month", "2026-03-01", "2026-03-02", c.PreviousInMonth},
		{"next, on a working day", "2026-02-27", "2026-02-27", c.Next},
	} {
		got, err := row.roll(civil.MustDate(row.day))
		if err != nil || got != civil.MustDate(row.want) {
			t.Errorf("%s from %s: got %s %v, want %s", row.name, row.day, got, err, row.want)
		}
	}
}

func TestAReturnDateRollsOnUnlessThatPassesTheLatestDate(t *testing.T) {
	c := mondayToFriday()
	d := civil.MustDate
	for _, row := range []struct{ day, earliest, latest, want string }{
		{"2026-02-28", "2026-02-20", "2026-03-10", "2026-03-02"},
		{"2026-02-28", "2026-02-20", "2026-03-01", "2026-02-27"},
		{"2026-02-28", "2026-02-28", "2026-03-01", ""},           // the weekend is all there is
		{"2026-02-10", "2026-02-28", "2026-03-10", "2026-03-02"}, // never before the earliest
		{"2026-03-20", "2026-02-28", "2026-03-08", "2026-03-06"}, // never after the latest
	} {
		got, err := c.NextUnlessPast(d(row.day), d(row.earliest), d(row.latest))
		if row.want == "" {
			if !errors.Is(err, civil.ErrNoWorkingDay) {
				t.Errorf("%+v: got %s %v", row, got, err)
			}
			continue
		}
		if err != nil || got != d(row.want) {
			t.Errorf("%+v: got %s %v", row, got, err)
		}
	}
}

func TestARolledDateIsTheNearestWorkingDayOnItsSide(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := mondayToFriday()
		first := civil.MustDate("2026-06-01")
		for range rapid.IntRange(0, 4).Draw(t, "closures") {
			from := first.AddDays(rapid.IntRange(0, 60).Draw(t, "from"))
			c.Closures = append(c.Closures, civil.Closure{Days: civil.DateRange{First: from, Last: from.AddDays(rapid.IntRange(0, 12).Draw(t, "length"))}})
		}
		d := first.AddDays(rapid.IntRange(0, 60).Draw(t, "day"))
		next, err := c.Next(d)
		if err != nil || !c.IsWorkingDay(next) {
			t.Fatalf("%s -> %s %v", d, next, err)
		}
		for at := d; at.Before(next); at = at.AddDays(1) {
			if c.IsWorkingDay(at) {
				t.Fatalf("%s -> %s passes over %s", d, next, at)
			}
		}
		latest := d.AddDays(rapid.IntRange(0, 9).Draw(t, "latest"))
		earliest := d.AddDays(-rapid.IntRange(0, 9).Draw(t, "earliest"))
		got, err := c.NextUnlessPast(d, earliest, latest)
		any := false
		for at := earliest; !at.After(latest); at = at.AddDays(1) {
			any = any || c.IsWorkingDay(at)
		}
		if any != (err == nil) || err == nil && (got.Before(earliest) || got.After(latest) || !c.IsWorkingDay(got)) {
			t.Fatalf("%s within %s to %s: got %s %v, a working day exists: %v", d, earliest, latest, got, err, any)
		}
	})
}

func TestAlternatingWeeksCountFromTheAnchorInBothDirections(t *testing.T) {
	h := civil.Hours{Anchor: civil.MustDate("2026-01-07"), Weeks: []civil.Week{weekdays("08:00-12:00"), weekdays("12:00-18:00")}}
	if err := h.Validate(grid); err != nil {
		t.Fatal(err)
	}
	for day, want := range map[string]string{
		"2026-01-05": "08:00-12:00", // Monday of the anchor's week
		"2026-01-09": "08:00-12:00",
		"2026-01-12": "12:00-18:00",
		"2026-01-19": "08:00-12:00",
		"2025-12-29": "12:00-18:00",
		"2025-12-22": "08:00-12:00",
		"2026-12-28": "12:00-18:00", // 51 weeks later, across the turn of the year
	} {
		if got := fmt.Sprint(h.On(civil.MustDate(day))); got != "["+want+"]" {
			t.Errorf("%s: got %s, want %s", day, got, want)
		}
	}
	if len(h.On(civil.MustDate("2026-01-11"))) != 0 {
		t.Error("Sunday is closed")
	}
}

func TestHoursAreCorrectedByClosuresAndThoseByOpenings(t *testing.T) {
	c := mondayToFriday()
	lunch := civil.Span{From: civil.MustTimeOfDay("12:00"), To: civil.MustTimeOfDay("15:00")}
	day := civil.MustDate("2026-06-03")
	c.Closures = []civil.Closure{
		{Days: civil.DateRange{First: day, Last: day}, Part: &lunch, Reason: "staff meeting"},
		{Days: civil.DateRange{First: civil.MustDate("2026-06-04"), Last: civil.MustDate("2026-06-05")}, Reason: "painting"},
	}
	c.Openings = []civil.Opening{{Date: civil.MustDate("2026-06-05"), Spans: spans("10:00-12:00"), Reason: "emergencies"}}
	c.Hours = append(c.Hours, civil.Term{From: civil.MustDate("2026-07-01"), Hours: civil.EveryWeek(weekdays("07:00-11:00"))})
	if err := c.Validate(grid); err != nil {
		t.Fatal(err)
	}
	for d, want := range map[string]string{
		"2026-06-02": "[09:00-13:00 14:00-17:30]",
		"2026-06-03": "[09:00-12:00 15:00-17:30]",
		"2026-06-04": "[]",
		"2026-06-05": "[10:00-12:00]",
		"2026-06-06": "[]",
		"2026-07-01": "[07:00-11:00]",
	} {
		if got := fmt.Sprint(c.Spans(civil.MustDate(d))); got != want {
			t.Errorf("%s: got %s, want %s", d, got, want)
		}
	}
	if cl, ok := c.Closed(civil.MustDate("2026-06-04")); !ok || cl.Reason != "painting" {
		t.Errorf("the closure is named: %+v %v", cl, ok)
	}
	if _, ok := c.Closed(civil.MustDate("2026-06-05")); ok {
		t.Error("an opening wins over a closure")
	}
}

func TestHoursThatCannotBeAreRefusedAndTheErrorSaysWhatWouldBeRight(t *testing.T) {
	ok := mondayToFriday()
	for _, row := range []struct {
		want string
		c    civil.Calendar
	}{
		{"want an end after the start", civil.Calendar{Hours: civil.Always(civil.EveryWeek(weekdays("17:00-09:00")))}},
		{"grid of 5 minutes", civil.Calendar{Hours: civil.Always(civil.EveryWeek(weekdays("09:02-17:00")))}},
		{"they overlap", civil.Calendar{Hours: civil.Always(civil.EveryWeek(weekdays("09:00-13:00 12:55-17:00")))}},
		{"need an anchor", civil.Calendar{Hours: civil.Always(civil.Hours{Weeks: make([]civil.Week, 2)})}},
		{"want 1 to 8", civil.Calendar{Hours: civil.Always(civil.Hours{})}},
		{"comes before from", civil.Calendar{Hours: civil.Timetable{{From: civil.MustDate("2026-02-01"), Until: civil.MustDate("2026-01-01"), Hours: ok.Hours[0].Hours}}}},
		{"want 2026-02-01 or later", civil.Calendar{Hours: ok.Hours, Closures: []civil.Closure{{Days: civil.DateRange{First: civil.MustDate("2026-02-01"), Last: civil.MustDate("2026-01-01")}}}}},
		{"both a first and a last day", civil.Calendar{Hours: ok.Hours, Closures: []civil.Closure{{}}}},
		{"the date is missing", civil.Calendar{Hours: ok.Hours, Openings: []civil.Opening{{}}}},
		{"already has one", civil.Calendar{Hours: ok.Hours, Openings: []civil.Opening{{Date: civil.MustDate("2026-02-01")}, {Date: civil.MustDate("2026-02-01")}}}},
	} {
		if err := row.c.Validate(grid); err == nil || !strings.Contains(err.Error(), row.want) {
			t.Errorf("want an error with %q, got %v", row.want, err)
		}
	}
	if _, err := (civil.Calendar{}).Next(civil.MustDate("2026-01-01")); !errors.Is(err, civil.ErrNoWorkingDay) {
		t.Errorf("a practice that never opens: %v", err)
	}
	if _, err := civil.NewInterval(instant(t, "2026-01-01T10:00:00Z"), instant(t, "2026-01-01T10:00:00Z")); err == nil {
		t.Error("an interval without length was accepted")
	}
}
