package scheduler_test

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"github.com/visitwright/visitwright/planner/chairside"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// visited keeps a visit in the chair that ended with what was placed.
func (x *follows) visited(caseID string, closing chairside.Closing, state store.CaseState) {
	x.Helper()
	mark := func(id string, m chairside.Mark) store.ChairMark {
		m.ID, m.At = id, x.clock.Now()
		document, err := json.Marshal(m)
		x.must(err)
		return store.ChairMark{ID: id, Kind: string(m.Kind), At: m.At, Document: document}
	}
	v, err := x.store.BeginChairVisit(x.Context(), x.call(), store.NewChairVisit{CaseID: caseID, Revision: 1, Option: "two-visits", Planned: 1, Minutes: 60,
		Begin: mark("b", chairside.Mark{Kind: chairside.Begin, Identity: true, Alerts: true})})
	x.must(err)
	x.clock.Advance(time.Hour)
	_, err = x.store.AddChairMarks(x.Context(), x.call(), store.NewChairMarks{CaseID: caseID, Visit: v.Number, Base: 1, CaseState: state,
		Marks: []store.ChairMark{mark("e", chairside.Mark{Kind: chairside.End, Closing: &closing})}})
	x.must(err)
}

func TestAVisitThatEndsInTheChairNeedsNoSecondRecord(t *testing.T) {
	x := newFollows(t, options{})
	plan := x.plan(x.patientID, 36)
	id := strings.Split(plan, "/")[3]
	x.visited(id, chairside.Closing{Medicament: "calcium-hydroxide", Temporary: "glass-ionomer"}, "")
	if got := x.list(""); len(got) != 1 || got[0].GetKind() != "return-visit" || iso(got[0].GetEarliestDate()) != "2026-01-14" {
		t.Fatalf("dressed: %v", got)
	}
	x.clock.Advance(10 * 24 * time.Hour)
	x.visited(id, chairside.Closing{}, store.CaseFilled)
	for _, f := range x.list("") {
		if f.GetKind() == "return-visit" {
			t.Errorf("filled, and still asked back: %v", f)
		}
	}
	got, err := x.store.CountReviews(t.Context(), x.call())
	x.must(err)
	x.clock.Advance(200 * 24 * time.Hour)
	found := false
	for _, f := range x.list("") {
		found = found || f.GetKind() == "review"
	}
	if !found || len(got) != 0 {
		t.Errorf("no review is due half a year after the filling: %v", x.list(""))
	}
}

func TestWhatIsRecordedTakesTheCaseToItsNextState(t *testing.T) {
	x := newFollows(t, options{})
	stands := func(want store.CaseState) {
		t.Helper()
		c, err := x.store.GetCase(t.Context(), x.call(), x.caseID)
		x.must(err)
		if c.State != want {
			t.Errorf("the case is %s, want %s", c.State, want)
		}
	}
	_, err := x.f.RecordCare(x.in(), &vw.RecordCareRequest{Case: x.name, Left: &vw.RecordCareRequest_Open{Open: &vw.LeftOpen{
		Stop: "shaped-and-dressed", Medicament: "calcium-hydroxide", Temporary: "double-seal", SealMm: 4}}})
	x.must(err)
	stands(store.CaseInTreatment)
	x.filled()
	stands(store.CaseFilled)
	_, err = x.f.RecordRestoration(x.in(), &vw.RecordRestorationRequest{Case: x.name, CoreOnly: true})
	x.must(err)
	stands(store.CaseFilled)
	_, err = x.f.RecordRestoration(x.in(), &vw.RecordRestorationRequest{Case: x.name, ValidateOnly: true})
	x.must(err)
	stands(store.CaseFilled)
	_, err = x.f.RecordRestoration(x.in(), &vw.RecordRestorationRequest{Case: x.name})
	x.must(err)
	stands(store.CaseInReview)
}

func TestWhoReferredIsAskedForTheRestorationThatTheyKeepToThemselves(t *testing.T) {
	x := newFollows(t, options{})
	plan := x.plan(x.patientID, 36)
	id := strings.Split(plan, "/")[3]
	c, err := x.store.GetCase(t.Context(), x.call(), id)
	x.must(err)
	referral := &store.Referral{From: "an invented colleague", Restorer: "referrer"}
	_, err = x.store.UpdateCase(t.Context(), x.call(), store.CaseUpdate{ID: id, Etag: c.Etag, Referral: &referral})
	x.must(err)
	x.visited(id, chairside.Closing{}, store.CaseFilled)
	asked := false
	for _, f := range x.list("") {
		asked = asked || f.GetKind() == "restoration" && f.GetActor() == "referring-dentist"
	}
	x.clock.Advance(40 * 24 * time.Hour)
	for _, f := range x.list("") {
		asked = asked || f.GetKind() == "restoration" && f.GetActor() == "referring-dentist"
	}
	if !asked {
		t.Errorf("nobody asks the referring dentist: %v", x.list(""))
	}
}

// To a dentist "left open" is a tooth without a seal.
func TestTheLetterSaysOfADressedToothThatItIsSealed(t *testing.T) {
	x := newFollows(t, options{})
	plan := x.plan(x.patientID, 36)
	x.visited(strings.Split(plan, "/")[3], chairside.Closing{Medicament: "calcium-hydroxide", Temporary: "glass-ionomer"}, "")
	got, err := x.f.GetReport(x.in(), &vw.GetReportRequest{Case: strings.TrimSuffix(plan, "/plans/1"), Occasion: "consultation"})
	x.must(err)
	if text := got.String(); strings.Contains(text, "left open") || !strings.Contains(text, "sealed with a temporary restoration") {
		t.Errorf("the letter: %s", text)
	}
}

func TestTheClockOfADressingGoesByTheStopInWhichTheToothWasLeft(t *testing.T) {
	x := newFollows(t, options{})
	plan := x.plan(x.patientID, 11)
	id := strings.Split(plan, "/")[3]
	x.visited(id, chairside.Closing{Medicament: "calcium-hydroxide", Temporary: "composite", Stop: "apexification-dressed"}, "")
	list := x.list("")
	if len(list) != 1 || list[0].GetKind() != "return-visit" {
		t.Fatalf("dressed for apexification: %v", list)
	}
	latest := time.Date(int(list[0].GetLatestDate().GetYear()), time.Month(list[0].GetLatestDate().GetMonth()), int(list[0].GetLatestDate().GetDay()), 0, 0, 0, 0, time.UTC)
	if days := latest.Sub(x.clock.Now()).Hours() / 24; days < 80 {
		t.Errorf("calcium hydroxide for apexification is renewed after about three months; here the latest day is %.0f days away", days)
	}
}

// keeps books a room for visits of the patient's teeth, from a start on.
func (x *follows) keeps(start time.Time, minutes int, cases ...store.VisitOf) {
	x.Helper()
	end := start.Add(time.Duration(minutes) * time.Minute)
	_, err := x.store.BookOffer(x.Context(), x.call(), store.NewBooking{PatientID: x.patientID, Visits: []store.NewVisit{{
		Place: store.Place{Start: start, End: end, Zone: "UTC", Local: start.Format("2006-01-02T15:04"), ZoneVersion: "test",
			Spans: []store.Span{{ResourceRef: store.ResourceRef{Kind: store.KindRoom, ID: x.room[strings.LastIndex(x.room, "/")+1:]}, Start: start, End: end}}},
		Cases: cases}}})
	x.must(err)
}

// replanned keeps a second plan, which asks for a visit of 75 minutes and then
// one of 60.
func (x *follows) replanned(caseID string) {
	x.Helper()
	document, err := proto.Marshal(&vw.Plan{Protocol: "primary-treatment", Options: []*vw.TreatmentOption{{Id: "one-visit", Feasible: true}}})
	x.must(err)
	_, err = x.store.SavePlanRevision(x.Context(), x.call(), store.NewPlanRevision{CaseID: caseID, Base: 1, Cause: "visit-ended", Recommended: "one-visit", Document: document,
		Visits: []store.PlannedVisit{{Option: "one-visit", Visit: 1, Minutes: 75}, {Option: "one-visit", Visit: 2, Minutes: 60}}})
	x.must(err)
}

// tooShort are the bookings on the list that no longer fit their plan.
func (x *follows) tooShort() (out []string) {
	x.Helper()
	for _, f := range x.list("") {
		if f.GetKind() == "booking" {
			out = append(out, f.GetReason())
		}
	}
	return out
}

// A booking keeps the length that an earlier plan gave it: once the newest plan
// asks for more, reception is told, until it is long enough.
func TestABookingThatANewPlanMakesTooShortIsOnTheList(t *testing.T) {
	x := newFollows(t, options{})
	id := caseOf(x.plan(x.patientID, 36))
	x.visited(id, chairside.Closing{Medicament: "calcium-hydroxide", Temporary: "double-seal", SealMM: 4, Stop: "shaped-and-dressed"}, "")
	x.keeps(x.clock.Now().AddDate(0, 0, 14).Truncate(time.Hour), 45, store.VisitOf{CaseID: id, Revision: 1, Option: "two-visits", Visit: 2})
	if got := x.tooShort(); len(got) != 0 {
		t.Fatalf("the plan that gave the length still holds, and yet: %v", got)
	}
	x.replanned(id)
	if got := x.tooShort(); len(got) != 1 || !strings.Contains(got[0], "45 minutes are booked and the newest plan asks for 75") {
		t.Fatalf("the newest plan asks for 75 minutes: %v", got)
	}
	x.clock.Advance(15 * 24 * time.Hour)
	if got := x.tooShort(); len(got) != 0 {
		t.Errorf("the day has passed, and yet: %v", got)
	}
}

// Two teeth in one visit have a length of their own, and it is a visit of each
// all the same: what comes after it is the next.
func TestAVisitOfTwoTeethIsTheNextVisitOfEach(t *testing.T) {
	x := newFollows(t, options{})
	id, other := caseOf(x.plan(x.patientID, 36)), caseOf(x.plan(x.patientID, 46))
	x.visited(id, chairside.Closing{Medicament: "calcium-hydroxide", Temporary: "double-seal", SealMM: 4, Stop: "shaped-and-dressed"}, "")
	first := x.clock.Now().AddDate(0, 0, 14).Truncate(time.Hour)
	x.keeps(first, 60, store.VisitOf{CaseID: id, Revision: 1, Option: "two-visits", Visit: 1}, store.VisitOf{CaseID: other, Revision: 1, Option: "two-visits", Visit: 1})
	x.keeps(first.AddDate(0, 0, 14), 60, store.VisitOf{CaseID: id, Revision: 1, Option: "two-visits", Visit: 2})
	x.replanned(id)
	if got := x.tooShort(); len(got) != 0 {
		t.Errorf("the second visit has its 60 minutes, and yet: %v", got)
	}
}

// The family is called about no tooth.
func TestNothingIsDueForAnyToothOfAPatientWhoHasDied(t *testing.T) {
	x := newFollows(t, options{})
	x.filled()
	x.clock.Advance(60 * 24 * time.Hour)
	if len(x.list("")) == 0 {
		t.Fatal("nothing is due for the filled tooth")
	}
	other, err := x.store.CreateCase(t.Context(), x.call(), store.Case{PatientID: x.patientID, Tooth: 36})
	x.must(err)
	_, err = x.store.CloseCase(t.Context(), x.call(), store.CaseClosing{ID: other.ID, Reason: store.ClosedDied})
	x.must(err)
	if list := x.list(""); len(list) != 0 {
		t.Errorf("still due: %v", list)
	}
}

// Relief is no crown: who comes in pain is still owed the restoration.
func TestAReliefVisitOfAFilledToothDoesNotStandForItsRestoration(t *testing.T) {
	x := newFollows(t, options{})
	x.filled()
	asks := func() string {
		for _, f := range x.list("") {
			if f.GetKind() == "restoration" {
				return f.GetState()
			}
		}
		return ""
	}
	before := asks()
	book := func(protocol, start string) {
		_, err := x.client.BookOffer(t.Context(), &vw.BookOfferRequest{Parent: "practices/" + willow, Patient: x.patient, Places: []*vw.PlaceToBook{
			{Unplanned: &vw.UnplannedVisit{Protocol: protocol, Minutes: 30, Case: x.name}, Place: &vw.Place{Start: at(start), Minutes: 30}}}})
		x.must(err)
	}
	book("emergency-relief", "2026-01-12 10:00")
	if got := asks(); got != before || got == "booked" {
		t.Errorf("with relief booked the restoration is %q, want %q as before", got, before)
	}
	book("core", "2026-01-13 10:00")
	if got := asks(); got != "booked" {
		t.Errorf("with the core booked the restoration is %q, want booked", got)
	}
}
