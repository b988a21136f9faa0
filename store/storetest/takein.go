package storetest

import (
	"fmt"
	"slices"

	"github.com/visitwright/visitwright/store"
)

func (s *surgery) external(value string, from, to int, room store.ResourceRef) store.ExternalAppointment {
	return store.ExternalAppointment{Key: store.ExternalID{System: "practice-diary", Value: value}, Start: at(from), End: at(to),
		Zone: "Europe/Vienna", Spans: []store.Span{{ResourceRef: room, Start: at(from), End: at(to)}}}
}

func (s *surgery) takeIn(items ...store.ExternalAppointment) []store.TakenIn {
	s.Helper()
	got, err := s.s.TakeIn(s.ctx, call(ours), items)
	s.must(err)
	return got
}

func (s *surgery) wantOutcomes(got []store.TakenIn, want ...store.TakeOutcome) {
	s.Helper()
	var have []store.TakeOutcome
	for _, g := range got {
		have = append(have, g.Outcome)
	}
	if !slices.Equal(have, want) {
		s.Errorf("outcomes %v, want %v", have, want)
	}
}

var takeInTests = map[string]func(*bench){
	"what another system sends is taken in again and again with one result": surgeryTest(func(s *surgery) {
		x, y := s.external("1", 480, 540, s.room), s.external("2", 500, 560, s.room)
		first := s.takeIn(x, y)
		s.wantOutcomes(first, store.TakeCreated, store.TakeCreated)
		again := s.takeIn(x, y)
		s.wantOutcomes(again, store.TakeUnchanged, store.TakeUnchanged)
		if first[0].ID != again[0].ID {
			s.Error("the same key has two ids")
		}
		x.Start, x.End = at(600), at(630)
		x.Spans[0].Start, x.Spans[0].End = at(600), at(630)
		y.Cancelled = true
		s.wantOutcomes(s.takeIn(x, y), store.TakeChanged, store.TakeCancelled)
		s.wantOutcomes(s.takeIn(x, y), store.TakeUnchanged, store.TakeUnchanged)
		got, err := s.s.GetAppointment(s.ctx, call(ours), first[0].ID)
		s.must(err)
		if !got.Start.Equal(at(600)) || got.Sequence != 1 || got.External.Value != "1" {
			s.Errorf("read %+v", got)
		}
		y.Cancelled = false
		s.wantOutcomes(s.takeIn(y), store.TakeChanged)
	}),
	"an overlap is taken in and marked, and our own bookings keep out of it": surgeryTest(func(s *surgery) {
		own := s.book(s.one(s.room, 480, 540)).Appointments[0]
		taken := s.takeIn(s.external("1", 500, 560, s.room), s.external("2", 550, 600, s.room))
		list, _, err := s.s.ListAppointments(s.ctx, call(ours), store.AppointmentQuery{From: at(0), To: at(1440)})
		s.must(err)
		conflicts := map[string][]string{}
		for _, a := range list {
			conflicts[a.ID] = a.Conflicts
		}
		for id, want := range map[string][]string{
			own.ID:      {taken[0].ID},
			taken[0].ID: {own.ID, taken[1].ID},
			taken[1].ID: {taken[0].ID},
		} {
			slices.Sort(want)
			if !slices.Equal(conflicts[id], want) {
				s.Errorf("conflicts of %s: %v, want %v", id, conflicts[id], want)
			}
		}
		n := s.one(s.room, 590, 640)
		n.PatientID = s.patient2.ID
		_, err = s.s.BookOffer(s.ctx, call(ours), n)
		s.wantTaken(err, store.KindRoom)
		// The repair: move ours out; the marks go by themselves.
		moved, err := s.s.MoveAppointment(s.ctx, call(ours), store.Move{ID: own.ID, Etag: own.Etag, Place: s.place(s.room2, 480, 540)})
		s.must(err)
		got, err := s.s.GetAppointment(s.ctx, call(ours), moved.ID)
		s.must(err)
		if len(got.Conflicts) != 0 {
			s.Errorf("still in conflict with %v", got.Conflicts)
		}
		_, err = s.s.MoveAppointment(s.ctx, call(ours), store.Move{ID: got.ID, Etag: got.Etag, Place: s.place(s.room, 500, 550)})
		s.wantTaken(err, store.KindRoom)
	}),
	"an item that cannot be harms no other": surgeryTest(func(s *surgery) {
		backwards := s.external("1", 540, 480, s.room)
		nowhere := s.external("2", 480, 540, store.ResourceRef{Kind: store.KindRoom, ID: "none"})
		nobody := s.external("3", 480, 540, s.room)
		nobody.PatientID = "nobody"
		nameless := s.external("", 480, 540, s.room)
		odd := s.external("4\x00", 480, 540, s.room)
		got := s.takeIn(backwards, nowhere, nobody, nameless, odd, s.external("5", 480, 540, s.room))
		s.wantOutcomes(got, store.TakeRefused, store.TakeRefused, store.TakeRefused, store.TakeRefused, store.TakeRefused, store.TakeCreated)
		wantProblem(s, got[0].Problem, store.ErrInvalid, "start")
		wantProblem(s, got[1].Problem, store.ErrNotFound, "spans")
		wantProblem(s, got[2].Problem, store.ErrNotFound, "patient")
		wantProblem(s, got[3].Problem, store.ErrInvalid, "key")
		wantProblem(s, got[4].Problem, store.ErrInvalid, "key")
	}),
	"the same key twice in one call is applied in order": surgeryTest(func(s *surgery) {
		x, y := s.external("1", 480, 540, s.room), s.external("1", 600, 660, s.room)
		got := s.takeIn(x, y)
		s.wantOutcomes(got, store.TakeCreated, store.TakeChanged)
		a, err := s.s.GetAppointment(s.ctx, call(ours), got[0].ID)
		s.must(err)
		if !a.Start.Equal(at(600)) || got[0].ID != got[1].ID {
			s.Errorf("read %+v", a)
		}
	}),
	"its master is the other system": surgeryTest(func(s *surgery) {
		id := s.takeIn(s.external("1", 480, 540, s.room))[0].ID
		a, err := s.s.ChangeAppointment(s.ctx, call(ours), store.StateChange{ID: id, To: store.StateArrived})
		s.must(err)
		_, err = s.s.ChangeAppointment(s.ctx, call(ours), store.StateChange{ID: id, To: store.StateCancelled, Reason: "x"})
		wantKind(s, err, store.ErrWrongState)
		_, err = s.s.MoveAppointment(s.ctx, call(ours), store.Move{ID: id, Etag: a.Etag, Place: s.place(s.room, 600, 660)})
		wantKind(s, err, store.ErrWrongState)
	}),
	"ten thousand are taken in, and again": surgeryTest(func(s *surgery) {
		const n = manyItems
		items := make([]store.ExternalAppointment, n)
		for i := range items {
			day, slot := i/40, i%40 // 40 a day over 250 days, two rooms
			room := s.room
			if slot >= 20 {
				room = s.room2
			}
			from := day*1440 + 480 + slot%20*30
			items[i] = s.external(fmt.Sprint(i), from, from+30, room)
			items[i].Spans = append(items[i].Spans, store.Span{ResourceRef: s.clinician, Start: at(from), End: at(from + 30)})
		}
		for _, want := range []store.TakeOutcome{store.TakeCreated, store.TakeUnchanged} {
			for i := 0; i < n; i += store.MaxTakeIn {
				for _, g := range s.takeIn(items[i : i+store.MaxTakeIn]...) {
					if g.Outcome != want {
						s.Fatalf("outcome %s, want %s: %v", g.Outcome, want, g.Problem)
					}
				}
			}
		}
	}),
}
