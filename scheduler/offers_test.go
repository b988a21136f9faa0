package scheduler_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/dayofweek"
	"google.golang.org/grpc/codes"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

func TestOffersFitThePlanAndAreBookedAsTheyWereOffered(t *testing.T) {
	h := newHouse(t, options{})
	h.settings(func(s *vw.DiarySettings) { s.AccessEquipmentClass = "microscope" })
	got := h.offers(h.patient, both(h.plan(h.patientID, 46)), nil)
	if len(got.GetOffers()) != 10 {
		t.Fatalf("%d offers, want 10", len(got.GetOffers()))
	}
	last := int64(-1)
	for i, o := range got.GetOffers() {
		if o.GetCost() < last {
			t.Errorf("offer %d costs less than the one before it", i+1)
		}
		last = o.GetCost()
		first, second := o.GetPlaces()[0], o.GetPlaces()[1]
		if first.GetPlace().GetMinutes() != 60 || second.GetPlace().GetMinutes() != 45 {
			t.Errorf("offer %d: lengths %d and %d, want those of the plan", i+1, first.GetPlace().GetMinutes(), second.GetPlace().GetMinutes())
		}
		if d := second.GetDaysAfterPrevious(); d < 7 || d > 28 {
			t.Errorf("offer %d: visit 2 after %d days, want 7 to 28", i+1, d)
		}
		if len(o.GetReasons()) < 2 || o.GetReasons()[0].GetText() == "" {
			t.Errorf("offer %d gives no reasons: %v", i+1, o.GetReasons())
		}
		kinds := map[string]bool{}
		for _, hold := range first.GetPlace().GetHolds() {
			kinds[strings.Split(hold.GetResource(), "/")[2]] = true
			// The microscope is held from access on, the room around the visit.
			if hold.GetResource() == h.scope && (hold.GetFromMinute() != 10 || hold.GetToMinute() != 60) {
				t.Errorf("the microscope is held from %d to %d", hold.GetFromMinute(), hold.GetToMinute())
			}
			if (hold.GetResource() == h.room || hold.GetResource() == h.room2) && (hold.GetFromMinute() != -5 || hold.GetToMinute() != 70) {
				t.Errorf("the room is held from %d to %d", hold.GetFromMinute(), hold.GetToMinute())
			}
		}
		if len(first.GetPlace().GetHolds()) != 4 {
			t.Errorf("offer %d holds %v, want room, clinician, nurse and microscope", i+1, first.GetPlace().GetHolds())
		}
	}
	best := got.GetOffers()[0]
	b, err := h.bookToken(h.patient, best.GetToken(), 0)
	h.must(err)
	if len(b.GetAppointments()) != 2 {
		t.Fatalf("%d appointments", len(b.GetAppointments()))
	}
	for i, a := range b.GetAppointments() {
		want := best.GetPlaces()[i].GetPlace()
		if said(a.GetPlace().GetStart()) != said(want.GetStart()) || a.GetState() != vw.Appointment_STATE_BOOKED || a.GetPlace().GetStart().GetZoneDatabase() == "" {
			t.Errorf("booked %v, offered %v", a.GetPlace(), want)
		}
	}
	// The same places again, for somebody else: refused, told which resource.
	_, err = h.client.BookOffer(t.Context(), &vw.BookOfferRequest{Parent: "practices/" + willow, Patient: h.patient, OfferToken: best.GetToken()})
	h.want(err, codes.Aborted, "PLACE_TAKEN")
	// Seen by the next search.
	for _, o := range h.offers(h.patient2, both(h.plan(h.patientID2, 36)), nil).GetOffers() {
		a, b := o.GetPlaces()[0].GetPlace(), best.GetPlaces()[0].GetPlace()
		if said(a.GetStart()) == said(b.GetStart()) && slices.ContainsFunc(a.GetHolds(), func(x *vw.Hold) bool {
			return slices.ContainsFunc(b.GetHolds(), func(y *vw.Hold) bool { return x.GetResource() == y.GetResource() })
		}) {
			t.Errorf("a place that is booked is offered: %v", a)
		}
	}
}

func TestAnOfferIsForItsPatientAndPracticeAlone(t *testing.T) {
	h := newHouse(t, options{})
	token := h.offers(h.patient, both(h.plan(h.patientID, 46)), nil).GetOffers()[0].GetToken()
	_, err := h.bookToken(h.patient2, token, 0)
	h.want(err, codes.FailedPrecondition, "DIFFERENT_PATIENTS")
	_, err = h.bookToken(h.patient, token[:len(token)-2]+"AA", 0)
	h.want(err, codes.InvalidArgument, "INVALID_FIELD")
}

func TestVisitOneIsChosenThenWhatIsLeftForVisitTwoIsShown(t *testing.T) {
	h := newHouse(t, options{})
	plan := h.plan(h.patientID, 46)
	visits := both(plan)
	visits[0].Fixed = &vw.Place{Start: at("2026-01-12 10:00"), Minutes: 60}
	got := h.offers(h.patient, visits, nil)
	if len(got.GetOffers()) == 0 {
		t.Fatal("no offers")
	}
	for _, o := range got.GetOffers() {
		d := civilDate(o.GetPlaces()[1].GetPlace().GetStart().GetDate()).DaysSince(civilDate(day("2026-01-12")))
		if said(o.GetPlaces()[0].GetPlace().GetStart()) != "2026-01-12T10:00" || d < 7 || d > 28 || int32(d) != o.GetPlaces()[1].GetDaysAfterPrevious() {
			t.Errorf("visit 2 after %d days: %v", d, o.GetPlaces())
		}
	}
	// Booked, it is gone around in the same way.
	b, err := h.client.BookOffer(t.Context(), &vw.BookOfferRequest{Parent: "practices/" + willow, Patient: h.patient,
		Places: []*vw.PlaceToBook{{Parts: part(plan, 1), Place: visits[0].GetFixed()}}})
	h.must(err)
	visits[0].Fixed, visits[0].Appointment = nil, b.GetAppointments()[0].GetName()
	around := h.offers(h.patient, visits, nil)
	if said(around.GetOffers()[0].GetPlaces()[1].GetPlace().GetStart()) != said(got.GetOffers()[0].GetPlaces()[1].GetPlace().GetStart()) {
		t.Errorf("around the booking %v, around the choice %v", around.GetOffers()[0], got.GetOffers()[0])
	}
	// And visit 2 alone counts from the appointment that it finds.
	alone := h.offers(h.patient, []*vw.VisitToPlace{{Parts: part(plan, 2)}}, nil)
	if d := alone.GetOffers()[0].GetPlaces()[0].GetDaysAfterPrevious(); d != 14 {
		t.Errorf("visit 2 alone after %d days, want its target, 14", d)
	}
	// A visit before one that is fixed.
	before := both(h.plan(h.patientID2, 46))
	before[1].Fixed = &vw.Place{Start: at("2026-02-04 10:00"), Minutes: 45}
	for _, o := range h.offers(h.patient2, before, nil).GetOffers() {
		if d := o.GetPlaces()[1].GetDaysAfterPrevious(); d < 7 || d > 28 {
			t.Errorf("visit 1 lies %d days before visit 2", d)
		}
	}
}

func TestWhoTreatsTheCaseIsOfferedBeforeOthersWhoAreFreeAsWell(t *testing.T) {
	h := newHouse(t, options{})
	for _, treats := range []string{h.anna, h.ben} {
		plan := h.plan(h.patientID, 46)
		caseID := strings.Split(plan, "/")[3]
		kept, err := h.store.GetCase(t.Context(), h.call(), caseID)
		h.must(err)
		who := treats[strings.LastIndex(treats, "/")+1:]
		_, err = h.store.UpdateCase(t.Context(), h.call(), store.CaseUpdate{ID: caseID, Etag: kept.Etag, Clinician: &who})
		h.must(err)
		best := h.offers(h.patient, []*vw.VisitToPlace{{Parts: part(plan, 1)}}, nil).GetOffers()[0]
		if !slices.ContainsFunc(best.GetPlaces()[0].GetPlace().GetHolds(), func(x *vw.Hold) bool { return x.GetResource() == treats }) {
			t.Errorf("%s treats and is free; the best offer holds %v", treats, best.GetPlaces()[0].GetPlace().GetHolds())
		}
	}
}

func TestWishesAreKept(t *testing.T) {
	h := newHouse(t, options{})
	w := &vw.OfferWishes{NotBefore: day("2026-01-19"), NotAfter: day("2026-03-31"), Weekdays: []dayofweek.DayOfWeek{dayofweek.DayOfWeek_TUESDAY},
		Times: []*vw.DaySpan{{FromMinute: 13 * 60, ToMinute: 16 * 60}}, Clinicians: []string{h.ben}, SameClinician: true,
		Excluded: []*vw.DateRange{{FirstDate: day("2026-01-20"), LastDate: day("2026-01-20")}}}
	got := h.offers(h.patient, both(h.plan(h.patientID, 46)), w)
	if len(got.GetOffers()) == 0 {
		t.Fatal("no offers")
	}
	for _, o := range got.GetOffers() {
		for _, p := range o.GetPlaces() {
			d := civilDate(p.GetPlace().GetStart().GetDate())
			from := p.GetPlace().GetStart().GetTime().GetHours()*60 + p.GetPlace().GetStart().GetTime().GetMinutes()
			if d.Weekday() != time.Tuesday || d.Before(civilDate(day("2026-01-27"))) || from < 13*60 || from+p.GetPlace().GetMinutes() > 16*60 {
				t.Errorf("offered %v", p.GetPlace().GetStart())
			}
			if !slices.ContainsFunc(p.GetPlace().GetHolds(), func(x *vw.Hold) bool { return x.GetResource() == h.ben }) {
				t.Errorf("offered with somebody else: %v", p.GetPlace().GetHolds())
			}
		}
	}
}

func TestWhereThereIsNothingTheAnswerSaysWhatBinds(t *testing.T) {
	h := newHouse(t, options{})
	plan := h.plan(h.patientID, 46)
	// Saturdays, on which nobody works.
	got := h.offers(h.patient, both(plan), &vw.OfferWishes{Weekdays: []dayofweek.DayOfWeek{dayofweek.DayOfWeek_SATURDAY}})
	if len(got.GetOffers()) != 0 || len(got.GetBinding()) == 0 {
		t.Fatalf("%d offers, binding %v", len(got.GetOffers()), got.GetBinding())
	}
	b := got.GetBinding()[0]
	if b.GetId() != "weekdays" || b.GetFirstOffer() == nil || !strings.Contains(b.GetRelaxing(), "any weekday") {
		t.Errorf("it says %v", b)
	}
	if _, err := h.bookToken(h.patient, b.GetFirstOffer().GetToken(), 0); err != nil {
		t.Errorf("the offer that giving way leads to cannot be booked: %v", err)
	}
	// A practice without a microscope that wants one.
	h.settings(func(s *vw.DiarySettings) { s.AccessEquipmentClass = "laser" })
	got = h.offers(h.patient2, both(h.plan(h.patientID2, 46)), nil)
	if len(got.GetOffers()) != 0 || len(got.GetBinding()) == 0 || got.GetBinding()[0].GetId() != "equipment" || !strings.Contains(got.GetBinding()[0].GetText(), "laser") {
		t.Errorf("it says %v", got.GetBinding())
	}
}

func TestSeveralTeethShareOneVisitAndTwoLowerBlocksAreAdvisedAgainst(t *testing.T) {
	h := newHouse(t, options{})
	left, right := h.plan(h.patientID, 36), h.plan(h.patientID, 46)
	visit := &vw.VisitToPlace{Parts: []*vw.VisitPart{{Plan: left, Visit: 1}, {Plan: right, Visit: 1}}}
	o := h.offers(h.patient, []*vw.VisitToPlace{visit}, nil).GetOffers()[0]
	if o.GetPlaces()[0].GetPlace().GetMinutes() != 120 {
		t.Errorf("two teeth of 60 minutes get %d", o.GetPlaces()[0].GetPlace().GetMinutes())
	}
	if w := o.GetPlaces()[0].GetWarnings(); len(w) != 1 || !strings.Contains(w[0].GetText(), "lower jaw") || w[0].GetForbids() {
		t.Errorf("warnings %v", w)
	}
	b, err := h.bookToken(h.patient, o.GetToken(), 0)
	h.must(err)
	if len(b.GetAppointments()) != 1 || len(b.GetAppointments()[0].GetParts()) != 2 {
		t.Errorf("booked %v", b)
	}
	_, err = h.client.FindOffers(t.Context(), &vw.FindOffersRequest{Parent: "practices/" + willow,
		Visits: []*vw.VisitToPlace{{Parts: []*vw.VisitPart{{Plan: left, Visit: 1}, {Plan: h.plan(h.patientID2, 11), Visit: 1}}}}})
	h.want(err, codes.FailedPrecondition, "DIFFERENT_PATIENTS")
}

func TestAPatientInPainIsNotHeldBackByAMinimum(t *testing.T) {
	h := newHouse(t, options{})
	plan := h.plan(h.patientID, 46)
	visits := both(plan)
	visits[0].Fixed = &vw.Place{Start: at("2026-01-12 10:00"), Minutes: 60}
	o := h.offers(h.patient, visits, &vw.OfferWishes{Urgent: true, FirstAvailable: true}).GetOffers()[0]
	if d := o.GetPlaces()[1].GetDaysAfterPrevious(); d >= 7 {
		t.Errorf("in pain, visit 2 is offered after %d days", d)
	}
}

func TestWhatIsWrongWithARequestForOffersIsNamed(t *testing.T) {
	h := newHouse(t, options{})
	plan := h.plan(h.patientID, 46)
	ask := func(change func(*vw.FindOffersRequest)) error {
		r := &vw.FindOffersRequest{Parent: "practices/" + willow, Patient: h.patient, Visits: both(plan), Wishes: &vw.OfferWishes{}}
		change(r)
		_, err := h.client.FindOffers(t.Context(), r)
		return err
	}
	c, id := codes.InvalidArgument, h.patient
	for name, x := range map[string]struct {
		change func(*vw.FindOffersRequest)
		code   codes.Code
		reason string
	}{
		"ten years": {func(r *vw.FindOffersRequest) { r.Wishes.NotAfter = day("2036-01-01") }, c, "RANGE_TOO_LONG"},
		"end before start": {func(r *vw.FindOffersRequest) {
			r.Wishes.NotBefore, r.Wishes.NotAfter = day("2026-03-02"), day("2026-03-01")
		}, c, "END_BEFORE_START"},
		"times that end first":  {func(r *vw.FindOffersRequest) { r.Wishes.Times = []*vw.DaySpan{{FromMinute: 600, ToMinute: 540}} }, c, "END_BEFORE_START"},
		"a length off the grid": {func(r *vw.FindOffersRequest) { m := int32(47); r.Visits[0].Minutes = &m }, c, "LENGTH_OFF_GRID"},
		"no such day": {func(r *vw.FindOffersRequest) {
			r.Wishes.NotBefore = day("2026-03-01")
			r.Wishes.NotBefore.Day = 31
			r.Wishes.NotBefore.Month = 2
		}, c, "INVALID_FIELD"},
		"an option that cannot be done": {func(r *vw.FindOffersRequest) { r.Visits[0].Parts[0].Option = "one-visit" }, codes.FailedPrecondition, "OPTION_INFEASIBLE"},
		"an unknown option":             {func(r *vw.FindOffersRequest) { r.Visits[0].Parts[0].Option = "three" }, codes.NotFound, "OPTION_NOT_FOUND"},
		"an unknown visit":              {func(r *vw.FindOffersRequest) { r.Visits[0].Parts[0].Visit = 7 }, codes.NotFound, "VISIT_NOT_FOUND"},
		"an unknown clinician": {func(r *vw.FindOffersRequest) {
			r.Wishes.Clinicians = []string{"practices/" + willow + "/clinicians/nobody"}
		}, codes.NotFound, "CLINICIAN_NOT_FOUND"},
		"another practice":  {func(r *vw.FindOffersRequest) { r.Parent = "practices/harbour-steps" }, codes.NotFound, "PRACTICE_NOT_FOUND"},
		"another's patient": {func(r *vw.FindOffersRequest) { r.Patient = h.patient2 }, codes.FailedPrecondition, "DIFFERENT_PATIENTS"},
		"no visit to place": {func(r *vw.FindOffersRequest) {
			for _, v := range r.Visits {
				v.Fixed = &vw.Place{Start: at("2026-01-12 10:00"), Minutes: 60}
			}
		}, c, "INVALID_FIELD"},
	} {
		err := ask(x.change)
		if reason(err) != x.reason {
			t.Errorf("%s: got %s, want %s: %v", name, reason(err), x.reason, err)
		}
		h.want(err, x.code, x.reason)
		for _, v := range both(plan) {
			v.Fixed = nil
		}
	}
	_ = id
	_, err := h.store.CloseCase(t.Context(), h.call(), store.CaseClosing{ID: strings.Split(plan, "/")[3], Reason: store.ClosedDeclined})
	h.must(err)
	h.want(ask(func(*vw.FindOffersRequest) {}), codes.FailedPrecondition, "CASE_CLOSED")
}
