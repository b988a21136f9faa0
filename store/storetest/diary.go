package storetest

import (
	"bytes"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"sync"
	"time"

	"github.com/visitwright/visitwright/store"
)

// surgery is a small practice: what its diary tests book.
type surgery struct {
	*bench
	room, room2, nurse, scope store.ResourceRef
	clinician                 store.ResourceRef
	patient, patient2         store.Patient
}

func newSurgery(b *bench, practice string) *surgery {
	b.Helper()
	s := &surgery{bench: b}
	put := func(r store.Resource) store.ResourceRef {
		r.Active = true
		got, err := b.s.PutResource(b.ctx, call(practice), r)
		b.must(err)
		return got.ResourceRef
	}
	s.room = put(store.Resource{ResourceRef: store.ResourceRef{Kind: store.KindRoom}, Name: "One", PreparationMinutes: 5, CleanUpMinutes: 5})
	s.room2 = put(store.Resource{ResourceRef: store.ResourceRef{Kind: store.KindRoom}, Name: "Two"})
	s.nurse = put(store.Resource{ResourceRef: store.ResourceRef{Kind: store.KindNurse}, Name: "Nurse"})
	s.scope = put(store.Resource{ResourceRef: store.ResourceRef{Kind: store.KindEquipment}, Name: "Microscope", Class: "microscope", Rooms: []string{s.room.ID}})
	c, err := b.s.PutClinician(b.ctx, call(practice), store.Clinician{Name: "Clinician", Active: true})
	b.must(err)
	s.clinician = store.ResourceRef{Kind: store.KindClinician, ID: c.ID}
	s.patient = b.patient(practice, "diary-1")
	s.patient2 = b.patient(practice, "diary-2")
	return s
}

// at is a time on the day after Start, in minutes from midnight UTC.
func at(minutes int) time.Time {
	return time.Date(2026, 3, 4, 0, minutes, 0, 0, time.UTC)
}

// place is an hour of work in a room: the room throughout, the clinician from
// the tenth minute on.
func (s *surgery) place(room store.ResourceRef, from, to int) store.Place {
	return store.Place{Start: at(from), End: at(to), Zone: "Europe/Vienna", Local: "2026-03-04T09:00", ZoneVersion: "2026a",
		Spans: []store.Span{{ResourceRef: room, Start: at(from), End: at(to)}, {ResourceRef: s.clinician, Start: at(from + 10), End: at(to)}}}
}

func (s *surgery) one(room store.ResourceRef, from, to int) store.NewBooking {
	return store.NewBooking{PatientID: s.patient.ID, Visits: []store.NewVisit{{Place: s.place(room, from, to)}}}
}

func (s *surgery) book(n store.NewBooking) store.Booking {
	s.Helper()
	b, err := s.s.BookOffer(s.ctx, call(ours), n)
	s.must(err)
	return b
}

func (s *surgery) wantTaken(err error, kind store.ResourceKind) {
	s.Helper()
	var t *store.Taken
	if !errors.As(err, &t) || t.Kind != kind || t.Visit == 0 {
		s.Errorf("got %v, want taken %s", err, kind)
	}
}

func surgeryTest(f func(*surgery)) func(*bench) {
	return func(b *bench) { f(newSurgery(b, ours)) }
}

var diaryTests = map[string]func(*bench){
	"a booking comes back as booked": surgeryTest(func(s *surgery) {
		c, err := s.s.CreateCase(s.ctx, call(ours), store.Case{PatientID: s.patient.ID, Tooth: 46})
		s.must(err)
		n := store.NewBooking{PatientID: s.patient.ID, Visits: []store.NewVisit{
			{Place: s.place(s.room, 480, 540), Cases: []store.VisitOf{{CaseID: c.ID, Revision: 1, Option: "two-visits", Visit: 1}}, Document: []byte{1}},
			{Place: s.place(s.room2, 600, 660), Cases: []store.VisitOf{{CaseID: c.ID, Revision: 1, Option: "two-visits", Visit: 2}},
				IfNeeded: true, ReleaseTime: at(0), Override: &store.Override{Clinician: "x", Reason: "in pain"}},
		}}
		made := s.book(n)
		got, err := s.s.GetBooking(s.ctx, call(ours), made.ID)
		s.must(err)
		if !reflect.DeepEqual(made, got) {
			s.Errorf("made %+v\nread %+v", made, got)
		}
		one, err := s.s.GetAppointment(s.ctx, call(ours), made.Appointments[1].ID)
		s.must(err)
		if !reflect.DeepEqual(one, made.Appointments[1]) || one.State != store.StateBooked || one.Override.Reason != "in pain" {
			s.Errorf("read %+v", one)
		}
		for name, q := range map[string]store.AppointmentQuery{
			"all": {}, "case": {CaseID: c.ID}, "patient": {PatientID: s.patient.ID}, "clinician": {Resource: s.clinician},
		} {
			q.From, q.To = at(0), at(1440)
			list, _, err := s.s.ListAppointments(s.ctx, call(ours), q)
			s.must(err)
			if !reflect.DeepEqual(list, made.Appointments) {
				s.Errorf("by %s: %d appointments %+v", name, len(list), list)
			}
		}
		q := store.AppointmentQuery{From: at(0), To: at(1440), Resource: s.room2}
		list, _, err := s.s.ListAppointments(s.ctx, call(ours), q)
		s.must(err)
		if len(list) != 1 || list[0].ID != made.Appointments[1].ID {
			s.Errorf("room two has %+v", list)
		}
	}),
	"nobody and nothing is booked twice at one time": surgeryTest(func(s *surgery) {
		other := func(n store.NewBooking) store.NewBooking { n.PatientID = s.patient2.ID; return n }
		s.book(s.one(s.room, 480, 540))
		_, err := s.s.BookOffer(s.ctx, call(ours), other(s.one(s.room, 530, 600)))
		s.wantTaken(err, store.KindRoom)
		_, err = s.s.BookOffer(s.ctx, call(ours), other(s.one(s.room2, 500, 560)))
		s.wantTaken(err, store.KindClinician)
		free := s.one(s.room2, 480, 540) // another room and nobody but the same patient
		free.Visits[0].Spans = free.Visits[0].Spans[:1]
		_, err = s.s.BookOffer(s.ctx, call(ours), free)
		s.wantTaken(err, store.KindPatient)
		s.book(other(s.one(s.room, 540, 600))) // begins when the first ends
	}),
	"one visit that does not fit keeps the whole booking out": surgeryTest(func(s *surgery) {
		s.book(s.one(s.room, 600, 660))
		before, _, err := s.s.ListAudit(s.ctx, call(ours), store.AuditQuery{})
		s.must(err)
		n := s.one(s.room, 480, 540)
		n.PatientID = s.patient2.ID
		n.Visits = append(n.Visits, store.NewVisit{Place: s.place(s.room, 630, 690)})
		_, err = s.s.BookOffer(s.ctx, call(ours), n)
		var t *store.Taken
		if !errors.As(err, &t) || t.Visit != 2 {
			s.Errorf("got %v, want the second visit refused", err)
		}
		list, _, err := s.s.ListAppointments(s.ctx, call(ours), store.AppointmentQuery{From: at(0), To: at(1440), All: true})
		s.must(err)
		after, _, err := s.s.ListAudit(s.ctx, call(ours), store.AuditQuery{})
		s.must(err)
		if len(list) != 1 || len(after) != len(before) {
			s.Errorf("%d appointments, %d entries more; want 1 and none", len(list), len(after)-len(before))
		}
	}),
	"two visits of one booking do not share a place": surgeryTest(func(s *surgery) {
		n := s.one(s.room, 480, 540)
		n.Visits = append(n.Visits, store.NewVisit{Place: s.place(s.room, 500, 560)})
		_, err := s.s.BookOffer(s.ctx, call(ours), n)
		wantKind(s, err, store.ErrTaken)
	}),
	"what cannot be is refused with its field": surgeryTest(func(s *surgery) {
		ok := s.one(s.room, 480, 540)
		change := func(f func(*store.NewBooking)) store.NewBooking {
			n := ok
			n.Visits = slices.Clone(ok.Visits)
			n.Visits[0].Spans = slices.Clone(ok.Visits[0].Spans)
			f(&n)
			return n
		}
		for field, n := range map[string]store.NewBooking{
			"visits":                 change(func(n *store.NewBooking) { n.Visits = nil }),
			"hold_for":               change(func(n *store.NewBooking) { n.HoldFor = time.Second }),
			"visits[0].start":        change(func(n *store.NewBooking) { n.Visits[0].End = n.Visits[0].Start }),
			"visits[0].spans":        change(func(n *store.NewBooking) { n.Visits[0].Spans = nil }),
			"visits[0].release_time": change(func(n *store.NewBooking) { n.Visits[0].IfNeeded = true }),
		} {
			_, err := s.s.BookOffer(s.ctx, call(ours), n)
			wantProblem(s, err, store.ErrInvalid, field)
		}
		_, err := s.s.BookOffer(s.ctx, call(ours), change(func(n *store.NewBooking) { n.Visits[0].Start = n.Visits[0].Start.Add(time.Second) }))
		wantProblem(s, err, store.ErrInvalid, "visits[0].start")
		_, err = s.s.BookOffer(s.ctx, call(ours), change(func(n *store.NewBooking) { n.Visits[0].Spans[0].ID = "nowhere" }))
		wantKind(s, err, store.ErrNotFound)
		_, err = s.s.BookOffer(s.ctx, call(ours), change(func(n *store.NewBooking) { n.PatientID = "nobody" }))
		wantKind(s, err, store.ErrNotFound)
		_, err = s.s.BookOffer(s.ctx, call(ours), change(func(n *store.NewBooking) { n.Visits[0].Cases = []store.VisitOf{{CaseID: "none"}} }))
		wantKind(s, err, store.ErrNotFound)
		_, err = s.s.BookOffer(s.ctx, call(theirs), ok)
		wantKind(s, err, store.ErrNotFound)
		list, _, err := s.s.ListAppointments(s.ctx, call(ours), store.AppointmentQuery{From: at(0), To: at(1440), All: true})
		s.must(err)
		if len(list) != 0 {
			s.Errorf("%d were kept", len(list))
		}
	}),
	"a case of another patient or a closed one is not booked": surgeryTest(func(s *surgery) {
		c, err := s.s.CreateCase(s.ctx, call(ours), store.Case{PatientID: s.patient2.ID, Tooth: 46})
		s.must(err)
		n := s.one(s.room, 480, 540)
		n.Visits[0].Cases = []store.VisitOf{{CaseID: c.ID, Visit: 1}}
		_, err = s.s.BookOffer(s.ctx, call(ours), n)
		wantKind(s, err, store.ErrNotFound)
		_, err = s.s.CloseCase(s.ctx, call(ours), store.CaseClosing{ID: c.ID, Reason: store.ClosedDied})
		s.must(err)
		n.PatientID = s.patient2.ID
		_, err = s.s.BookOffer(s.ctx, call(ours), n)
		wantKind(s, err, store.ErrWrongState)
	}),
	"an expired provisional booking never blocks": surgeryTest(func(s *surgery) {
		n := s.one(s.room, 480, 540)
		n.HoldFor = 10 * time.Minute
		held := s.book(n)
		if a := held.Appointments[0]; a.State != store.StateProvisional || !a.HoldUntil.Equal(Start.Add(10*time.Minute)) {
			s.Errorf("held %+v", a)
		}
		other := s.one(s.room, 480, 540)
		other.PatientID = s.patient2.ID
		s.clock.Advance(10*time.Minute - time.Microsecond)
		_, err := s.s.BookOffer(s.ctx, call(ours), other)
		wantKind(s, err, store.ErrTaken)
		s.clock.Advance(time.Microsecond)
		s.book(other) // no sweep has run
		got, err := s.s.GetAppointment(s.ctx, call(ours), held.Appointments[0].ID)
		s.must(err)
		if got.State != store.StateExpired {
			s.Errorf("the first is %s, want expired", got.State)
		}
		_, err = s.s.ConfirmBooking(s.ctx, call(ours), held.ID)
		wantKind(s, err, store.ErrExpired)
	}),
	"a provisional booking is not kept beyond the beginning of its first visit": surgeryTest(func(s *surgery) {
		n := s.one(s.room, 480, 540)
		s.clock.Advance(n.Visits[0].Start.Sub(s.clock.Now()) - 5*time.Minute)
		n.HoldFor = 10 * time.Minute
		if a := s.book(n).Appointments[0]; !a.HoldUntil.Equal(n.Visits[0].Start) {
			s.Errorf("held until %v, the visit begins at %v", a.HoldUntil, n.Visits[0].Start)
		}
	}),
	"a provisional appointment that moves nearer is not kept beyond its beginning either": surgeryTest(func(s *surgery) {
		n := s.one(s.room, 480, 540)
		s.clock.Advance(n.Visits[0].Start.Sub(s.clock.Now()) - 30*time.Minute)
		n.HoldFor = 10 * time.Minute
		a := s.book(n).Appointments[0]
		nearer := s.place(s.room, 455, 515)
		moved, err := s.s.MoveAppointment(s.ctx, call(ours), store.Move{ID: a.ID, Etag: a.Etag, Place: nearer, Reason: "patient-asked"})
		s.must(err)
		if !moved.HoldUntil.Equal(nearer.Start) {
			s.Errorf("kept until %v, it begins at %v", moved.HoldUntil, nearer.Start)
		}
	}),
	"a place that is let go before it was booked keeps until when it was kept": surgeryTest(func(s *surgery) {
		n := s.one(s.room, 480, 540)
		n.HoldFor = 10 * time.Minute
		held := s.book(n).Appointments[0]
		_, err := s.s.ChangeAppointment(s.ctx, call(ours), store.StateChange{ID: held.ID, To: store.StateCancelled, Reason: "x"})
		s.must(err)
		got, err := s.s.GetAppointment(s.ctx, call(ours), held.ID)
		s.must(err)
		if got.State != store.StateCancelled || !got.HoldUntil.Equal(held.HoldUntil) {
			s.Errorf("%s, kept until %v; want cancelled and %v", got.State, got.HoldUntil, held.HoldUntil)
		}
	}),
	"a provisional booking is confirmed in time, once": surgeryTest(func(s *surgery) {
		n := s.one(s.room, 480, 540)
		n.HoldFor = 10 * time.Minute
		held := s.book(n)
		firm, err := s.s.ConfirmBooking(s.ctx, call(ours), held.ID)
		s.must(err)
		if a := firm.Appointments[0]; a.State != store.StateBooked || !a.HoldUntil.IsZero() || a.Sequence != 1 {
			s.Errorf("confirmed %+v", a)
		}
		_, err = s.s.ConfirmBooking(s.ctx, call(ours), held.ID)
		wantKind(s, err, store.ErrWrongState)
		_, err = s.s.ConfirmBooking(s.ctx, call(theirs), held.ID)
		wantKind(s, err, store.ErrNotFound)
		s.clock.Advance(24 * time.Hour)
		n2, err := s.s.EndExpired(s.ctx, 100)
		s.must(err)
		if n2 != 0 {
			s.Errorf("%d ended, want none: it is firm", n2)
		}
	}),
	"confirming at the very moment of expiry fails cleanly": surgeryTest(func(s *surgery) {
		n := s.one(s.room, 480, 540)
		n.HoldFor = time.Minute
		held := s.book(n)
		s.clock.Advance(time.Minute)
		_, err := s.s.ConfirmBooking(s.ctx, call(ours), held.ID)
		wantKind(s, err, store.ErrExpired)
	}),
	"a visit booked if needed releases itself": surgeryTest(func(s *surgery) {
		n := s.one(s.room, 480, 540)
		n.Visits[0].IfNeeded, n.Visits[0].ReleaseTime = true, Start.Add(time.Hour)
		b := s.book(n)
		s.clock.Advance(time.Hour)
		ended, err := s.s.EndExpired(s.ctx, 100)
		s.must(err)
		got, err := s.s.GetAppointment(s.ctx, call(ours), b.Appointments[0].ID)
		s.must(err)
		if ended != 1 || got.State != store.StateReleased {
			s.Errorf("%d ended, it is %s", ended, got.State)
		}
	}),
	"what was said of a visit stays sealed with it through moves and ends": surgeryTest(func(s *surgery) {
		n := s.one(s.room, 480, 540)
		n.Visits[0].Document = []byte("planted words of a caller")
		a := s.book(n).Appointments[0]
		moved, err := s.s.MoveAppointment(s.ctx, call(ours), store.Move{ID: a.ID, Etag: a.Etag, Place: s.place(s.room, 600, 660), Reason: "patient-asked"})
		s.must(err)
		ended, err := s.s.ChangeAppointment(s.ctx, call(ours), store.StateChange{ID: a.ID, Etag: moved.Etag, To: store.StateCancelled, Reason: "patient-asked"})
		s.must(err)
		got, err := s.s.GetAppointment(s.ctx, call(ours), a.ID)
		s.must(err)
		for _, x := range []store.Appointment{a, moved, ended, got} {
			if string(x.Document) != "planted words of a caller" {
				s.Errorf("the document is %q", x.Document)
			}
		}
		if bytes.Contains(s.bench.place.Bytes(s.T), []byte("planted words")) {
			s.Error("what was said stands readable in the database")
		}
	}),
	"a move frees its old place and takes the new one": surgeryTest(func(s *surgery) {
		b := s.book(s.one(s.room, 480, 540))
		a := b.Appointments[0]
		moved, err := s.s.MoveAppointment(s.ctx, call(ours), store.Move{ID: a.ID, Etag: a.Etag, Place: s.place(s.room, 510, 570), Reason: "patient-asked"})
		s.must(err) // it may overlap its own old place
		if !moved.Start.Equal(at(510)) || moved.Sequence != 1 || moved.Reason != "patient-asked" {
			s.Errorf("moved %+v", moved)
		}
		_, err = s.s.MoveAppointment(s.ctx, call(ours), store.Move{ID: a.ID, Etag: a.Etag, Place: s.place(s.room, 600, 660)})
		wantKind(s, err, store.ErrStaleEtag)
		other := s.one(s.room, 480, 510)
		other.PatientID = s.patient2.ID
		b2 := s.book(other)
		_, err = s.s.MoveAppointment(s.ctx, call(ours), store.Move{ID: moved.ID, Etag: moved.Etag, Place: s.place(s.room, 500, 560)})
		s.wantTaken(err, store.KindRoom)
		got, err := s.s.GetAppointment(s.ctx, call(ours), a.ID)
		s.must(err)
		if !reflect.DeepEqual(got, moved) {
			s.Errorf("a refused move changed it: %+v", got)
		}
		// Two appointments change places in one action.
		swapped, err := s.s.RepairAppointments(s.ctx, call(ours), store.Repair{Moves: []store.Move{
			{ID: moved.ID, Etag: moved.Etag, Place: s.place(s.room, 480, 540)},
			{ID: b2.Appointments[0].ID, Etag: b2.Appointments[0].Etag, Place: s.place(s.room, 540, 570)}}})
		s.must(err)
		if len(swapped) != 2 || !swapped[1].Start.Equal(at(540)) {
			s.Errorf("swapped %+v", swapped)
		}
	}),
	"an appointment lives through its states and no other way": surgeryTest(func(s *surgery) {
		id := s.book(s.one(s.room, 480, 540)).Appointments[0].ID
		step := func(to store.AppointmentState, want error) store.Appointment {
			s.Helper()
			reason := ""
			if to == store.StateCancelled {
				reason = "patient-asked"
			}
			a, err := s.s.ChangeAppointment(s.ctx, call(ours), store.StateChange{ID: id, To: to, Reason: reason})
			if !errors.Is(err, want) || (want == nil && err != nil) {
				s.Errorf("to %s: %v, want %v", to, err, want)
			}
			return a
		}
		step(store.StateLeft, store.ErrWrongState)
		step(store.StateReleased, store.ErrWrongState) // it was not booked "if needed"
		step(store.StateDidNotAttend, nil)
		other := s.one(s.room, 480, 540)
		other.PatientID = s.patient2.ID
		taken := s.book(other)                  // the place was free again
		step(store.StateBooked, store.ErrTaken) // and is now gone
		_, err := s.s.ChangeAppointment(s.ctx, call(ours), store.StateChange{ID: taken.Appointments[0].ID, To: store.StateCancelled, Reason: "x"})
		s.must(err)
		step(store.StateArrived, nil)
		s.clock.Advance(5 * time.Minute)
		a, err := s.s.ChangeAppointment(s.ctx, call(ours), store.StateChange{ID: id, To: store.StateInChair, LateMinutes: 12})
		s.must(err)
		if !a.ChairTime.Equal(Start.Add(5*time.Minute)) || !a.ArriveTime.Equal(Start) || a.LateMinutes != 12 {
			s.Errorf("in the chair %+v", a)
		}
		step(store.StateCancelled, store.ErrWrongState)
		if a = step(store.StateLeft, nil); a.LeaveTime.IsZero() {
			s.Error("left without a time")
		}
		_, err = s.s.ChangeAppointment(s.ctx, call(ours), store.StateChange{ID: id, To: store.StateCancelled})
		wantProblem(s, err, store.ErrInvalid, "reason")
	}),
	"nobody who has died is waited for, for any tooth": surgeryTest(func(s *surgery) {
		c1, err := s.s.CreateCase(s.ctx, call(ours), store.Case{PatientID: s.patient.ID, Tooth: 46})
		s.must(err)
		c2, err := s.s.CreateCase(s.ctx, call(ours), store.Case{PatientID: s.patient.ID, Tooth: 36})
		s.must(err)
		n := s.one(s.room, 480, 540)
		n.Visits[0].Cases = []store.VisitOf{{CaseID: c2.ID, Visit: 1}}
		n.Visits = append(n.Visits, store.NewVisit{Place: s.place(s.room, 600, 660)}) // without a case
		b := s.book(n)
		other := s.one(s.room, 720, 780)
		other.PatientID = s.patient2.ID
		theirs := s.book(other)
		want := []string{b.Appointments[0].ID, b.Appointments[1].ID}
		slices.Sort(want)
		ends, err := s.s.EndsWithCase(s.ctx, call(ours), c1.ID, store.ClosedDied)
		s.must(err)
		closed, err := s.s.CloseCase(s.ctx, call(ours), store.CaseClosing{ID: c1.ID, Reason: store.ClosedDied})
		s.must(err)
		if !slices.Equal(ends, want) || !slices.Equal(closed.Cancelled, want) {
			s.Errorf("would cancel %v, cancelled %v, want %v", ends, closed.Cancelled, want)
		}
		if a, err := s.s.GetAppointment(s.ctx, call(ours), theirs.Appointments[0].ID); err != nil || a.State != store.StateBooked {
			s.Errorf("another patient's is %s, %v", a.State, err)
		}
	}),
	"closing a case cancels its visits, except those that treat another tooth too": surgeryTest(func(s *surgery) {
		c1, err := s.s.CreateCase(s.ctx, call(ours), store.Case{PatientID: s.patient.ID, Tooth: 46})
		s.must(err)
		c2, err := s.s.CreateCase(s.ctx, call(ours), store.Case{PatientID: s.patient.ID, Tooth: 36})
		s.must(err)
		n := s.one(s.room, 480, 540)
		n.Visits[0].Cases = []store.VisitOf{{CaseID: c1.ID, Visit: 1}}
		n.Visits = append(n.Visits, store.NewVisit{Place: s.place(s.room, 600, 660), Cases: []store.VisitOf{{CaseID: c1.ID}, {CaseID: c2.ID}}})
		b := s.book(n)
		ends, err := s.s.EndsWithCase(s.ctx, call(ours), c1.ID, store.ClosedDeclined)
		s.must(err)
		if !slices.Equal(ends, []string{b.Appointments[0].ID}) {
			s.Errorf("closing would cancel %v", ends)
		}
		if foreign, err := s.s.EndsWithCase(s.ctx, call(theirs), c1.ID, store.ClosedDied); err != nil || len(foreign) != 0 {
			s.Errorf("another practice is told of %v, %v", foreign, err)
		}
		closed, err := s.s.CloseCase(s.ctx, call(ours), store.CaseClosing{ID: c1.ID, Reason: store.ClosedExtracted})
		s.must(err)
		if !slices.Equal(closed.Cancelled, []string{b.Appointments[0].ID}) {
			s.Errorf("cancelled %v", closed.Cancelled)
		}
		got, err := s.s.GetBooking(s.ctx, call(ours), b.ID)
		s.must(err)
		if got.Appointments[0].State != store.StateCancelled || got.Appointments[1].State != store.StateBooked {
			s.Errorf("states %s %s", got.Appointments[0].State, got.Appointments[1].State)
		}
		closed, err = s.s.CloseCase(s.ctx, call(ours), store.CaseClosing{ID: c2.ID, Reason: store.ClosedLost})
		s.must(err)
		if len(closed.Cancelled) != 1 {
			s.Errorf("the shared visit stays when no case is open: %v", closed.Cancelled)
		}
	}),
	"a case that is closed while it is being booked keeps no visit": surgeryTest(bookingMeetsClosing),
	"a retried booking is booked once": surgeryTest(func(s *surgery) {
		first, err := s.s.BookOffer(s.ctx, retryable("b", "b"), s.one(s.room, 480, 540))
		s.must(err)
		again, err := s.s.BookOffer(s.ctx, retryable("b", "b"), s.one(s.room, 480, 540))
		s.must(err)
		if !reflect.DeepEqual(first, again) {
			s.Errorf("first %+v\nagain %+v", first, again)
		}
	}),
	"many want one place and one gets it": surgeryTest(func(s *surgery) {
		const clients = 16
		patients := make([]store.Patient, clients)
		for i := range patients {
			patients[i] = s.bench.patient(ours, fmt.Sprintf("many-%d", i))
		}
		var wg sync.WaitGroup
		var mu sync.Mutex
		won := 0
		for i := range clients {
			wg.Go(func() {
				n := s.one(s.room, 480, 540)
				n.PatientID = patients[i].ID
				_, err := s.s.BookOffer(s.ctx, call(ours), n)
				mu.Lock()
				defer mu.Unlock()
				switch {
				case err == nil:
					won++
				case !errors.Is(err, store.ErrTaken):
					s.Error(err)
				}
			})
		}
		wg.Wait()
		if won != 1 {
			s.Errorf("%d got the place, want 1", won)
		}
	}),
	"resources and hours have etags and limits": setupTest,
	"the diary's masks follow every change":     surgeryTest(masksFollow),
	"pages of appointments hold each once": surgeryTest(func(s *surgery) {
		for i := range 11 {
			n := s.one(s.room, 480+i*30, 500+i*30)
			s.book(n)
		}
		var got []string
		q := store.AppointmentQuery{From: at(0), To: at(1440), Page: store.Page{Size: 4}}
		for pages := 1; ; pages++ {
			list, next, err := s.s.ListAppointments(s.ctx, call(ours), q)
			s.must(err)
			for _, a := range list {
				got = append(got, a.Start.Format("15:04"))
			}
			if next == "" {
				if pages != 3 { // 11 in fours
					s.Errorf("%d pages, want 3", pages)
				}
				break
			}
			q.Page.After = next
		}
		if len(got) != 11 || !slices.IsSorted(got) {
			s.Errorf("got %v", got)
		}
		_, _, err := s.s.ListAppointments(s.ctx, call(ours), store.AppointmentQuery{From: at(0), To: at(0).AddDate(10, 0, 0)})
		wantProblem(s, err, store.ErrInvalid, "to") // ten years
	}),
}
