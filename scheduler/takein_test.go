package scheduler_test

import (
	"errors"
	"fmt"
	"io"
	"testing"
	"time"

	"google.golang.org/grpc/codes"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// external is an appointment of another system that holds the clinician and the
// room throughout.
func (h *house) external(key, start string, minutes int32, holds ...string) *vw.ExternalAppointment {
	e := &vw.ExternalAppointment{Key: &vw.ExternalIdentifier{System: "practice-diary", Value: key}, Place: &vw.Place{Start: at(start), Minutes: minutes}}
	for _, name := range holds {
		e.Place.Holds = append(e.Place.Holds, &vw.Hold{Resource: name, ToMinute: minutes})
	}
	return e
}

func (h *house) takeIn(items ...*vw.ExternalAppointment) []*vw.TakenIn {
	h.Helper()
	s, err := h.client.TakeInAppointments(h.Context())
	h.must(err)
	h.must(s.Send(&vw.TakeInAppointmentsRequest{Parent: "practices/" + willow, Appointments: items, Sequence: 7}))
	h.must(s.CloseSend())
	got, err := s.Recv()
	h.must(err)
	if _, err := s.Recv(); !errors.Is(err, io.EOF) {
		h.Errorf("the stream goes on: %v", err)
	}
	if got.GetSequence() != 7 || len(got.GetItems()) != len(items) {
		h.Fatalf("answer %v", got)
	}
	return got.GetItems()
}

func TestWhatAnotherSystemSendsIsTakenInAsItIsAndConflictsAreShown(t *testing.T) {
	h := newHouse(t, options{})
	mine, err := h.client.BookOffer(t.Context(), &vw.BookOfferRequest{Parent: "practices/" + willow, Patient: h.patient, Places: []*vw.PlaceToBook{
		{Unplanned: &vw.UnplannedVisit{Protocol: "consultation", Minutes: 30}, Place: &vw.Place{Start: at("2026-01-12 10:00"), Minutes: 30, Holds: []*vw.Hold{{Resource: h.anna}, {Resource: h.room}}}}}})
	h.must(err)
	got := h.takeIn(
		h.external("a", "2026-01-12 10:10", 37, h.anna, h.room2), // over our booking, off our grid
		h.external("b", "2026-01-12 13:00", 60, h.ben, h.room2),
		h.external("c", "2026-01-12 13:30", 60, "practices/"+willow+"/clinicians/nobody"),
		h.external("b", "2026-01-12 14:00", 60, h.ben, h.room2), // the same key again: moved
		h.external("d", "2026-01-11 03:00", 60, h.ben),          // on a Sunday night: the truth all the same
	)
	for i, want := range []vw.TakenIn_Outcome{vw.TakenIn_OUTCOME_CREATED, vw.TakenIn_OUTCOME_CREATED, vw.TakenIn_OUTCOME_REFUSED, vw.TakenIn_OUTCOME_CHANGED, vw.TakenIn_OUTCOME_CREATED} {
		if got[i].GetOutcome() != want {
			t.Errorf("item %d: %v, want %v: %v", i, got[i].GetOutcome(), want, got[i])
		}
	}
	own := mine.GetAppointments()[0].GetName()
	if c := got[0].GetConflicts(); len(c) != 1 || c[0] != own {
		t.Errorf("conflicts %v, want %s", c, own)
	}
	if e := got[2].GetError(); e.GetReason() != "CLINICIAN_NOT_FOUND" || e.GetCode() != int32(codes.NotFound) {
		t.Errorf("refused with %v", e)
	}
	list, err := h.client.ListAppointments(t.Context(), &vw.ListAppointmentsRequest{Parent: "practices/" + willow, ConflictsOnly: true,
		Days: &vw.DateRange{FirstDate: day("2026-01-12"), LastDate: day("2026-01-12")}})
	h.must(err)
	if len(list.GetAppointments()) != 2 {
		t.Errorf("shown in conflict: %v", list.GetAppointments())
	}
	// Our own bookings are never made into it.
	_, err = h.client.BookOffer(t.Context(), &vw.BookOfferRequest{Parent: "practices/" + willow, Patient: h.patient2, Places: []*vw.PlaceToBook{
		{Unplanned: &vw.UnplannedVisit{Protocol: "consultation", Minutes: 30}, Place: &vw.Place{Start: at("2026-01-12 14:30"), Minutes: 30, Holds: []*vw.Hold{{Resource: h.ben}, {Resource: h.room}}}}}})
	h.want(err, codes.Aborted, "PLACE_TAKEN")
	// Sent again, nothing changes; cancelled there, the place is free here.
	if x := h.takeIn(h.external("b", "2026-01-12 14:00", 60, h.ben, h.room2))[0]; x.GetOutcome() != vw.TakenIn_OUTCOME_UNCHANGED || x.GetAppointment() != got[3].GetAppointment() {
		t.Errorf("again: %v", x)
	}
	off := h.external("b", "2026-01-12 14:00", 60, h.ben, h.room2)
	off.Cancelled = true
	if x := h.takeIn(off)[0]; x.GetOutcome() != vw.TakenIn_OUTCOME_CANCELLED {
		t.Errorf("cancelled: %v", x)
	}
	_, err = h.client.BookOffer(t.Context(), &vw.BookOfferRequest{Parent: "practices/" + willow, Patient: h.patient2, Places: []*vw.PlaceToBook{
		{Unplanned: &vw.UnplannedVisit{Protocol: "consultation", Minutes: 30}, Place: &vw.Place{Start: at("2026-01-12 14:30"), Minutes: 30, Holds: []*vw.Hold{{Resource: h.ben}, {Resource: h.room}}}}}})
	h.must(err)
	// What it is master of, it alone moves and cancels.
	a, err := h.client.GetAppointment(t.Context(), &vw.GetAppointmentRequest{Name: got[0].GetAppointment()})
	h.must(err)
	_, err = h.client.MoveAppointment(t.Context(), &vw.MoveAppointmentRequest{Name: a.GetName(), Etag: a.GetEtag(), Reason: "patient-asked", Place: &vw.Place{Start: at("2026-01-13 10:00"), Minutes: 30}})
	h.want(err, codes.FailedPrecondition, "WRONG_BOOKING_STATE")
}

func TestOneAppointmentIsTakenInByItselfAndKeepsItsKey(t *testing.T) {
	h := newHouse(t, options{})
	r := &vw.TakeInAppointmentRequest{Parent: "practices/" + willow, Appointment: h.external("x", "2026-01-12 10:00", 30, h.anna)}
	got, err := h.client.TakeInAppointment(t.Context(), r)
	h.must(err)
	a, err := h.client.GetAppointment(t.Context(), &vw.GetAppointmentRequest{Name: got.GetAppointment()})
	h.must(err)
	if a.GetExternal().GetValue() != "x" || a.GetPatient() != "" {
		t.Errorf("kept %v", a)
	}
	r.Appointment.Place = nil
	bad, err := h.client.TakeInAppointment(t.Context(), r)
	h.must(err)
	if bad.GetOutcome() != vw.TakenIn_OUTCOME_REFUSED || bad.GetError().GetField() != "place" {
		t.Errorf("without a place: %v", bad)
	}
}

// A diary taken in over the stream, 500 to a message; a broken stream goes on
// where its last answer ended, and the same again changes nothing. How long ten
// thousand take is measured by BenchmarkTenThousandAppointmentsTakenIn.
func TestAWholeDiaryIsTakenInAndSentAgainWithoutChange(t *testing.T) {
	for name, postgres := range map[string]bool{"SQLite": false, "PostgreSQL": true} {
		t.Run(name, func(t *testing.T) { takeIn(t, postgres, takeInSize) })
	}
}

func BenchmarkTenThousandAppointmentsTakenIn(b *testing.B) {
	for name, postgres := range map[string]bool{"SQLite": false, "PostgreSQL": true} {
		b.Run(name, func(b *testing.B) {
			var took time.Duration
			least := time.Hour
			for b.Loop() {
				one := takeIn(b, postgres, 10_000)
				took, least = took+one, min(least, one)
			}
			b.ReportMetric(took.Seconds()/float64(b.N), "s/10k")
			// What other work on the machine does not disturb.
			b.ReportMetric(least.Seconds(), "least-s/10k")
		})
	}
}

func takeIn(t testing.TB, postgres bool, most int) time.Duration {
	h := newHouse(t, options{postgres: postgres})
	const each = 500
	var messages []*vw.TakeInAppointmentsRequest
	for n := range most / each {
		r := &vw.TakeInAppointmentsRequest{Parent: "practices/" + willow, Sequence: int64(n + 1)}
		for i := range each {
			k := n*each + i
			start := time.Date(2026, 1, 12, 8, 0, 0, 0, time.UTC).AddDate(0, 0, k/40).Add(time.Duration(k%20*25) * time.Minute)
			who, where := h.anna, h.room
			if k%40 >= 20 {
				who, where = h.ben, h.room2
			}
			r.Appointments = append(r.Appointments, h.external(fmt.Sprint(k), start.Format("2006-01-02 15:04"), 25, who, where))
		}
		messages = append(messages, r)
	}
	send := func(list []*vw.TakeInAppointmentsRequest, want vw.TakenIn_Outcome) {
		s, err := h.client.TakeInAppointments(t.Context())
		h.must(err)
		for _, m := range list {
			h.must(s.Send(m))
			got, err := s.Recv()
			h.must(err)
			for _, item := range got.GetItems() {
				if item.GetOutcome() != want || got.GetSequence() != m.GetSequence() {
					t.Fatalf("message %d: %v, want %v", m.GetSequence(), item, want)
				}
			}
		}
		h.must(s.CloseSend())
	}
	began := wallClock()
	half := len(messages) / 2
	send(messages[:half], vw.TakenIn_OUTCOME_CREATED) // the stream breaks here
	send(messages[half:], vw.TakenIn_OUTCOME_CREATED)
	took := wallClock().Sub(began)
	began = wallClock()
	send(messages, vw.TakenIn_OUTCOME_UNCHANGED)
	t.Logf("%d appointments taken in within %v; sent again, nothing changed, within %v", most, took.Round(time.Millisecond), wallClock().Sub(began).Round(time.Millisecond))
	return took
}
