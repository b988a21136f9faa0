package diary_test

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/scheduler/diary"
)

// busyPractice is an invented practice of 20 rooms, 10 clinicians, 12 nurses and
// one microscope for every 5 rooms, open 08:00-12:30 and 13:30-18:00 from Monday
// to Friday, with a year of bookings from a fixed seed.
//
// The bookings are clumped as they are in life: six sessions (half-days of one
// clinician) in ten are full, the others are filled from one end with gaps left
// between a few appointments, so that 85 % of the clinicians' time is taken.
// Every second room is a clinician's; the others are as full with hygiene
// appointments.
func busyPractice(t testing.TB, days int) (*diary.Practice, civil.Date, []diary.Booking) {
	rng := rand.New(rand.NewPCG(20, 26))
	first := civil.MustDate("2026-06-01")
	var week civil.Week
	for d := time.Monday; d <= time.Friday; d++ {
		week[d] = sessions
	}
	p := &diary.Practice{Zone: zone(t, "Europe/London"), Calendar: civil.Calendar{Hours: civil.Always(civil.EveryWeek(week))},
		Useful: []diary.UsefulLength{{Minutes: 30, Weight: 1}, {Minutes: 45, Weight: 2}, {Minutes: 60, Weight: 3}, {Minutes: 90, Weight: 3}}}
	for i := range 20 {
		p.Rooms = append(p.Rooms, diary.Room{ID: fmt.Sprint("R", i+1)})
	}
	for i := range 10 {
		p.Clinicians = append(p.Clinicians, diary.Clinician{ID: fmt.Sprint("C", i+1), Protocols: []string{"primary-treatment"}})
	}
	for i := range 12 {
		p.Nurses = append(p.Nurses, diary.Nurse{ID: fmt.Sprint("N", i+1)})
	}
	for i := range 4 {
		u := diary.Unit{ID: fmt.Sprint("M", i+1), Kind: "microscope"}
		for r := range 5 {
			u.Rooms = append(u.Rooms, p.Rooms[5*i+r].ID)
		}
		p.Units = append(p.Units, u)
	}
	var out []diary.Booking
	for d := range days {
		date := first.AddDays(d)
		if wd := date.Weekday(); wd == time.Saturday || wd == time.Sunday {
			continue
		}
		out = fillDay(p, date, rng, out)
	}
	return p, first, out
}

var sessions = []civil.Span{span(480, 750), span(810, 1080)}

type busyDay struct {
	midnight time.Time
	taken    map[diary.Ref][]civil.Interval
}

func (b *busyDay) in(from, to int) civil.Interval {
	return civil.Interval{Start: b.midnight.Add(time.Duration(from) * time.Minute), End: b.midnight.Add(time.Duration(to) * time.Minute)}
}

func (b *busyDay) free(r diary.Ref, in civil.Interval) bool {
	for _, t := range b.taken[r] {
		if t.Overlaps(in) {
			return false
		}
	}
	return true
}

func (b *busyDay) hold(book *diary.Booking, r diary.Ref, in civil.Interval) {
	b.taken[r] = append(b.taken[r], in)
	book.Holds = append(book.Holds, diary.Hold{Resource: r, Time: in})
}

func fillDay(p *diary.Practice, date civil.Date, rng *rand.Rand, out []diary.Booking) []diary.Booking {
	b := &busyDay{p.Zone.Day(date).Start, map[diary.Ref][]civil.Interval{}}
	lengths := []int{20, 30, 30, 45, 60, 60, 75, 90}
	for column, room := range p.Rooms {
		for _, s := range sessions {
			full := rng.Float64() < 0.6
			target := 270
			if !full {
				target = 5 * (270 * (45 + rng.IntN(36)) / 500)
			}
			used, at := 0, int(s.From)
			if !full && rng.IntN(2) == 0 {
				at += 5 * rng.IntN((270-target)/5+1)
			}
			for used < target && at < int(s.To) {
				n := min(lengths[rng.IntN(len(lengths))], int(s.To)-at, max(5, target-used))
				book := diary.Booking{ID: fmt.Sprint("B", len(out)+1), Chair: b.in(at, at+n)}
				b.hold(&book, diary.Ref{Kind: diary.KindRoom, ID: room.ID}, book.Chair)
				if column%2 == 0 {
					b.withClinician(p, column/2, &book, at, n)
				}
				out = append(out, book)
				used, at = used+n, at+n
				if !full && rng.IntN(4) == 0 {
					at += 5 * (1 + rng.IntN(6))
				}
			}
		}
	}
	return out
}

func (b *busyDay) withClinician(p *diary.Practice, c int, book *diary.Booking, at, n int) {
	b.hold(book, diary.Ref{Kind: diary.KindClinician, ID: p.Clinicians[c].ID}, book.Chair)
	for try := range p.Nurses {
		r := diary.Ref{Kind: diary.KindNurse, ID: p.Nurses[(c+try)%len(p.Nurses)].ID}
		if b.free(r, book.Chair) {
			b.hold(book, r, book.Chair)
			break
		}
	}
	if m := (diary.Ref{Kind: diary.KindUnit, ID: p.Units[c*2/5].ID}); n >= 60 && b.free(m, b.in(at+15, at+n)) {
		b.hold(book, m, b.in(at+15, at+n))
	}
}

// busyRequest asks for a first visit of 90 minutes and a second of 60, 7 to 28
// days later, best after 14. Without first weeks nothing will do before the
// 50th day.
func busyRequest(p *diary.Practice, first civil.Date, firstWeeks bool) *diary.Request {
	m := diary.Manner{Prepare: 5, CleanUp: 10, NurseFrom: 0, OnsetFrom: 5, OnsetTo: 10, Equipment: []diary.Use{{Kind: "microscope", From: 15}}}
	req := &diary.Request{
		Now:  p.Zone.Day(first).Start.Add(7 * time.Hour),
		Best: 10, Weights: diary.Ordinary, Continuity: diary.RequireSame,
		Visits: []diary.Visit{
			{Protocol: "primary-treatment", Minutes: 90, Parts: m.Parts(90), Window: diary.AnyDay},
			{Protocol: "primary-treatment", Minutes: 60, Parts: m.Parts(60), Window: diary.Window{Earliest: 7, Target: 14, Latest: 28}},
		},
	}
	if !firstWeeks {
		req.Wishes.NotBefore = first.AddDays(50)
	}
	return req
}
