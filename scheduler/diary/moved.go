package diary

import (
	"fmt"
	"time"

	"github.com/visitwright/visitwright/scheduler/civil"
)

// Effect is what became of the window of one visit when a visit before it was
// moved, or it was moved itself.
type Effect struct {
	Visit    int        `json:"visit"`
	Days     int        `json:"days"` // since the visit before
	Earliest civil.Date `json:"earliest"`
	Target   civil.Date `json:"target,omitzero"` // zero when the window has none
	Latest   civil.Date `json:"latest,omitzero"` // zero when the window has none
	// Off is how many days the visit lies outside its window: negative before
	// the earliest day, positive after the latest, 0 inside.
	Off int `json:"off"`
	// Order is set when the visit no longer comes after the one before it.
	Order bool   `json:"order"`
	Text  string `json:"text"`
}

func (e Effect) broken() bool { return e.Off != 0 || e.Order }

// Moved says what a move does to the visits after it and how to put it right.
type Moved struct {
	Effects []Effect `json:"effects"` // of every visit but the first
	// Repair are new places for the visits Replaced, to be booked in one action
	// in place of theirs; nil when nothing is broken or nothing was found.
	Repair   *Offer `json:"repair,omitempty"`
	Replaced []int  `json:"replaced,omitempty"`
	// Why explains a diary without a repair.
	Why *Explanation `json:"why,omitempty"`
}

// AfterMove looks at all visits of a plan as they are booked after one of them
// was moved; m are the masks after the move, with all of them in the diary. The
// request gives visits, windows and wishes; its Chosen and Best are not looked
// at. Windows count from the visit before, so that a moved visit 1 may break
// visit 2, and a repaired visit 2 visit 3.
//
// The repair disturbs as little as it can: it moves only the first visit whose
// window is broken, if that mends everything, else that visit and all after it.
func (m *Masks) AfterMove(req *Request, booked []Place) (Moved, error) {
	var out Moved
	if len(booked) != len(req.Visits) {
		return out, field("booked", "%d places for %d visits", len(booked), len(req.Visits))
	}
	for i := 1; i < len(booked); i++ {
		out.Effects = append(out.Effects, m.effect(i, req.Visits[i].Window, booked[i-1], booked[i]))
	}
	first := 0
	for _, e := range out.Effects {
		if e.broken() {
			first = e.Visit
			break
		}
	}
	if first == 0 {
		return out, nil
	}
	again := *req
	again.Best, again.Chosen = 1, booked[:first]
	if err := again.Validate(); err != nil {
		return out, err
	}
	if first+1 < len(booked) && !anyBroken(out.Effects[first:]) {
		if offer, ok, err := m.mendOne(again, booked, first); err != nil {
			return out, err
		} else if ok {
			out.Repair, out.Replaced = &offer, []int{first}
			return out, nil
		}
	}
	free, err := m.without(booked[first:])
	if err != nil {
		return out, err
	}
	got, err := free.Search(&again)
	if err != nil {
		return out, err
	}
	if len(got.Offers) == 0 {
		why, err := free.Explain(&again)
		out.Why = &why
		return out, err
	}
	out.Repair = &got.Offers[0]
	for v := first; v < len(booked); v++ {
		out.Replaced = append(out.Replaced, v)
	}
	return out, nil
}

func anyBroken(es []Effect) bool {
	for _, e := range es {
		if e.broken() {
			return true
		}
	}
	return false
}

// mendOne seeks a place for one visit between the one before it and the one
// after it, which stays.
func (m *Masks) mendOne(req Request, booked []Place, v int) (Offer, bool, error) {
	after, window := booked[v+1], req.Visits[v+1].Window
	req.Visits = req.Visits[:v+1]
	notAfter := after.Day.AddDays(-window.Earliest)
	notBefore := req.Wishes.NotBefore
	if window.Latest != NoLatest {
		if d := after.Day.AddDays(-window.Latest); notBefore.IsZero() || notBefore.Before(d) {
			notBefore = d
		}
	}
	if w := req.Wishes.NotAfter; w.IsZero() || notAfter.Before(w) {
		req.Wishes.NotAfter = notAfter
	}
	req.Wishes.NotBefore = notBefore
	if !notBefore.IsZero() && req.Wishes.NotAfter.Before(notBefore) {
		return Offer{}, false, nil
	}
	// The visits that stay take the patient's time, and the day from the next of
	// them on is out of order.
	req.Patient = append([]civil.Interval(nil), req.Patient...)
	for _, p := range booked[v+1:] {
		req.Patient = append(req.Patient, p.Chair)
	}
	if end := m.practice.Zone.Day(after.Day).End; end.After(after.Chair.Start) {
		req.Patient = append(req.Patient, civil.Interval{Start: after.Chair.Start, End: end})
	}
	free, err := m.without(booked[v : v+1])
	if err != nil {
		return Offer{}, false, err
	}
	got, err := free.Search(&req)
	if err != nil || len(got.Offers) == 0 {
		return Offer{}, false, err
	}
	return got.Offers[0], true, nil
}

// without returns the masks with the places given back. Masks that were built
// from what is taken, and not from single bookings, cannot tell two bookings
// over each other apart: there the cells of the place become free.
func (m *Masks) without(places []Place) (*Masks, error) {
	out := *m
	out.days = append([]*day(nil), m.days...)
	for _, p := range places {
		err := m.each(p.Booking("booked"), func(i int, h held) error {
			if out.days[i] == m.days[i] {
				out.days[i] = m.days[i].changed()
			}
			if !out.days[i].give(h) {
				out.days[i].cut(h)
			}
			out.days[i].sum(m.first)
			return nil
		})
		if err != nil {
			return nil, err
		}
	}
	return &out, nil
}

func (m *Masks) effect(i int, w Window, before, at Place) Effect {
	e := Effect{Visit: i, Days: at.Day.DaysSince(before.Day), Order: at.Chair.Start.Before(before.Chair.End)}
	e.Earliest, e.Target, e.Latest = w.Dates(before.Day)
	switch {
	case e.Days < w.Earliest:
		e.Off = e.Days - w.Earliest
		e.Text = fmt.Sprintf("visit %d is %s before its window, which begins on %s", i+1, count(-e.Off, "day"), e.Earliest)
	case w.Latest != NoLatest && e.Days > w.Latest:
		e.Off = e.Days - w.Latest
		e.Text = fmt.Sprintf("visit %d is %s after its window, which ends on %s", i+1, count(e.Off, "day"), e.Latest)
	case e.Order:
		e.Text = fmt.Sprintf("visit %d begins before visit %d is over", i+1, i)
	default:
		e.Text = fmt.Sprintf("visit %d stays inside its window, %s", i+1, later(before.Chair.End, at.Chair.Start, e.Days))
	}
	return e
}

func later(a, b time.Time, days int) string {
	if days == 0 {
		return count(int(b.Sub(a)/time.Minute), "minute") + " later"
	}
	return count(days, "day") + " later"
}
