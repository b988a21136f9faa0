package diary_test

import (
	"errors"
	"testing"
	"time"

	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/scheduler/diary"
)

// nightPractice is open from midnight to six, when clocks change.
func nightPractice(z *civil.Zone) *diary.Practice {
	return &diary.Practice{
		Zone:       z,
		Calendar:   civil.Calendar{Hours: civil.Always(everyDay(span(0, 360)))},
		Rooms:      []diary.Room{{ID: "1"}},
		Clinicians: []diary.Clinician{{ID: "Amber", Protocols: []string{"emergency-relief"}}},
	}
}

// The days of both changes of 2026 and the hours of the day, from the zone
// database 2026f. Sydney and Lord Howe lie in the south; Lord Howe changes by
// half an hour.
var changeDays = []struct {
	zone, day string
	minutes   int
}{
	{"Europe/London", "2026-03-29", 23 * 60}, {"Europe/London", "2026-10-25", 25 * 60},
	{"America/New_York", "2026-03-08", 23 * 60}, {"America/New_York", "2026-11-01", 25 * 60},
	{"Australia/Sydney", "2026-10-04", 23 * 60}, {"Australia/Sydney", "2026-04-05", 25 * 60},
	{"Australia/Lord_Howe", "2026-10-04", 23*60 + 30}, {"Australia/Lord_Howe", "2026-04-05", 24*60 + 30},
	{"Pacific/Auckland", "2026-09-27", 23 * 60}, {"Pacific/Auckland", "2026-04-05", 25 * 60},
}

func TestOnTheDayOfAClockChangeEveryOfferBeginsAtOneTimeOnly(t *testing.T) {
	for _, row := range changeDays {
		z := zone(t, row.zone)
		day := civil.MustDate(row.day)
		p := nightPractice(z)
		m, err := diary.Build(p, day.AddDays(-2), 5, 1, nil)
		if err != nil {
			t.Fatal(err)
		}
		v := diary.Visit{Protocol: "emergency-relief", Minutes: 60, Parts: []diary.Part{{Needs: diary.KindRoom, To: 60}, {Needs: diary.KindClinician, To: 60}}, Window: diary.AnyDay}
		req := &diary.Request{Now: z.Day(day.AddDays(-2)).Start, Visits: []diary.Visit{v}, Best: 100, FirstAvailable: true}
		req.Wishes.NotBefore, req.Wishes.NotAfter = day, day
		offered := map[time.Time]bool{}
		for _, o := range search(t, m, req) {
			pl := o.Places[0]
			offered[pl.Chair.Start] = true
			at, err := z.Strict(pl.Local)
			if err != nil || !at.Equal(pl.Chair.Start) {
				t.Errorf("%s: offers %s at %s: %v", row.zone, pl.Local, pl.Chair.Start, err)
			}
			if pl.Chair.Minutes() != 60 || pl.Day != day {
				t.Errorf("%s: %s for %d minutes on %s", row.zone, pl.Local, pl.Chair.Minutes(), pl.Day)
			}
		}
		// What the zone database allows: every five minutes of real time from
		// midnight on, while the wall shows less than six o'clock an hour later,
		// but not a reading that comes twice.
		in, want := z.Day(day), 0
		if in.Minutes() != row.minutes {
			t.Errorf("%s %s has %d minutes, want %d", row.zone, row.day, in.Minutes(), row.minutes)
		}
		for at := in.Start; at.Before(in.End); at = at.Add(5 * time.Minute) {
			_, err := z.Strict(z.Local(at))
			if err == nil && z.Local(at.Add(55*time.Minute)).Time < 360 && z.Local(at).Time < 360 {
				want++
				if !offered[at] {
					t.Errorf("%s: %s is free and not offered", row.zone, z.Local(at))
				}
			}
		}
		if len(offered) != want || want < 30 {
			t.Errorf("%s %s: %d starts offered, the zone database allows %d", row.zone, row.day, len(offered), want)
		}
	}
}

func TestADayLaterIsTheNextCalendarDayAtTheSameReadingOfTheWall(t *testing.T) {
	for _, row := range changeDays {
		z := zone(t, row.zone)
		day := civil.MustDate(row.day)
		p := nightPractice(z)
		m, err := diary.Build(p, day.AddDays(-1), 4, 1, nil)
		if err != nil {
			t.Fatal(err)
		}
		parts := []diary.Part{{Needs: diary.KindRoom, To: 30}, {Needs: diary.KindClinician, To: 30}}
		first := diary.Visit{Protocol: "emergency-relief", Minutes: 30, Parts: parts, Window: diary.AnyDay}
		second := first
		second.Window = diary.Window{Earliest: 1, Target: 1, Latest: 1}
		req := &diary.Request{Now: z.Day(day.AddDays(-1)).Start, Visits: []diary.Visit{first, second}, Best: 1, Weights: diary.Ordinary}
		// Only 05:00 to 05:30, on the day before and on the day itself.
		req.Wishes.Suits = []diary.Suit{{Days: diary.EveryDay, Span: span(300, 330)}}
		req.Wishes.NotAfter = day
		offers := search(t, m, req)
		if len(offers) != 1 {
			t.Errorf("%s: %d offers", row.zone, len(offers))
			continue
		}
		a, b := offers[0].Places[0], offers[0].Places[1]
		if a.Local.Time != 300 || b.Local.Time != 300 || b.Day.DaysSince(a.Day) != 1 {
			t.Errorf("%s: %s and %s", row.zone, a.Local, b.Local)
		}
		if got := int(b.Chair.Start.Sub(a.Chair.Start) / time.Minute); got != row.minutes {
			t.Errorf("%s: %d minutes of real time lie between them, want %d", row.zone, got, row.minutes)
		}
	}
}

func TestABookingThroughTheNightOfAClockChangeTakesItsRealTime(t *testing.T) {
	for _, row := range changeDays {
		z := zone(t, row.zone)
		day := civil.MustDate(row.day)
		p := nightPractice(z)
		in := civil.Interval{Start: z.Resolve(civil.LocalTime{Date: day, Time: 0}), End: z.Resolve(civil.LocalTime{Date: day, Time: 360})}
		b := diary.Booking{ID: "night", Chair: in, Holds: []diary.Hold{{Resource: diary.Ref{Kind: diary.KindRoom, ID: "1"}, Time: in}}}
		m, err := diary.Build(p, day, 1, 1, []diary.Booking{b})
		if err != nil {
			t.Fatal(err)
		}
		if free, _ := m.Free(b.Holds[0].Resource, day); !free.Empty() {
			t.Errorf("%s %s: %d cells are left over", row.zone, row.day, free.Count())
		}
		if want := row.minutes - 18*60; in.Minutes() != want {
			t.Errorf("%s: midnight to six took %d minutes, want %d", row.zone, in.Minutes(), want)
		}
	}
}

func TestAStartPickedByHandInAGapOrAnOverlapIsRefused(t *testing.T) {
	for _, row := range []struct {
		zone, local string
		kind        error
	}{
		{"Europe/London", "2026-03-29T01:30", civil.ErrGap},
		{"Europe/London", "2026-10-25T01:30", civil.ErrOverlap},
		{"Australia/Lord_Howe", "2026-10-04T02:15", civil.ErrGap},
		{"Australia/Lord_Howe", "2026-04-05T01:45", civil.ErrOverlap},
	} {
		z := zone(t, row.zone)
		local := civil.MustLocalTime(row.local)
		m, err := diary.Build(nightPractice(z), local.Date, 1, 1, nil)
		if err != nil {
			t.Fatal(err)
		}
		v := diary.Visit{Protocol: "emergency-relief", Minutes: 30, Parts: []diary.Part{{Needs: diary.KindRoom, To: 30}, {Needs: diary.KindClinician, To: 30}}, Window: diary.AnyDay}
		req := &diary.Request{Now: z.Day(local.Date).Start, Visits: []diary.Visit{v}, Best: 1}
		_, warnings, err := m.PlaceByHand(req, diary.ByHand{Local: local, Clinician: "Amber", Room: "1"})
		if err != nil || len(warnings) != 1 || warnings[0].Code != diary.WarnClock || !warnings[0].Refused {
			t.Errorf("%s %s: %+v %v", row.zone, row.local, warnings, err)
		}
		if _, err := z.Strict(local); !errors.Is(err, row.kind) {
			t.Errorf("%s %s: %v", row.zone, row.local, err)
		}
	}
}
