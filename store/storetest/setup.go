package storetest

import (
	"reflect"
	"slices"
	"time"

	"github.com/visitwright/visitwright/store"
)

func setupTest(b *bench) {
	s := newSurgery(b, ours)
	setup, err := b.s.ReadSetup(b.ctx, call(ours))
	b.must(err)
	if len(setup.Resources) != 4 || len(setup.Clinicians) != 1 || setup.Practice.ID != ours {
		b.Errorf("setup %+v", setup)
	}
	rule := store.HoursRule{Weekday: 1, StartMinute: 480, EndMinute: 720, EveryWeeks: 1}
	h, err := b.s.PutHours(b.ctx, call(ours), store.Hours{Owner: s.clinician, Rules: []store.HoursRule{rule}})
	b.must(err)
	_, err = b.s.PutHours(b.ctx, call(ours), store.Hours{Owner: s.clinician, Rules: []store.HoursRule{rule}})
	wantKind(b, err, store.ErrStaleEtag)
	h.Rules = append(h.Rules, store.HoursRule{Weekday: 1, StartMinute: 780, EndMinute: 1020, EveryWeeks: 2, InWeek: 1})
	h, err = b.s.PutHours(b.ctx, call(ours), h)
	b.must(err)
	bad := h
	bad.Rules = append(slices.Clone(h.Rules), store.HoursRule{Weekday: 1, StartMinute: 700, EndMinute: 790, EveryWeeks: 4, InWeek: 3})
	_, err = b.s.PutHours(b.ctx, call(ours), bad)
	wantProblem(b, err, store.ErrInvalid, "rules")
	_, err = b.s.PutHours(b.ctx, call(ours), store.Hours{Owner: store.ResourceRef{Kind: store.KindRoom, ID: "none"}})
	wantKind(b, err, store.ErrNotFound)
	a, err := b.s.PutAbsence(b.ctx, call(ours), store.Absence{FromDay: "2026-12-24", ToDay: "2026-12-26", ToMin: 1440, Kind: "holiday"})
	b.must(err)
	_, err = b.s.PutAbsence(b.ctx, call(ours), store.Absence{FromDay: "2026-12-24", ToDay: "2026-12-23", ToMin: 1440})
	wantProblem(b, err, store.ErrInvalid, "to_day")
	after, err := b.s.ReadSetup(b.ctx, call(ours))
	b.must(err)
	if after.Version <= setup.Version {
		b.Errorf("version %d after %d", after.Version, setup.Version)
	}
	if len(after.Hours) != 1 || !reflect.DeepEqual(after.Hours[0], h) || len(after.Absences) != 1 || after.Absences[0] != a {
		b.Errorf("hours %+v, absences %+v", after.Hours, after.Absences)
	}
	b.must(b.s.DeleteAbsence(b.ctx, call(ours), a.ID))
	wantKind(b, b.s.DeleteAbsence(b.ctx, call(ours), a.ID), store.ErrNotFound)
	foreign, err := b.s.ReadSetup(b.ctx, call(theirs))
	b.must(err)
	if len(foreign.Resources)+len(foreign.Clinicians)+len(foreign.Hours)+len(foreign.Absences) != 0 {
		b.Errorf("another practice sees %+v", foreign)
	}
	// A resource that is out of use is not booked.
	for _, r := range after.Resources {
		if r.ResourceRef == s.room2 {
			r.Active = false
			_, err = b.s.PutResource(b.ctx, call(ours), r)
			b.must(err)
		}
	}
	_, err = b.s.BookOffer(b.ctx, call(ours), s.one(s.room2, 480, 540))
	wantKind(b, err, store.ErrWrongState)
}

// masksFollow compares the masks after each change with what the appointments say.
func masksFollow(s *surgery) {
	check := func(after string) {
		s.Helper()
		s.Log("after", after)
		masksAgree(s)
	}
	check("nothing")
	a := s.book(s.one(s.room, 480, 543)).Appointments[0] // not on the cell grid
	check("a booking")
	n := s.one(s.room2, 1400, 1500) // over midnight UTC
	n.PatientID, n.HoldFor = s.patient2.ID, time.Hour
	s.book(n)
	check("a provisional booking over midnight")
	_, err := s.s.TakeIn(s.ctx, call(ours), []store.ExternalAppointment{{Key: store.ExternalID{System: "d", Value: "1"}, Start: at(500), End: at(560),
		Spans: []store.Span{{ResourceRef: s.room, Start: at(500), End: at(560)}}}})
	s.must(err)
	check("taking in one that overlaps")
	m, err := s.s.MoveAppointment(s.ctx, call(ours), store.Move{ID: a.ID, Etag: a.Etag, Place: s.place(s.room, 300, 360)})
	s.must(err)
	check("a move")
	since, err := s.s.ReadDays(s.ctx, call(ours), 0, 1, 0)
	s.must(err)
	_, err = s.s.ChangeAppointment(s.ctx, call(ours), store.StateChange{ID: m.ID, To: store.StateCancelled, Reason: "x"})
	s.must(err)
	check("a cancellation")
	day := at(0).Unix() / 86400
	changed, err := s.s.ReadDays(s.ctx, call(ours), day-1, day+1, since.Version)
	s.must(err)
	if len(changed.Days) != 1 || changed.Days[0].Day != day || changed.Version <= since.Version {
		s.Errorf("since version %d: %d days, version %d", since.Version, len(changed.Days), changed.Version)
	}
	s.clock.Advance(time.Hour)
	check("a provisional booking's end") // ReadDays ends it by itself
}
