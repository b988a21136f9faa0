package scheduler

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/scheduler/diary"
	"github.com/visitwright/visitwright/store"
)

// following is a later visit of the same plan that is in the diary.
type following struct {
	appointment store.Appointment
	*demand
	place diary.Place
	// broken says that the visit no longer lies in its window; text says how.
	broken bool
	text   string
}

// effects says what a place does to the later visits of the same plan, and
// lists those visits in their order.
func (s *Diary) effects(ctx context.Context, c Caller, d *demand, at diary.Place, moved *store.Appointment, x *snapshot) ([]*vw.PlaceEffect, []following, error) {
	later, err := s.followingVisits(ctx, c, d, moved, x)
	if err != nil {
		return nil, nil, err
	}
	var out []*vw.PlaceEffect
	before, end := at.Day, at.Chair.End
	for i := range later {
		f := &later[i]
		f.judge(before, end)
		if f.text != "" {
			out = append(out, &vw.PlaceEffect{Appointment: names.Appointment(c.Practice, f.appointment.ID), Text: f.text, BreaksWindow: f.broken})
		}
		before, end = f.place.Day, f.place.Chair.End
	}
	return out, later, nil
}

// followingVisits lists the later visits of the plan that have not begun.
func (s *Diary) followingVisits(ctx context.Context, c Caller, d *demand, moved *store.Appointment, x *snapshot) ([]following, error) {
	var out []following
	seen := map[string]bool{}
	for _, of := range d.cases {
		if of.Visit == 0 {
			continue
		}
		all, err := s.ofCase(ctx, c, of.CaseID, x)
		if err != nil {
			return nil, err
		}
		for _, a := range all {
			if moved != nil && a.ID == moved.ID || seen[a.ID] || visitOf(a, of.CaseID) <= of.Visit ||
				a.State != store.StateProvisional && a.State != store.StateBooked || a.Origin != store.OriginOwn {
				continue
			}
			seen[a.ID] = true
			its, err := s.demandOfKept(ctx, c, a, x.worked)
			if err != nil {
				return nil, err
			}
			its.minutes = int(a.End.Sub(a.Start).Minutes())
			out = append(out, following{appointment: a, demand: its, place: placeOfKept(a, x.zone(), 0)})
		}
	}
	slices.SortStableFunc(out, func(a, b following) int {
		if n := a.number() - b.number(); n != 0 {
			return n
		}
		return a.appointment.Start.Compare(b.appointment.Start)
	})
	return out, nil
}

// judge compares the visit with its window, counted from the visit before.
func (f *following) judge(before civil.Date, end time.Time) {
	days := f.place.Day.DaysSince(before)
	w := f.window
	switch {
	case f.place.Chair.Start.Before(end):
		f.broken, f.text = true, fmt.Sprintf("visit %d would come before the visit that it follows", f.number())
	case days < w.Earliest:
		f.broken, f.text = true, fmt.Sprintf("visit %d falls %s before its earliest day", f.number(), plural(w.Earliest-days, "day"))
	case w.Latest != diary.NoLatest && days > w.Latest:
		f.broken, f.text = true, fmt.Sprintf("visit %d falls %s after its latest day", f.number(), plural(days-w.Latest, "day"))
	case w.Target != diary.NoTarget && days != w.Target:
		f.text = fmt.Sprintf("visit %d falls %s after the visit before, %s from its target", f.number(), plural(days, "day"), plural(max(days-w.Target, w.Target-days), "day"))
	}
}

// repair proposes the moves that put later visits right again: from the first
// that is broken on, each where it fits best. It is nil when nothing is broken
// or no place is free.
func (s *Diary) repair(c Caller, d *demand, at diary.Place, later []following, patient []civil.Interval, x *snapshot) (*vw.AppointmentRepair, error) {
	first := slices.IndexFunc(later, func(f following) bool { return f.broken })
	if first < 0 {
		return nil, nil
	}
	var gone []store.Appointment
	for _, f := range later[first:] {
		gone = append(gone, f.appointment)
	}
	free, err := x.without(gone)
	if err != nil {
		return nil, err
	}
	req := &diary.Request{Now: s.now(), Best: 1, Weights: x.worked.weights(), Continuity: diary.PreferSame, Patient: patient,
		StartStep: int(x.worked.settings.GetStartStepMinutes())}
	add := func(d *demand) {
		v := d.visit(x.worked, false)
		req.Visits = append(req.Visits, v)
	}
	add(d)
	req.Chosen = append(req.Chosen, at)
	for _, f := range later[:first] {
		add(f.demand)
		kept := f.place
		kept.Holds = nil // the masks hold them already
		req.Chosen = append(req.Chosen, kept)
	}
	for _, f := range later[first:] {
		add(f.demand)
	}
	if len(req.Visits) > diary.MostVisits {
		return nil, nil
	}
	got, err := free.masks.Search(req)
	if err != nil {
		return nil, err
	}
	if len(got.Offers) == 0 {
		return nil, nil
	}
	out := &vw.AppointmentRepair{}
	for i, p := range got.Offers[0].Places {
		f := later[first+i]
		if p.Chair == f.place.Chair && p.Clinician == f.place.Clinician && p.Room == f.place.Room {
			continue
		}
		out.Moves = append(out.Moves, &vw.RepairMove{Appointment: names.Appointment(c.Practice, f.appointment.ID), Etag: f.appointment.Etag,
			Place: placeOfDiary(c.Practice, p, x.zone())})
	}
	if len(out.Moves) == 0 {
		return nil, nil
	}
	return out, nil
}
