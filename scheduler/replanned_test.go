package scheduler_test

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"github.com/visitwright/visitwright/planner/chairside"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// A dressing placed nine days ago has its clock from that day: counted from the
// day of asking, its latest day would be nine days late.
func TestTheFirstVisitOfAPlanMadeAnewIsCountedFromTheVisitThatTookPlace(t *testing.T) {
	h := newHouse(t, options{})
	plan := h.plan(h.patientID, 46)
	booked, err := h.client.BookOffer(t.Context(), &vw.BookOfferRequest{Parent: "practices/" + willow, Patient: h.patient,
		Places: []*vw.PlaceToBook{{Parts: part(plan, 1), Place: &vw.Place{Start: at("2026-01-07 10:00"), Minutes: 60}}}})
	h.must(err)
	a := booked.GetAppointments()[0]
	h.clock.Advance(2 * time.Hour)
	for _, state := range []vw.Appointment_State{vw.Appointment_STATE_IN_CHAIR, vw.Appointment_STATE_LEFT} {
		a, err = h.client.RecordAttendance(t.Context(), &vw.RecordAttendanceRequest{Name: a.GetName(), Etag: a.GetEtag(), State: state})
		h.must(err)
	}
	again := h.planAnew(plan)
	h.clock.Advance(9 * 24 * time.Hour)
	offers := h.offers(h.patient, []*vw.VisitToPlace{{Parts: part(again, 1)}}, nil).GetOffers()
	if len(offers) == 0 {
		t.Fatal("no offers")
	}
	for _, o := range offers {
		day := civilDate(o.GetPlaces()[0].GetPlace().GetStart().GetDate())
		if after := day.DaysSince(civilDate(at("2026-01-07 10:00").GetDate())); after < 9 || after > 28 {
			t.Errorf("offered %d days after the visit, want within 7 to 28 and not in the past", after)
		}
	}
	if first := civilDate(offers[0].GetPlaces()[0].GetPlace().GetStart().GetDate()).String(); first != "2026-01-21" {
		t.Errorf("the best offer is on %s, want the target day 2026-01-21", first)
	}
	_, err = h.client.BookOffer(t.Context(), &vw.BookOfferRequest{Parent: "practices/" + willow, Patient: h.patient,
		Places: []*vw.PlaceToBook{{Parts: part(again, 1), Place: &vw.Place{Start: at("2026-02-06 10:00"), Minutes: 45}}}})
	if got := reason(err); got != "OUTSIDE_WINDOW" {
		t.Errorf("30 days after the visit: got %s, want OUTSIDE_WINDOW: %v", got, err)
	}
}

// The patient came without an appointment: the chair's record says when.
func TestTheFirstVisitOfAPlanMadeAnewIsCountedFromTheChairsRecordWithoutAnAppointment(t *testing.T) {
	x := newFollows(t, options{})
	plan := x.plan(x.patientID, 46)
	x.visited(caseOf(plan), chairside.Closing{Medicament: "calcium-hydroxide", Temporary: "glass-ionomer"}, "")
	again := x.planAnew(plan)
	x.clock.Advance(9 * 24 * time.Hour)
	offers := x.offers(x.patient, []*vw.VisitToPlace{{Parts: part(again, 1)}}, nil).GetOffers()
	if len(offers) == 0 || civilDate(offers[0].GetPlaces()[0].GetPlace().GetStart().GetDate()).String() != "2026-01-21" {
		t.Errorf("offered %v, want the target day 2026-01-21 first", offers)
	}
}

// planAnew keeps the plan of the rest, as the chair makes it: one visit 7 to 28
// days after the last.
func (h *house) planAnew(plan string) string {
	h.Helper()
	document, err := proto.Marshal(&vw.Plan{Protocol: "primary-treatment", Options: []*vw.TreatmentOption{{Id: "rest", Feasible: true, Visits: []*vw.PlannedVisit{{Number: 1, AppointmentMinutes: 45}}}}})
	h.must(err)
	_, err = h.store.SavePlanRevision(h.Context(), h.call(), store.NewPlanRevision{CaseID: caseOf(plan), Base: 1, Cause: "visit-ended", Recommended: "rest", Document: document,
		Visits: []store.PlannedVisit{{Option: "rest", Visit: 1, Minutes: 45, EarliestDays: days(7), TargetDays: days(14), LatestDays: days(28), NeedPermille: 1000}}})
	h.must(err)
	return "practices/" + willow + "/cases/" + caseOf(plan) + "/plans/2"
}

// caseOf is the case's id of a plan's name.
func caseOf(plan string) string {
	const before = "practices/" + willow + "/cases/"
	id := plan[len(before):]
	return id[:len(id)-len("/plans/1")]
}

// Asked for the second visit alone, reception hears of visit 2.
func TestReasonsNameAVisitByItsNumberInThePlan(t *testing.T) {
	h := newHouse(t, options{})
	plan := h.plan(h.patientID, 46)
	_, err := h.client.BookOffer(t.Context(), &vw.BookOfferRequest{Parent: "practices/" + willow, Patient: h.patient,
		Places: []*vw.PlaceToBook{{Parts: part(plan, 1), Place: &vw.Place{Start: at("2026-01-07 10:00"), Minutes: 60}}}})
	h.must(err)
	for i, o := range h.offers(h.patient, []*vw.VisitToPlace{{Parts: part(plan, 2)}}, nil).GetOffers() {
		for _, r := range o.GetReasons() {
			if strings.Contains(r.GetText(), "visit 1") || r.GetId() == "target" && !strings.Contains(r.GetText(), "visit 2") {
				t.Errorf("offer %d: %q", i+1, r.GetText())
			}
		}
	}
}
