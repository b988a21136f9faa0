package scheduler_test

import (
	"testing"
	"time"

	"google.golang.org/grpc/codes"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/civil"
)

// Both clock changes of a year, through the service, in four zones: one in the
// southern hemisphere, one whose clock changes by half an hour. The instants are
// those of the zone database (transitions as tabled for 2026 in tzdata 2026).
func TestClockChangesAreKeptToInFourZones(t *testing.T) {
	for _, z := range []struct {
		zone               string
		now                string // before the change
		gap, gapResolved   string // a local time that the clock skips; what RFC 5545 makes of it
		gapUTC             string
		twice, twiceUTC    string // a local time that comes twice; its first occurrence
		shortDay, shortMin string // the day with the gap and its length
		before, after      string // an hour that crosses the gap: its start and its end
	}{
		{"Europe/Vienna", "2026-01-10T08:00:00Z", "2026-03-29 02:30", "2026-03-29T03:30", "2026-03-29T01:30:00Z", "2026-10-25 02:30", "2026-10-25T00:30:00Z", "2026-03-29", "23h0m0s", "2026-03-29 01:30", "2026-03-29T03:30"},
		{"America/New_York", "2026-01-10T08:00:00Z", "2026-03-08 02:30", "2026-03-08T03:30", "2026-03-08T07:30:00Z", "2026-11-01 01:30", "2026-11-01T05:30:00Z", "2026-03-08", "23h0m0s", "2026-03-08 01:30", "2026-03-08T03:30"},
		{"Australia/Sydney", "2026-01-10T08:00:00Z", "2026-10-04 02:30", "2026-10-04T03:30", "2026-10-03T16:30:00Z", "2026-04-05 02:30", "2026-04-04T15:30:00Z", "2026-10-04", "23h0m0s", "2026-10-04 01:30", "2026-10-04T03:30"},
		{"Australia/Lord_Howe", "2026-01-10T08:00:00Z", "2026-10-04 02:15", "2026-10-04T02:45", "2026-10-03T15:45:00Z", "2026-04-05 01:45", "2026-04-04T14:45:00Z", "2026-10-04", "23h30m0s", "2026-10-04 01:30", "2026-10-04T03:00"},
	} {
		t.Run(z.zone, func(t *testing.T) {
			now, err := time.Parse(time.RFC3339, z.now)
			if err != nil {
				t.Fatal(err)
			}
			h := newHouse(t, options{zone: z.zone, now: now})
			h.hours("practices/"+willow, 0, 24, 1, 2, 3, 4, 5, 6, 7)
			// Our own bookings begin at one instant or not at all.
			_, err = h.byHand(t.Context(), h.patient, z.gap, 30)
			h.want(err, codes.InvalidArgument, "TIME_IN_GAP")
			_, err = h.byHand(t.Context(), h.patient, z.twice, 30)
			h.want(err, codes.InvalidArgument, "TIME_AMBIGUOUS")
			// What comes from elsewhere is resolved as RFC 5545, 3.3.5 says.
			for _, x := range []struct{ key, start, want, utc string }{{"gap", z.gap, z.gapResolved, z.gapUTC}, {"twice", z.twice, at2(z.twice), z.twiceUTC}} {
				got := h.takeIn(h.external(x.key, x.start, 30, h.anna))[0]
				a, err := h.client.GetAppointment(t.Context(), &vw.GetAppointmentRequest{Name: got.GetAppointment()})
				h.must(err)
				s := a.GetPlace().GetStart()
				if said(s) != x.want || s.GetInstantTime().AsTime().Format(time.RFC3339) != x.utc || s.GetZone() != z.zone || s.GetZoneDatabase() != civil.Embedded().Version() {
					t.Errorf("%s taken in as %s, %s", x.start, said(s), s.GetInstantTime().AsTime().Format(time.RFC3339))
				}
			}
			// An hour of real time that crosses the gap ends at the wall's later time.
			b, err := h.byHand(t.Context(), h.patient, z.before, 60)
			h.must(err)
			s := b.GetAppointments()[0].GetPlace().GetStart().GetInstantTime().AsTime()
			if end := h.zone.Local(s.Add(time.Hour)).String(); end != z.after {
				t.Errorf("an hour from %s ends at %s, want %s", z.before, end, z.after)
			}
			d := civilDate(day(z.shortDay))
			if l := h.zone.Day(d).End.Sub(h.zone.Day(d).Start); l.String() != z.shortMin {
				t.Errorf("%s has %v, want %s", z.shortDay, l, z.shortMin)
			}
			// Offers around both changes begin at one instant each, and what is
			// offered is what is booked.
			for _, change := range []string{z.gap, z.twice} {
				on := at(change).GetDate()
				got := h.offers(h.patient2, []*vw.VisitToPlace{{Unplanned: &vw.UnplannedVisit{Protocol: "consultation", Minutes: 30}}},
					&vw.OfferWishes{NotBefore: on, NotAfter: on, Times: []*vw.DaySpan{{FromMinute: 0, ToMinute: 6 * 60}}})
				if len(got.GetOffers()) == 0 {
					t.Fatalf("no offers on %v", on)
				}
				for _, o := range got.GetOffers() {
					s := o.GetPlaces()[0].GetPlace().GetStart()
					l := civil.MustLocalTime(said(s))
					strict, err := h.zone.Strict(l)
					if err != nil || !strict.Equal(s.GetInstantTime().AsTime()) {
						t.Errorf("offered %s, %v: %v", l, s.GetInstantTime().AsTime(), err)
					}
				}
				b, err := h.bookToken(h.patient2, got.GetOffers()[0].GetToken(), 0)
				h.must(err)
				if !b.GetAppointments()[0].GetPlace().GetStart().GetInstantTime().AsTime().Equal(got.GetOffers()[0].GetPlaces()[0].GetPlace().GetStart().GetInstantTime().AsTime()) {
					t.Errorf("booked %v", b)
				}
			}
		})
	}
}

func at2(text string) string { return text[:10] + "T" + text[11:] }
