package diary_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/scheduler/diary"
)

const year = 365

// The figures to reach.
const (
	fasterThanScan = 100
	mostWarm       = time.Millisecond
)

func fullness(m *diary.Masks, p *diary.Practice, bookings []diary.Booking, k diary.Kind, n int) float64 {
	held := 0
	for _, b := range bookings {
		for _, h := range b.Holds {
			if h.Resource.Kind == k {
				held += h.Time.Minutes()
			}
		}
	}
	open := 0
	for d := range year {
		for _, s := range p.Calendar.Spans(m.Days().First.AddDays(d)) {
			open += int(s.To - s.From)
		}
	}
	return float64(held) / float64(open*n)
}

func TestTheBusyPracticeIsAsFullAsItClaims(t *testing.T) {
	p, first, bookings := busyPractice(t, year)
	m, err := diary.Build(p, first, year, 1, bookings)
	if err != nil {
		t.Fatal(err)
	}
	for k, n := range map[diary.Kind]int{diary.KindRoom: 20, diary.KindClinician: 10} {
		if f := fullness(m, p, bookings, k, n); f < 0.84 || f > 0.86 {
			t.Errorf("%s time is %.1f %% full, want 85", k, 100*f)
		}
	}
}

// sameAsScan fails unless both found the same sets in the same order.
func sameAsScan(t testing.TB, p *diary.Practice, first civil.Date, pairs []foundPair, offers []diary.Offer) {
	t.Helper()
	if len(pairs) != len(offers) || len(pairs) == 0 {
		t.Fatalf("%d offers, interval scanning finds %d", len(offers), len(pairs))
	}
	text := func(f found, minutes int) string {
		return fmt.Sprintf("%sT%s %d min, %s, room %s, nurse %s, microscope %s", first.AddDays(f.day), civil.TimeOfDay(f.start), minutes,
			p.Clinicians[f.clinician].ID, p.Rooms[f.room].ID, p.Nurses[f.nurse].ID, p.Units[f.unit].ID)
	}
	for i, w := range pairs {
		g := offers[i]
		want := text(w.a, 90) + "; " + text(w.b, 60)
		got := g.Places[0].String() + "; " + g.Places[1].String()
		if got != want || g.Cost.Sum() != w.cost {
			t.Fatalf("offer %d:\n got %s at %d\nwant %s at %d", i, got, g.Cost.Sum(), want, w.cost)
		}
	}
}

func TestAYearOfABusyPracticeGivesTheSameOffersAsIntervalScanning(t *testing.T) {
	p, first, bookings := busyPractice(t, year)
	m, err := diary.Build(p, first, year, 1, bookings)
	if err != nil {
		t.Fatal(err)
	}
	s := newScanner(p, m, first, year)
	for _, firstWeeks := range []bool{true, false} {
		for _, s.stops = range []bool{true, false} {
			req := busyRequest(p, first, firstWeeks)
			got, err := m.Search(req)
			if err != nil {
				t.Fatal(err)
			}
			sameAsScan(t, p, first, s.search(req, first), got.Offers)
		}
	}
}

func BenchmarkOffers(b *testing.B) {
	p, first, bookings := busyPractice(b, year)
	m, err := diary.Build(p, first, year, 1, bookings)
	if err != nil {
		b.Fatal(err)
	}
	s := newScanner(p, m, first, year)
	for _, row := range []struct {
		name       string
		firstWeeks bool
		// flat takes away the costs of waiting and of distance from the target,
		// so that no day can be left out and the whole year is looked at.
		flat bool
	}{{"any-day", true, false}, {"first-weeks-ruled-out", false, false}, {"no-day-left-out", true, true}} {
		req := busyRequest(p, first, row.firstWeeks)
		if row.flat {
			req.Weights.WaitDay, req.Weights.Early, req.Weights.Late = 0, 0, 0
		}
		b.Run(row.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if got, err := m.Search(req); err != nil || len(got.Offers) != 10 {
					b.Fatal(len(got.Offers), err)
				}
			}
			warm := b.Elapsed() / time.Duration(b.N)
			if !row.flat && warm > mostWarm {
				b.Errorf("%s with masks in memory, want less than %s", warm, mostWarm)
			}
			for _, s.stops = range []bool{false, true} {
				begin, runs := time.Now(), 0
				var pairs []foundPair
				for ; runs == 0 || time.Since(begin) < 500*time.Millisecond; runs++ {
					pairs = s.search(req, first)
				}
				scan := time.Since(begin) / time.Duration(runs)
				got, _ := m.Search(req)
				sameAsScan(b, p, first, pairs, got.Offers)
				name := "times-faster-than-scan"
				if s.stops {
					name = "times-faster-than-scan-that-stops"
				}
				b.ReportMetric(float64(scan)/float64(warm), name)
				if !s.stops && !row.flat && scan < fasterThanScan*warm {
					b.Errorf("only %.0f times faster than interval scanning, want %d", float64(scan)/float64(warm), fasterThanScan)
				}
				b.ReportMetric(float64(scan.Microseconds()), "scan-us")
			}
		})
	}
	// The same right after the masks were built: nothing is known from earlier
	// searches.
	b.Run("first-search-of-all", func(b *testing.B) {
		req := busyRequest(p, first, true)
		for b.Loop() {
			m.Forget()
			if got, err := m.Search(req); err != nil || len(got.Offers) != 10 {
				b.Fatal(len(got.Offers), err)
			}
		}
	})
	b.Run("first-search-of-all-no-day-left-out", func(b *testing.B) {
		req := busyRequest(p, first, true)
		req.Weights.WaitDay, req.Weights.Early, req.Weights.Late = 0, 0, 0
		for b.Loop() {
			m.Forget()
			if got, err := m.Search(req); err != nil || len(got.Offers) != 10 {
				b.Fatal(len(got.Offers), err)
			}
		}
	})
	b.Run("one-booking-more", func(b *testing.B) {
		b.ReportAllocs()
		one := bookings[len(bookings)/2]
		for b.Loop() {
			if _, err := m.With(diary.Change{Version: 2, Made: []diary.Booking{one}}); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("explain-a-full-window", func(b *testing.B) {
		req := busyRequest(p, first, true)
		req.Visits[0].Minutes, req.Visits[0].Parts = 240, (diary.Manner{}).Parts(240)
		req.Wishes.NotAfter = first.AddDays(40)
		for b.Loop() {
			e, err := m.Explain(req)
			if err != nil || e.Cause != diary.CauseBooked {
				b.Fatal(e.Cause, err)
			}
		}
	})
	b.Run("cold-build", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			if _, err := diary.Build(p, first, year, 1, bookings); err != nil {
				b.Fatal(err)
			}
		}
		b.ReportMetric(float64(len(bookings)), "bookings")
	})
}
