package storetest

import (
	"errors"
	"sync"

	"github.com/visitwright/visitwright/store"
)

// bookingMeetsClosing books a case while it is being closed, again and again:
// whoever comes first, a closed case is left without a visit.
func bookingMeetsClosing(s *surgery) {
	booked := 0
	for i := range 30 {
		c, err := s.s.CreateCase(s.ctx, call(ours), store.Case{PatientID: s.bench.patient(ours, "closing-"+string(rune('a'+i))).ID, Tooth: 46})
		s.must(err)
		n := s.one(s.room, 480, 490)
		n.PatientID = c.PatientID
		n.Visits[0].Spans = n.Visits[0].Spans[:1]
		n.Visits[0].Cases = []store.VisitOf{{CaseID: c.ID, Visit: 1}}
		var wg sync.WaitGroup
		wg.Go(func() {
			_, err := s.s.BookOffer(s.ctx, call(ours), n)
			if err == nil {
				booked++
			} else if !errors.Is(err, store.ErrWrongState) {
				s.Errorf("booking: %v", err)
			}
		})
		wg.Go(func() {
			if _, err := s.s.CloseCase(s.ctx, call(ours), store.CaseClosing{ID: c.ID, Reason: store.ClosedDied}); err != nil {
				s.Errorf("closing: %v", err)
			}
		})
		wg.Wait()
		left, _, err := s.s.ListAppointments(s.ctx, call(ours), store.AppointmentQuery{From: at(0), To: at(1440), CaseID: c.ID})
		s.must(err)
		if len(left) != 0 {
			s.Fatalf("round %d: a closed case keeps %d visits", i, len(left))
		}
	}
	s.Logf("%d of 30 were booked before they were closed", booked)
}
