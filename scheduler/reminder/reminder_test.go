package reminder

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

func at(t testing.TB, z *civil.Zone, s string) time.Time {
	t.Helper()
	when, err := time.ParseInLocation("2006-01-02 15:04", s, time.UTC)
	if err != nil {
		t.Fatal(err)
	}
	y, m, d := when.Date()
	date, err := civil.NewDate(y, m, d)
	if err != nil {
		t.Fatal(err)
	}
	return z.Resolve(civil.LocalTime{Date: date, Time: civil.TimeOfDay(when.Hour()*60 + when.Minute())})
}

func TestAnAppointmentIsRemindedOfThreeDaysAndOneDayBefore(t *testing.T) {
	z := zone(t, "Europe/London")
	a := Appointment{ID: "a1", Start: at(t, z, "2026-05-20 09:00"), BookedAt: at(t, z, "2026-05-01 12:00")}
	got := Defaults().ForAppointment(a, z)
	if len(got) != 2 || !got[0].NotBefore.Equal(at(t, z, "2026-05-17 10:00")) || !got[1].NotBefore.Equal(at(t, z, "2026-05-19 10:00")) {
		t.Fatalf("%+v", got)
	}
	a.BookedAt = at(t, z, "2026-05-18 09:00")
	if got := Defaults().ForAppointment(a, z); len(got) != 1 || !strings.HasSuffix(got[0].Occasion, "/1d") {
		t.Errorf("booked two days before: %+v", got)
	}
}

func TestANewTimeIsANewOccasion(t *testing.T) {
	z := zone(t, "Europe/London")
	p := Defaults()
	a := Appointment{ID: "a1", Start: at(t, z, "2026-05-20 09:00"), BookedAt: at(t, z, "2026-05-01 12:00")}
	before := p.ForAppointment(a, z)
	a.Sequence, a.Start = 1, at(t, z, "2026-05-21 09:00")
	for _, m := range p.ForAppointment(a, z) {
		for _, b := range before {
			if m.Occasion == b.Occasion {
				t.Errorf("%s stands for two times", m.Occasion)
			}
		}
	}
}

// Clocks: London goes forward on 29 March 2026 at 01:00 UTC and back on 25
// October 2026 at 01:00 UTC; Lord Howe moves by half an hour.
func TestQuietHoursHoldAcrossClockChanges(t *testing.T) {
	for _, row := range []struct{ zone, from, until, t, want string }{
		{"Europe/London", "20:00", "08:00", "2026-03-28 23:00", "2026-03-29 08:00"},
		{"Europe/London", "20:00", "08:00", "2026-10-24 21:00", "2026-10-25 08:00"},
		{"Europe/London", "20:00", "01:30", "2026-03-28 23:00", "2026-03-29 02:30"}, // the end is skipped by the clock
		{"Australia/Lord_Howe", "20:00", "02:15", "2026-10-03 22:00", "2026-10-04 02:45"},
		{"America/New_York", "20:00", "08:00", "2026-07-01 12:00", "2026-07-01 12:00"},
		{"America/New_York", "12:00", "14:00", "2026-07-01 12:00", "2026-07-01 14:00"},
	} {
		z := zone(t, row.zone)
		p := Policy{QuietFrom: civil.MustTimeOfDay(row.from), QuietUntil: civil.MustTimeOfDay(row.until)}
		if got, want := p.Leave(at(t, z, row.t), z), at(t, z, row.want); !got.Equal(want) {
			t.Errorf("%s %s: leaves %s, want %s", row.zone, row.t, got.UTC(), want.UTC())
		}
	}
}

func TestNothingLeavesInQuietHours(t *testing.T) {
	zones := []*civil.Zone{zone(t, "Europe/London"), zone(t, "America/New_York"), zone(t, "Australia/Lord_Howe"), zone(t, "America/Santiago")}
	rapid.Check(t, func(t *rapid.T) {
		z := rapid.SampledFrom(zones).Draw(t, "zone")
		p := Defaults()
		p.QuietFrom = civil.TimeOfDay(rapid.IntRange(17, 23).Draw(t, "from") * 60)
		p.QuietUntil = civil.TimeOfDay(rapid.IntRange(5, 10).Draw(t, "until") * 60)
		when := time.Unix(rapid.Int64Range(1767225600, 1830297600).Draw(t, "t"), 0).UTC().Truncate(time.Minute)
		leaves := p.Leave(when, z)
		if leaves.Before(when) || p.quietAt(z.Local(leaves).Time) || leaves.Sub(when) > 26*time.Hour {
			t.Fatalf("%s leaves %s, local %v", when, leaves, z.Local(leaves))
		}
	})
}

func TestAReviewIsInvitedToThreeTimesTwoToFourWeeksAhead(t *testing.T) {
	z := zone(t, "Europe/London")
	d := Due{Key: "review/1", Kind: ReviewInvitation, Target: civil.MustDate("2027-03-01"), Latest: civil.MustDate("2027-04-15")}
	got := Defaults().ForFollowUp(d, z)
	if len(got) != Attempts || !got[0].NotBefore.Equal(at(t, z, "2027-02-08 10:00")) {
		t.Fatalf("%+v", got)
	}
	d.Closed = true
	if got := Defaults().ForFollowUp(d, z); got != nil {
		t.Errorf("booked: %+v", got)
	}
}

func TestChangedTimesAndSafetyCallsAreNotHeldBack(t *testing.T) {
	z := zone(t, "Europe/London")
	night := at(t, z, "2026-05-19 22:00")
	a := Appointment{ID: "a", Start: at(t, z, "2026-05-20 09:00")}
	if m := Defaults().AtOnce(Moved, a, night, z); !m.NotBefore.Equal(night) {
		t.Errorf("a changed time waits until %s", m.NotBefore)
	}
	if m := Defaults().AtOnce(Confirmation, a, night, z); !m.NotBefore.Equal(at(t, z, "2026-05-20 08:00")) {
		t.Errorf("a confirmation leaves at %s", m.NotBefore)
	}
}

func TestTheWordingThatShipsIsCompleteAndNeutral(t *testing.T) {
	for _, k := range Kinds() {
		w, ok := Wording(k)
		if !ok {
			t.Errorf("%s has no wording", k)
			continue
		}
		if err := w.Validate(); err != nil {
			t.Errorf("%s: %v", k, err)
		}
		for _, word := range []string{"tooth", "root", "canal", "dressing", "crown"} {
			if strings.Contains(strings.ToLower(w.Subject+w.Body), word) {
				t.Errorf("%s says %q to whoever reads over the shoulder", k, word)
			}
		}
	}
}

func TestATemplateWithAnUnknownFieldIsRefused(t *testing.T) {
	for text, want := range map[string]string{
		"[tooth]": "unknown field", "[day": "not closed", "day]": "without an opening", " ": "empty",
		strings.Repeat("x", 2001): "2001 characters",
	} {
		err := Template{Kind: Upcoming, Subject: "s", Body: text}.Validate()
		var te *TemplateError
		if !errors.As(err, &te) || te.Field != "body" || !strings.Contains(te.Error(), want) {
			t.Errorf("%.20q: %v", text, err)
		}
	}
	if err := (Template{Subject: "a\r\nBcc: x", Body: "b"}).Validate(); err == nil {
		t.Error("a subject with a line break was accepted")
	}
	s, b, err := Template{Subject: "[practice]", Body: "[[x]] [day]"}.Render(map[string]string{"practice": "A\r\nBcc: b", "day": "Monday"})
	if err != nil || s != "A Bcc: b" || b != "[x] Monday" {
		t.Errorf("%q %q %v", s, b, err)
	}
}

func FuzzTemplate(f *testing.F) {
	f.Add("[practice] on [day]")
	f.Add("[[[day]]]")
	f.Fuzz(func(t *testing.T, text string) {
		tpl := Template{Subject: "s", Body: text}
		valid := tpl.Validate() == nil
		if _, _, err := tpl.Render(nil); valid && err != nil {
			t.Errorf("valid but not rendered: %v", err)
		}
	})
}
