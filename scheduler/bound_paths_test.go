package scheduler_test

import (
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	"github.com/visitwright/visitwright/planner/chairside"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// place is one visit of a plan at a start chosen by hand.
func (h *house) place(plan string, visit int32, start string) *vw.PlaceToBook {
	return &vw.PlaceToBook{Parts: part(plan, visit), Place: &vw.Place{Start: at(start)}}
}

func (h *house) bookPlaces(places ...*vw.PlaceToBook) (*vw.Booking, error) {
	return h.client.BookOffer(h.Context(), &vw.BookOfferRequest{Parent: "practices/" + willow, Patient: h.patient, Places: places})
}

// Whoever names the second visit first books it no sooner for that.
func TestAWindowHoldsInWhateverOrderThePlacesAreNamed(t *testing.T) {
	h := newHouse(t, options{})
	plan := h.plan(h.patientID, 46)
	_, err := h.bookPlaces(h.place(plan, 2, "2026-01-13 10:00"), h.place(plan, 1, "2026-01-12 10:00"))
	h.want(err, codes.FailedPrecondition, "OUTSIDE_WINDOW")
	b, err := h.bookPlaces(h.place(plan, 2, "2026-01-26 10:00"), h.place(plan, 1, "2026-01-12 10:00"))
	h.must(err)
	if len(b.GetAppointments()) != 2 {
		t.Errorf("booked %v", b)
	}
}

// The first visit of one tooth says nothing about the second of another.
func TestEachToothOfABookingCountsFromItsOwnVisitBefore(t *testing.T) {
	h := newHouse(t, options{})
	one, other := h.plan(h.patientID, 46), h.plan(h.patientID, 36)
	_, err := h.bookPlaces(h.place(other, 1, "2026-01-19 10:00"))
	h.must(err)
	_, err = h.bookPlaces(h.place(one, 1, "2026-01-12 10:00"), h.place(other, 2, "2026-01-20 10:00"))
	h.want(err, codes.FailedPrecondition, "OUTSIDE_WINDOW")
	_, err = h.bookPlaces(h.place(one, 1, "2026-01-26 10:00"), h.place(other, 2, "2026-01-28 10:00"))
	h.must(err)
}

// A patient who came without an appointment has a dressing with a clock all the same.
func TestASecondVisitCountsFromAFirstThatHadNoAppointment(t *testing.T) {
	x := newFollows(t, options{})
	plan := x.plan(x.patientID, 46)
	x.visited(caseOf(plan), chairside.Closing{Medicament: "calcium-hydroxide", Temporary: "glass-ionomer"}, "")
	for _, start := range []string{"2026-01-09 10:00", "2026-02-10 10:00"} {
		_, err := x.bookPlaces(x.place(plan, 2, start))
		x.want(err, codes.FailedPrecondition, "OUTSIDE_WINDOW")
	}
	_, err := x.bookPlaces(x.place(plan, 2, "2026-01-20 10:00"))
	x.must(err)
}

// A visit in case it is needed lets its place go so many days before it, wherever
// it has moved to.
func TestAVisitIfNeededThatMovesLetsItsPlaceGoByItsNewDay(t *testing.T) {
	for _, to := range []string{"2026-01-21 10:00", "2026-02-03 10:00"} {
		h := newHouse(t, options{})
		plan := h.plan(h.patientID, 46)
		second := h.place(plan, 2, "2026-01-27 10:00")
		second.IfNeeded = true
		b, err := h.bookPlaces(h.place(plan, 1, "2026-01-12 10:00"), second)
		h.must(err)
		two := b.GetAppointments()[1]
		move := &vw.MoveAppointmentRequest{Name: two.GetName(), Etag: two.GetEtag(), Reason: "patient-asked", Place: &vw.Place{Start: at(to)}}
		seen := proto.CloneOf(move)
		seen.ValidateOnly = true
		for _, r := range []*vw.MoveAppointmentRequest{seen, move} {
			got, err := h.client.MoveAppointment(t.Context(), r)
			h.must(err)
			a := got.GetAppointment()
			if before := a.GetPlace().GetStart().GetInstantTime().AsTime().Sub(a.GetReleaseTime().AsTime()); before != 48*time.Hour {
				t.Errorf("moved to %s: lets its place go %v before it, want 48 hours", to, before)
			}
		}
	}
}

// The other system is master of the time: who missed one time is expected at the next.
func TestAnAppointmentThatItsMasterPutsElsewhereIsExpectedAgain(t *testing.T) {
	h := newHouse(t, options{})
	const key = "17"
	name := h.takeIn(h.external(key, "2026-01-07 09:30", 60, h.anna, h.room))[0].GetAppointment()
	a, err := h.client.GetAppointment(t.Context(), &vw.GetAppointmentRequest{Name: name})
	h.must(err)
	h.clock.Advance(2 * time.Hour)
	_, err = h.client.RecordAttendance(t.Context(), &vw.RecordAttendanceRequest{Name: name, Etag: a.GetEtag(), State: vw.Appointment_STATE_DID_NOT_ATTEND})
	h.must(err)
	// A longer length alone is no new time.
	h.takeIn(h.external(key, "2026-01-07 09:30", 45, h.anna, h.room))
	a, err = h.client.GetAppointment(t.Context(), &vw.GetAppointmentRequest{Name: name})
	h.must(err)
	if a.GetState() != vw.Appointment_STATE_DID_NOT_ATTEND {
		t.Errorf("shortened: %v, want the mark kept", a.GetState())
	}
	h.takeIn(h.external(key, "2026-01-14 09:30", 60, h.anna, h.room))
	a, err = h.client.GetAppointment(t.Context(), &vw.GetAppointmentRequest{Name: name})
	h.must(err)
	if a.GetState() != vw.Appointment_STATE_BOOKED {
		t.Errorf("put a week later: %v, want booked", a.GetState())
	}
	_, err = h.client.BookOffer(t.Context(), &vw.BookOfferRequest{Parent: "practices/" + willow, Patient: h.patient2, Places: []*vw.PlaceToBook{
		{Unplanned: &vw.UnplannedVisit{Protocol: "consultation", Minutes: 30}, Place: &vw.Place{Start: at("2026-01-14 09:30"), Minutes: 30, Holds: []*vw.Hold{{Resource: h.anna}, {Resource: h.room2}}}}}})
	h.want(err, codes.Aborted, "PLACE_TAKEN")
}

// Who came early and waits has come, though the other system shifts the start.
func TestAShiftOfTheStartLeavesWhoWaitsWaiting(t *testing.T) {
	h := newHouse(t, options{})
	name := h.takeIn(h.external("18", "2026-01-07 09:30", 60, h.anna, h.room))[0].GetAppointment()
	a, err := h.client.GetAppointment(t.Context(), &vw.GetAppointmentRequest{Name: name})
	h.must(err)
	_, err = h.client.RecordAttendance(t.Context(), &vw.RecordAttendanceRequest{Name: name, Etag: a.GetEtag(), State: vw.Appointment_STATE_ARRIVED})
	h.must(err)
	h.takeIn(h.external("18", "2026-01-07 09:45", 60, h.anna, h.room))
	a, err = h.client.GetAppointment(t.Context(), &vw.GetAppointmentRequest{Name: name})
	h.must(err)
	if a.GetState() != vw.Appointment_STATE_ARRIVED || a.GetArriveTime() == nil {
		t.Errorf("shifted by a quarter of an hour: %v, want arrived", a)
	}
}

// An override keeps its reason, and spaces are none.
func TestABlankReasonOverridesNoWindow(t *testing.T) {
	h := newHouse(t, options{})
	plan := h.plan(h.patientID, 46)
	early := h.place(plan, 2, "2026-01-15 10:00")
	early.Override = &vw.WindowOverride{Reason: "  "}
	book := &vw.BookOfferRequest{Parent: "practices/" + willow, Patient: h.patient, Places: []*vw.PlaceToBook{h.place(plan, 1, "2026-01-12 10:00"), early}}
	_, err := h.client.BookOffer(h.as("clinician"), book)
	h.want(err, codes.InvalidArgument, "INVALID_FIELD")
	early.Override.Reason = "in pain"
	_, err = h.client.BookOffer(h.as("clinician"), book)
	h.must(err)
}

func TestAReviewSentAgainGetsItsFirstAnswer(t *testing.T) {
	x := newFollows(t, options{zone: "Europe/London", now: filledOn})
	x.filled()
	x.clock.Advance(185 * 24 * time.Hour)
	r := &vw.RecordReviewRequest{Case: x.name, IndexNow: proto.Int32(2), RadiographReason: "bone at the apex", RequestId: "7d1c6bb2-3f0a-4c8e-9b57-2f6a1f0c9e11"}
	first, err := x.f.RecordReview(x.in(), r)
	x.must(err)
	again, err := x.f.RecordReview(x.in(), r)
	x.must(err)
	if !proto.Equal(first, again) {
		t.Errorf("first %v\nthen %v", first, again)
	}
}

// The filling may be known from the chair alone.
func TestAReviewOfAToothFilledInTheChairSaysWhatComesNext(t *testing.T) {
	x := newFollows(t, options{zone: "Europe/London", now: filledOn})
	plan := x.plan(x.patientID, 36)
	x.visited(caseOf(plan), chairside.Closing{}, "filled")
	x.clock.Advance(185 * 24 * time.Hour)
	got, err := x.f.RecordReview(x.in(), &vw.RecordReviewRequest{Case: "practices/" + willow + "/cases/" + caseOf(plan), IndexNow: proto.Int32(2), RadiographReason: "bone at the apex"})
	x.must(err)
	if got.GetOutcome().GetNext() != "review-due" {
		t.Errorf("outcome %v, want the next review named", got.GetOutcome())
	}
}

// An offer lies as long as nobody books it; meanwhile the visit before it may go
// elsewhere.
func TestAnOfferIsNotBookedOnceTheVisitThatItCountsFromHasMoved(t *testing.T) {
	h := newHouse(t, options{})
	plan := h.plan(h.patientID, 46)
	b, err := h.bookPlaces(h.place(plan, 1, "2026-01-12 10:00"))
	h.must(err)
	one := b.GetAppointments()[0]
	offer := h.offers(h.patient, []*vw.VisitToPlace{{Parts: part(plan, 2)}}, nil).GetOffers()[0]
	moved, err := h.client.MoveAppointment(t.Context(), &vw.MoveAppointmentRequest{Name: one.GetName(), Etag: one.GetEtag(), Reason: "patient-asked", Place: &vw.Place{Start: at("2026-01-22 10:00")}})
	h.must(err)
	_, err = h.bookToken(h.patient, offer.GetToken(), 0)
	h.want(err, codes.FailedPrecondition, "OUTSIDE_WINDOW")
	offer = h.offers(h.patient, []*vw.VisitToPlace{{Parts: part(plan, 2)}}, nil).GetOffers()[0]
	one = moved.GetAppointment()
	_, err = h.client.MoveAppointment(t.Context(), &vw.MoveAppointmentRequest{Name: one.GetName(), Etag: one.GetEtag(), Reason: "patient-asked", Place: &vw.Place{Start: at("2026-01-22 14:00")}})
	h.must(err)
	_, err = h.bookToken(h.patient, offer.GetToken(), 0) // the same day: nothing has changed for the tooth
	h.must(err)
}

// The tooth was seen again after its appointment: its new dressing has a clock of
// its own, and what is offered by that is booked.
func TestAnOfferAfterAnAppointmentCountsFromTheLastVisitThatTookPlace(t *testing.T) {
	x := newFollows(t, options{})
	plan := x.plan(x.patientID, 46)
	b, err := x.bookPlaces(x.place(plan, 1, "2026-01-12 10:00"))
	x.must(err)
	x.clock.Advance(7 * 24 * time.Hour)
	x.visited(caseOf(plan), chairside.Closing{Medicament: "calcium-hydroxide", Temporary: "glass-ionomer"}, "")
	offer := x.offers(x.patient, []*vw.VisitToPlace{{Parts: part(plan, 1), Appointment: b.GetAppointments()[0].GetName()}, {Parts: part(plan, 2)}}, nil).GetOffers()[0]
	if got := iso(offer.GetPlaces()[1].GetPlace().GetStart().GetDate()); got < "2026-01-21" {
		t.Errorf("offered %s, within a week of the dressing of 14 January", got)
	}
	_, err = x.bookToken(x.patient, offer.GetToken(), 0)
	x.must(err)
}
