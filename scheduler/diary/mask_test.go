package diary_test

import (
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"pgregory.net/rapid"

	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/scheduler/diary"
)

func TestStartsAreTheCellsFromWhichEnoughCellsAreFree(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var m diary.Mask
		for range rapid.IntRange(0, 6).Draw(t, "stretches") {
			from := rapid.IntRange(0, 319).Draw(t, "from")
			m.Set(from, from+rapid.IntRange(1, 150).Draw(t, "long"))
		}
		if rapid.Bool().Draw(t, "cut") {
			from := rapid.IntRange(0, 319).Draw(t, "cut from")
			m.Clear(from, from+rapid.IntRange(1, 40).Draw(t, "cut long"))
		}
		n := rapid.IntRange(1, 320).Draw(t, "cells")
		got := m.Starts(n)
		count := 0
		for i := range 320 {
			want := true
			for j := i; j < i+n && want; j++ {
				want = m.Has(j)
			}
			if got.Has(i) != want || m.HasAll(i, i+n) != want {
				t.Fatalf("cell %d of %v for %d cells: got %v, want %v", i, m, n, got.Has(i), want)
			}
			if m.Has(i) {
				count++
			}
		}
		if m.Count() != count {
			t.Fatalf("%d cells, counted %d", count, m.Count())
		}
	})
}

func TestMasksKeptCurrentBookingByBookingAreThoseBuiltAnew(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, first, days, bookings := drawDiary(t)
		m, err := diary.Build(p, first, days, 7, nil)
		if err != nil {
			t.Fatal(err)
		}
		// Every booking is made, and some are ended again, in any order.
		live := map[string]diary.Booking{}
		version := int64(7)
		step := func(c diary.Change) {
			version++
			c.Version = version
			if m, err = m.With(c); err != nil {
				t.Fatal(err)
			}
		}
		for _, b := range bookings {
			step(diary.Change{Made: []diary.Booking{b}})
			live[b.ID] = b
			if rapid.IntRange(0, 2).Draw(t, "end one") == 0 {
				for id, old := range live {
					step(diary.Change{Ended: []diary.Booking{old}})
					delete(live, id)
					break
				}
			}
		}
		var rest []diary.Booking
		for _, b := range live {
			rest = append(rest, b)
		}
		again, err := diary.Build(p, first, days, version, rest)
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range practiceRefs(p) {
			for d := range days {
				a, _ := m.Free(r, first.AddDays(d))
				b, _ := again.Free(r, first.AddDays(d))
				if a != b {
					t.Fatalf("%s on day %d: %v, built anew %v", r, d, a, b)
				}
			}
		}
		req := drawRequest(t, p, first, days)
		x, err1 := m.Search(req)
		y, err2 := again.Search(req)
		if err1 != nil || err2 != nil || len(x.Offers) != len(y.Offers) || x.Version != y.Version {
			t.Fatalf("%v %v: %d offers at version %d, built anew %d at %d", err1, err2, len(x.Offers), x.Version, len(y.Offers), y.Version)
		}
		for i := range x.Offers {
			if x.Offers[i].Places[0].String() != y.Offers[i].Places[0].String() {
				t.Fatalf("offer %d: %v, built anew %v", i, x.Offers[i], y.Offers[i])
			}
		}
	})
}

func oneRoom(t testing.TB) (*diary.Practice, civil.Date) {
	return &diary.Practice{
		Zone:       zone(t, "Europe/London"),
		Calendar:   civil.Calendar{Hours: civil.Always(everyDay(span(540, 720)))},
		Rooms:      []diary.Room{{ID: "R"}},
		Clinicians: []diary.Clinician{{ID: "C", Protocols: []string{"primary"}}},
		Nurses:     []diary.Nurse{{ID: "N"}},
		Useful:     []diary.UsefulLength{{Minutes: 30, Weight: 1}, {Minutes: 60, Weight: 2}},
	}, civil.MustDate("2026-06-01")
}

func booked(p *diary.Practice, id, local string, minutes int, refs ...diary.Ref) diary.Booking {
	at := p.Zone.Resolve(civil.MustLocalTime(local))
	b := diary.Booking{ID: id, Chair: civil.Interval{Start: at, End: at.Add(time.Duration(minutes) * time.Minute)}}
	for _, r := range refs {
		b.Holds = append(b.Holds, diary.Hold{Resource: r, Time: b.Chair})
	}
	return b
}

var theRoom = diary.Ref{Kind: diary.KindRoom, ID: "R"}

func TestMasksThatMissedAChangeSaySo(t *testing.T) {
	p, first := oneRoom(t)
	m, err := diary.Build(p, first, 7, 3, nil)
	if err != nil {
		t.Fatal(err)
	}
	b := booked(p, "B1", "2026-06-02T09:00", 30, theRoom)
	if _, err := m.With(diary.Change{Version: 5, Made: []diary.Booking{b}}); !errors.Is(err, diary.ErrVersionGap) {
		t.Errorf("a change was left out: %v", err)
	}
	if _, err := m.With(diary.Change{Version: 4, Ended: []diary.Booking{b}}); !errors.Is(err, diary.ErrNotHeld) {
		t.Errorf("an unknown booking ended: %v", err)
	}
	next, err := m.With(diary.Change{Version: 4, Made: []diary.Booking{b}})
	if err != nil || next.Version() != 4 || m.Version() != 3 {
		t.Fatalf("%v", err)
	}
	before, _ := m.Free(theRoom, first.AddDays(1))
	after, _ := next.Free(theRoom, first.AddDays(1))
	if before.Count() != 36 || after.Count() != 30 {
		t.Errorf("free cells %d and %d, want 36 and 30: a search that runs keeps the masks it began with", before.Count(), after.Count())
	}
}

func TestTwoBookingsOfAnotherSystemOverEachOtherFreeNothingWhenOneEnds(t *testing.T) {
	p, first := oneRoom(t)
	one, two := booked(p, "B1", "2026-06-02T09:00", 60, theRoom), booked(p, "B2", "2026-06-02T09:32", 60, theRoom)
	m, err := diary.Build(p, first, 7, 1, []diary.Booking{one, two})
	if err != nil {
		t.Fatal(err)
	}
	m, err = m.With(diary.Change{Version: 2, Ended: []diary.Booking{one}})
	if err != nil {
		t.Fatal(err)
	}
	free, _ := m.Free(theRoom, first.AddDays(1))
	// 09:32 to 10:32 touches the cells from 09:30 to 10:35.
	if free.HasAll(114, 127) || !free.HasAll(108, 114) || !free.Has(127) || free.Has(114) || free.Has(126) {
		t.Errorf("free: %v", free.Gaps())
	}
}

func TestWhatCannotBeIsRefusedAndNothingIsKept(t *testing.T) {
	p, first := oneRoom(t)
	m, err := diary.Build(p, first, 7, 1, nil)
	if err != nil {
		t.Fatal(err)
	}
	backwards := booked(p, "B1", "2026-06-02T09:00", -30, theRoom)
	unknown := booked(p, "B2", "2026-06-02T09:00", 30, diary.Ref{Kind: diary.KindRoom, ID: "attic"})
	endless := booked(p, "B3", "2026-06-02T09:00", 3000, theRoom)
	for _, b := range []diary.Booking{backwards, unknown, endless} {
		var wrong *diary.BookingError
		if _, err := m.With(diary.Change{Version: 2, Made: []diary.Booking{b}}); !errors.As(err, &wrong) || wrong.Booking != b.ID {
			t.Errorf("%s: %v", b.ID, err)
		}
		if _, err := diary.Build(p, first, 7, 1, []diary.Booking{b}); !errors.As(err, &wrong) {
			t.Errorf("%s: %v", b.ID, err)
		}
	}
	for _, days := range []int{0, -1, diary.MostDays + 1, 3650} {
		if _, err := diary.Build(p, first, days, 1, nil); err == nil {
			t.Errorf("a diary of %d days was built", days)
		}
	}
}

func TestManySearchAtOnceWhileBookingsAreMade(t *testing.T) {
	p, first, bookings := busyPractice(t, 60)
	m, err := diary.Build(p, first, 60, 1, bookings)
	if err != nil {
		t.Fatal(err)
	}
	req := busyRequest(p, first, true)
	want, err := m.Search(req)
	if err != nil || len(want.Offers) == 0 {
		t.Fatal(len(want.Offers), err)
	}
	var wg sync.WaitGroup
	for range 8 {
		wg.Go(func() {
			for range 20 {
				got, err := m.Search(req)
				if err != nil || fmt.Sprint(got.Offers) != fmt.Sprint(want.Offers) {
					t.Errorf("another answer from the same masks: %v", err)
				}
			}
		})
	}
	next := m
	for i := range 20 {
		if next, err = next.With(diary.Change{Version: int64(i + 2), Made: []diary.Booking{want.Offers[i%len(want.Offers)].Places[0].Booking("new")}}); err != nil {
			t.Fatal(err)
		}
	}
	wg.Wait()
	after, err := next.Search(req)
	if err != nil {
		t.Fatal(err)
	}
	for _, o := range after.Offers {
		for _, taken := range want.Offers {
			for _, h := range taken.Places[0].Holds {
				for _, g := range o.Places[0].Holds {
					if g.Resource == h.Resource && g.Time.Overlaps(h.Time) {
						t.Fatalf("%s is offered again: %s", h.Resource, o.Places[0])
					}
				}
			}
		}
	}
}
