package civil_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"github.com/visitwright/visitwright/scheduler/civil"
)

func zone(t testing.TB, name string) *civil.Zone {
	t.Helper()
	z, err := civil.Embedded().Zone(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

func instant(t testing.TB, s string) time.Time {
	t.Helper()
	at, err := time.Parse(time.RFC3339, s)
	if err != nil {
		t.Fatal(err)
	}
	return at.UTC()
}

// What RFC 5545 section 3.3.5 asks for; the instants are those of the Temporal
// polyfill 0.5.1 ("compatible"). The first two rows are the RFC's own examples.
// Go's time.Date differs in rows 1, 4, 6 and 7.
var clockChanges = []struct {
	zone, local, want string
	kind              error
}{
	{"America/New_York", "2007-03-11T02:30", "2007-03-11T03:30:00-04:00", civil.ErrGap},
	{"America/New_York", "2007-11-04T01:30", "2007-11-04T01:30:00-04:00", civil.ErrOverlap},
	{"Europe/London", "2026-03-29T01:30", "2026-03-29T02:30:00+01:00", civil.ErrGap},
	{"Europe/London", "2026-10-25T01:30", "2026-10-25T01:30:00+01:00", civil.ErrOverlap},
	{"Australia/Lord_Howe", "2026-10-04T02:15", "2026-10-04T02:45:00+11:00", civil.ErrGap},
	{"Australia/Lord_Howe", "2026-04-05T01:45", "2026-04-05T01:45:00+11:00", civil.ErrOverlap},
	{"America/Sao_Paulo", "2018-11-04T00:00", "2018-11-04T01:00:00-02:00", civil.ErrGap},
	{"Africa/Cairo", "2026-04-24T00:00", "2026-04-24T01:00:00+03:00", civil.ErrGap},
	{"Pacific/Apia", "2011-12-30T10:00", "2011-12-31T10:00:00+14:00", civil.ErrGap},
	{"Pacific/Chatham", "2026-09-27T03:00", "2026-09-27T04:00:00+13:45", civil.ErrGap},
}

func TestATimeTakenInFromElsewhereIsResolvedAsRFC5545Says(t *testing.T) {
	for _, row := range clockChanges {
		want := instant(t, row.want)
		if got := zone(t, row.zone).Resolve(civil.MustLocalTime(row.local)); !got.Equal(want) {
			t.Errorf("%s %s: got %s, want %s", row.zone, row.local, got, row.want)
		}
	}
}

func TestABookingIsRefusedAtATimeThatTheClockSkipsOrRepeats(t *testing.T) {
	for _, row := range clockChanges {
		_, err := zone(t, row.zone).Strict(civil.MustLocalTime(row.local))
		var change *civil.ClockChangeError
		if !errors.As(err, &change) || !errors.Is(err, row.kind) {
			t.Errorf("%s %s: got %v, want %v", row.zone, row.local, err, row.kind)
			continue
		}
		if !change.First.Equal(instant(t, row.want)) {
			t.Errorf("%s %s: first meaning %s", row.zone, row.local, change.First)
		}
		// The error says what would be right, and that is right.
		text := err.Error()
		example := text[strings.LastIndex(text, " ")+1:]
		if _, err := zone(t, row.zone).Strict(civil.MustLocalTime(example)); err != nil {
			t.Errorf("%s: the example in %q is refused too: %v", row.zone, text, err)
		}
	}
	if u, err := zone(t, "Europe/London").Strict(civil.MustLocalTime("2026-03-29T02:00")); err != nil || !u.Equal(instant(t, "2026-03-29T01:00:00Z")) {
		t.Errorf("the first minute after the change: %s %v", u, err)
	}
}

// Instants of the changes of 2026 and 2027 in release 2026f.
func TestChangesOfTheClockAreThoseOfTheRelease(t *testing.T) {
	if v := civil.Embedded().Version(); v != "2026f" {
		t.Fatalf("zone database %s: this table is that of 2026f; check each row against the new release's NEWS", v)
	}
	for name, want := range map[string]string{
		"Europe/London":       "2026-03-29T01 2026-10-25T01 2027-03-28T01 2027-10-31T01",
		"Europe/Berlin":       "2026-03-29T01 2026-10-25T01 2027-03-28T01 2027-10-31T01",
		"Europe/Dublin":       "2026-03-29T01 2026-10-25T01 2027-03-28T01 2027-10-31T01",
		"America/New_York":    "2026-03-08T07 2026-11-01T06 2027-03-14T07 2027-11-07T06",
		"Australia/Sydney":    "2026-04-04T16 2026-10-03T16",
		"Australia/Lord_Howe": "2026-04-04T15 2026-10-03T15:30",
		"Pacific/Auckland":    "2026-04-04T14 2026-09-26T14",
		"Pacific/Chatham":     "2026-04-04T14 2026-09-26T14",
		"Africa/Cairo":        "2026-04-23T22 2026-10-29T21",
		"Asia/Jerusalem":      "2026-03-27T00 2026-10-24T23",
		"America/Santiago":    "2026-04-05T03 2026-09-06T04",
		"Antarctica/Troll":    "2026-03-29T01 2026-10-25T01",
		"America/Vancouver":   "2026-03-08T10",
		"Africa/Casablanca":   "2026-02-15T02 2026-03-22T02 2026-09-20T01",
	} {
		rows := strings.Fields(want)
		end := "2027-01-01T00:00:00Z"
		if len(rows) == 4 {
			end = "2028-01-01T00:00:00Z"
		}
		got := zone(t, name).Changes(civil.Interval{Start: instant(t, "2026-01-01T00:00:00Z"), End: instant(t, end)})
		var text []string
		for _, at := range got {
			text = append(text, strings.TrimSuffix(at.Format("2006-01-02T15:04"), ":00"))
		}
		if s := strings.Join(text, " "); s != want {
			t.Errorf("%s: got %s, want %s", name, s, want)
		}
	}
}

// A zone that changed its winter offset and gave up summer time in one night is
// where a compiler of zone files was seen to go wrong: at 02:00 on 30 October
// 2022 Ojinaga went from Mountain summer time to Central standard time, which
// read the same (its rows in tzdata 2026f).
func TestOjinagaKeptItsWallWhenItChangedZone(t *testing.T) {
	z := zone(t, "America/Ojinaga")
	for _, at := range []string{"2022-10-30T07:00:00Z", "2022-10-30T09:00:00Z", "2022-11-20T12:00:00Z"} {
		if got := z.Offset(instant(t, at)); got != -6*3600 {
			t.Errorf("%s: %d seconds, want -21600", at, got)
		}
	}
	if got := z.Day(civil.MustDate("2022-10-30")).Minutes(); got != 1440 {
		t.Errorf("30 October 2022 had %d minutes, want 1440", got)
	}
}

func TestADayHasTwentyThreeToTwentyFiveHours(t *testing.T) {
	for _, row := range []struct {
		zone, day string
		minutes   int
		first     string // what the wall shows when the day begins
	}{
		{"Europe/London", "2026-03-28", 1440, "00:00"},
		{"Europe/London", "2026-03-29", 1380, "00:00"},
		{"Europe/London", "2026-10-25", 1500, "00:00"},
		{"America/New_York", "2026-03-08", 1380, "00:00"},
		{"America/New_York", "2026-11-01", 1500, "00:00"},
		{"Australia/Sydney", "2026-04-05", 1500, "00:00"},
		{"Australia/Sydney", "2026-10-04", 1380, "00:00"},
		{"Australia/Lord_Howe", "2026-10-04", 1410, "00:00"},
		{"Australia/Lord_Howe", "2026-04-05", 1470, "00:00"},
		{"America/Sao_Paulo", "2018-11-04", 1380, "01:00"},
		{"Africa/Cairo", "2026-04-24", 1380, "01:00"},
		{"Pacific/Apia", "2011-12-30", 0, "00:00"},
		{"America/Havana", "2025-11-02", 1500, "00:00"},
	} {
		z := zone(t, row.zone)
		day := z.Day(civil.MustDate(row.day))
		if got := day.Minutes(); got != row.minutes {
			t.Errorf("%s %s: %d minutes, want %d", row.zone, row.day, got, row.minutes)
		}
		if got := z.Local(day.Start).Time.String(); got != row.first {
			t.Errorf("%s %s begins at %s, want %s", row.zone, row.day, got, row.first)
		}
	}
}

func TestADayLaterKeepsTheReadingOfTheWall(t *testing.T) {
	z := zone(t, "Europe/London")
	start := civil.MustLocalTime("2026-03-28T10:00")
	next := z.Resolve(civil.LocalTime{Date: start.Date.AddDays(1), Time: start.Time})
	if !next.Equal(instant(t, "2026-03-29T10:00:00+01:00")) {
		t.Errorf("a day later: %s", next)
	}
	if got := z.Local(z.Resolve(start).Add(24 * time.Hour)).String(); got != "2026-03-29T11:00" {
		t.Errorf("24 hours later: %s", got)
	}
}

// After 2037 Go works zones out by rule and takes every year to have 365 days:
// its ZoneBounds never gets past the last day of a leap year.
func TestTheLastDayOfALeapYearFarAheadIsADayLikeAnother(t *testing.T) {
	for _, name := range sampleZones {
		z := zone(t, name)
		for _, year := range []string{"2040", "2044", "2048"} {
			day := z.Day(civil.MustDate(year + "-12-31"))
			if got := day.Minutes(); got != 1440 {
				t.Errorf("%s: 31 December %s has %d minutes, want 1440", name, year, got)
			}
			noon := civil.MustLocalTime(year + "-12-31T12:00")
			if _, err := z.Strict(noon); err != nil {
				t.Errorf("%s: noon on 31 December %s: %v", name, year, err)
			}
			whole := civil.Interval{Start: day.Start.Add(-48 * time.Hour), End: day.End.Add(48 * time.Hour)}
			if got := z.Changes(whole); len(got) != 0 {
				t.Errorf("%s: changes around 31 December %s: %v, want none", name, year, got)
			}
		}
	}
}

var sampleZones = []string{"Europe/London", "America/New_York", "Australia/Sydney", "Australia/Lord_Howe", "Pacific/Chatham",
	"Antarctica/Troll", "Asia/Kathmandu", "Africa/Casablanca", "America/Sao_Paulo", "Pacific/Apia", "America/St_Johns", "UTC"}

func TestDaysFollowOneAnotherWithoutAHoleOrAShare(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		z, err := civil.Embedded().Zone(rapid.SampledFrom(sampleZones).Draw(t, "zone"))
		if err != nil {
			t.Fatal(err)
		}
		d := civil.MustDate("1990-01-01").AddDays(rapid.IntRange(0, 20000).Draw(t, "day"))
		day := z.Day(d)
		if !day.End.Equal(z.Day(d.AddDays(1)).Start) {
			t.Fatalf("%s %s: the next day does not begin where it ends", z.Name(), d)
		}
		if m := day.Minutes(); m != 0 && (m < 22*60 || m > 26*60) {
			t.Fatalf("%s %s: %d minutes", z.Name(), d, m)
		}
	})
}

func TestEveryInstantIsAMeaningOfTheLocalTimeThatItShows(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		z, err := civil.Embedded().Zone(rapid.SampledFrom(sampleZones).Draw(t, "zone"))
		if err != nil {
			t.Fatal(err)
		}
		u := time.Unix(rapid.Int64Range(631152000, 2208988800).Draw(t, "instant")/60*60, 0).UTC()
		local := z.Local(u)
		first := z.Resolve(local)
		if z.Local(first) != local || first.After(u) {
			t.Fatalf("%s %s shows %s, which resolves to %s", z.Name(), u, local, first)
		}
		strict, err := z.Strict(local)
		switch {
		case err == nil && !strict.Equal(u):
			t.Fatalf("%s %s: the only meaning is %s", z.Name(), u, strict)
		case err != nil && !errors.Is(err, civil.ErrOverlap):
			t.Fatalf("%s %s: %v", z.Name(), u, err)
		}
		if std := u.In(z.Location()); std.Hour()*60+std.Minute() != local.Time.Minutes() {
			t.Fatalf("%s %s: package time shows %s", z.Name(), u, std)
		}
	})
}

func TestOnlyNamesOfTheZoneDatabaseAreZones(t *testing.T) {
	for _, name := range []string{"", "Local", "GMT+25", "+01:00", "Europe/Nowhere", "../etc/passwd", "+VERSION", "europe/london"} {
		if _, err := civil.Embedded().Zone(name); err == nil {
			t.Errorf("%q was taken as a zone", name)
		}
	}
	for _, junk := range [][]byte{nil, []byte("not a zip")} {
		if _, err := civil.ParseDatabase(junk); err == nil {
			t.Errorf("%q was read as a database", junk)
		}
	}
}
