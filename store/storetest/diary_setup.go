package storetest

import (
	"errors"

	"github.com/visitwright/visitwright/store"
)

var setupTests = map[string]func(*bench){
	"a place that was checked by older hours is not booked, and not moved to": surgeryTest(func(s *surgery) {
		setup, err := s.s.ReadSetup(s.ctx, call(ours))
		s.must(err)
		n := s.one(s.room, 540, 600)
		n.SetupVersion = setup.Version
		b := s.book(n)
		_, err = s.s.PutAbsence(s.ctx, call(ours), store.Absence{FromDay: "2026-03-04", ToDay: "2026-03-04", ToMin: 1440, Kind: "closed"})
		s.must(err)
		n = s.one(s.room, 660, 720)
		n.SetupVersion = setup.Version
		if _, err := s.s.BookOffer(s.ctx, call(ours), n); !errors.Is(err, store.ErrSetupChanged) {
			s.Errorf("booked: %v", err)
		}
		a := b.Appointments[0]
		r := store.Repair{Moves: []store.Move{{ID: a.ID, Etag: a.Etag, Place: s.place(s.room, 660, 720), Reason: "repair"}}, SetupVersion: setup.Version}
		if _, err := s.s.RepairAppointments(s.ctx, call(ours), r); !errors.Is(err, store.ErrSetupChanged) {
			s.Errorf("moved: %v", err)
		}
	}),
}
