package scheduler_test

import (
	"context"
	"slices"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

func (h *house) watch(r *replica, token string, only ...string) (grpc.ServerStreamingClient[vw.WatchDiaryResponse], context.CancelFunc) {
	h.Helper()
	// Whoever waits for a change that never comes fails, and does not hang.
	ctx, cancel := context.WithTimeout(h.Context(), 20*time.Second)
	h.Cleanup(cancel)
	s, err := r.client.WatchDiary(ctx, &vw.WatchDiaryRequest{Parent: "practices/" + willow, ResumeToken: token, Resources: only})
	h.must(err)
	return s, cancel
}

// next returns the next change and the newest token; heartbeats are passed over.
func (h *house) next(s grpc.ServerStreamingClient[vw.WatchDiaryResponse]) (*vw.DiaryChange, string) {
	h.Helper()
	for {
		m, err := s.Recv()
		h.must(err)
		if m.GetChange() != nil {
			return m.GetChange(), m.GetResumeToken()
		}
	}
}

// beat waits for the first heartbeat: from then on every change is heard.
func (h *house) beat(s grpc.ServerStreamingClient[vw.WatchDiaryResponse]) string {
	h.Helper()
	m, err := s.Recv()
	h.must(err)
	if m.GetChange() != nil || m.GetResumeToken() == "" {
		h.Fatalf("want a heartbeat first, got %v", m)
	}
	return m.GetResumeToken()
}

func TestAWatchTellsEveryChangeInOrderAndGoesOnWhereItStopped(t *testing.T) {
	h := newHouse(t, options{})
	s, cancel := h.watch(h.replica, "")
	start := h.beat(s)
	b, err := h.byHand(t.Context(), h.patient, "2026-01-12 10:00", 30)
	h.must(err)
	booked, _ := h.next(s)
	if booked.GetKind() != "appointment.booked" || booked.GetAppointment().GetName() != b.GetAppointments()[0].GetName() || booked.GetResource() != booked.GetAppointment().GetName() {
		t.Errorf("told %v", booked)
	}
	_, err = h.byHand(t.Context(), h.patient2, "2026-01-12 10:00", 30)
	h.must(err)
	second, token := h.next(s)
	if second.GetKind() != "appointment.booked" || second.GetSequence() != booked.GetSequence()+1 {
		t.Errorf("told %v", second)
	}
	cancel()
	// While nobody listens, three things happen.
	a := b.GetAppointments()[0]
	moved, err := h.client.MoveAppointment(t.Context(), &vw.MoveAppointmentRequest{Name: a.GetName(), Etag: a.GetEtag(), Reason: "patient-asked", Place: &vw.Place{Start: at("2026-01-12 11:00"), Minutes: 30}})
	h.must(err)
	_, err = h.client.CancelAppointment(t.Context(), &vw.CancelAppointmentRequest{Name: a.GetName(), Etag: moved.GetAppointment().GetEtag(), Reason: "patient-asked"})
	h.must(err)
	h.takeIn(h.external("k", "2026-01-12 13:00", 30, h.ben))
	s, _ = h.watch(h.replica, token)
	last := second.GetSequence()
	for _, want := range []string{"appointment.moved", "appointment.cancelled", "appointment.taken-in"} {
		c, _ := h.next(s)
		if c.GetKind() != want || c.GetSequence() != last+1 {
			t.Errorf("got %d %s, want %d %s", c.GetSequence(), c.GetKind(), last+1, want)
		}
		last = c.GetSequence()
	}
	// From the very start, all five.
	s, _ = h.watch(h.replica, start)
	for i, want := range []string{"appointment.booked", "appointment.booked", "appointment.moved", "appointment.cancelled", "appointment.taken-in"} {
		if c, _ := h.next(s); c.GetKind() != want {
			t.Errorf("change %d is %s, want %s", i+1, c.GetKind(), want)
		}
	}
	// A watch of one clinician hears of nobody else.
	s, _ = h.watch(h.replica, start, h.ben)
	for heard := ""; heard != "appointment.taken-in"; {
		c, _ := h.next(s)
		heard = c.GetKind()
		if !slices.ContainsFunc(c.GetAppointment().GetPlace().GetHolds(), func(x *vw.Hold) bool { return x.GetResource() == h.ben }) {
			t.Errorf("told %v", c)
		}
	}
	// The heartbeat comes by itself, and moves the token.
	h.beat(s)
}

func TestAResumeTokenThatIsTooOldHasACodeOfItsOwn(t *testing.T) {
	h := newHouse(t, options{})
	s, cancel := h.watch(h.replica, "")
	token := h.beat(s)
	cancel()
	_, err := h.byHand(t.Context(), h.patient, "2026-01-12 10:00", 30)
	h.must(err)
	h.clock.Advance(store.ChangeRetention + time.Hour)
	h.must(h.store.Tidy(t.Context()))
	s, _ = h.watch(h.replica, token)
	_, err = s.Recv()
	h.want(err, codes.OutOfRange, "WATCH_TOKEN_EXPIRED")
	s, _ = h.watch(h.replica, "AAAA")
	_, err = s.Recv()
	h.want(err, codes.InvalidArgument, "INVALID_FIELD")
}

func TestAStoppingServerSendsItsWatchersElsewhere(t *testing.T) {
	h := newHouse(t, options{})
	s, _ := h.watch(h.replica, "")
	token := h.beat(s)
	_, err := h.byHand(t.Context(), h.patient, "2026-01-12 10:00", 30)
	h.must(err)
	close(h.stop)
	for err == nil {
		var m *vw.WatchDiaryResponse
		if m, err = s.Recv(); err == nil {
			token = m.GetResumeToken()
		}
	}
	h.want(err, codes.Unavailable, "SHUTTING_DOWN")
	other := h.start()
	s, _ = h.watch(other, token)
	if _, err := s.Recv(); err != nil {
		t.Errorf("the other replica does not go on: %v", err)
	}
}

// On two replicas of one PostgreSQL: what is booked on one is told by the other,
// and its offers see it.
func TestTwoReplicasTellTheSameChangesAndSeeEachOthersBookings(t *testing.T) {
	h := newHouse(t, options{postgres: true})
	other := h.start()
	here, _ := h.watch(h.replica, "")
	there, _ := h.watch(other, "")
	h.beat(here)
	h.beat(there)
	before, err := other.client.FindOffers(t.Context(), &vw.FindOffersRequest{Parent: "practices/" + willow, Patient: h.patient2, Visits: both(h.plan(h.patientID2, 46)), MostOffers: 1})
	h.must(err)
	for _, s := range []grpc.ServerStreamingClient[vw.WatchDiaryResponse]{here, there} { // the new case and plan
		for range 2 {
			h.next(s)
		}
	}
	token := h.offers(h.patient, both(h.plan(h.patientID, 46)), nil).GetOffers()[0].GetToken()
	b, err := h.bookToken(h.patient, token, 0)
	h.must(err)
	var tokens []string
	for _, s := range []grpc.ServerStreamingClient[vw.WatchDiaryResponse]{here, there} {
		for range 2 { // case and plan
			h.next(s)
		}
		for i := range 2 {
			c, token := h.next(s)
			if c.GetAppointment().GetName() != b.GetAppointments()[i].GetName() {
				t.Errorf("told %v", c)
			}
			tokens = append(tokens, token)
		}
	}
	if tokens[0] != tokens[2] || tokens[1] != tokens[3] {
		t.Error("the replicas count differently")
	}
	after, err := other.client.FindOffers(t.Context(), &vw.FindOffersRequest{Parent: "practices/" + willow, Patient: h.patient2,
		Visits: []*vw.VisitToPlace{{Unplanned: &vw.UnplannedVisit{Protocol: "consultation", Minutes: 60}}}, MostOffers: 1})
	h.must(err)
	if after.GetDiaryVersion() <= before.GetDiaryVersion() {
		t.Errorf("the other replica reads version %d, before %d", after.GetDiaryVersion(), before.GetDiaryVersion())
	}
	first := b.GetAppointments()[0].GetPlace()
	check, err := other.client.CheckPlace(t.Context(), &vw.CheckPlaceRequest{Parent: "practices/" + willow, Unplanned: &vw.UnplannedVisit{Protocol: "consultation", Minutes: 60}, Place: first})
	h.must(err)
	if w := check.GetPlace().GetWarnings(); len(w) == 0 || w[0].GetReason() != "PLACE_TAKEN" {
		t.Errorf("the other replica takes the place for free: %v", w)
	}
}
