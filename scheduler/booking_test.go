package scheduler_test

import (
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

func TestAProvisionalBookingEndsByItselfAndNeverStandsInTheWay(t *testing.T) {
	h := newHouse(t, options{})
	token := h.offers(h.patient, both(h.plan(h.patientID, 46)), nil).GetOffers()[0].GetToken()
	b, err := h.bookToken(h.patient, token, 15)
	h.must(err)
	a := b.GetAppointments()[0]
	if a.GetState() != vw.Appointment_STATE_PROVISIONAL || a.GetExpireTime().AsTime().Sub(h.clock.Now()) != 15*time.Minute {
		t.Errorf("kept as %v until %v", a.GetState(), a.GetExpireTime().AsTime())
	}
	_, err = h.bookToken(h.patient, token, 0)
	h.want(err, codes.Aborted, "PLACE_TAKEN")
	h.clock.Advance(15 * time.Minute)
	_, err = h.client.ConfirmBooking(t.Context(), &vw.ConfirmBookingRequest{Name: b.GetName()})
	h.want(err, codes.FailedPrecondition, "PROVISIONAL_EXPIRED")
	again, err := h.bookToken(h.patient, token, 24*60) // overnight
	h.must(err)
	gone, err := h.client.GetAppointment(t.Context(), &vw.GetAppointmentRequest{Name: a.GetName()})
	h.must(err)
	if gone.GetState() != vw.Appointment_STATE_EXPIRED {
		t.Errorf("the old one is %v", gone.GetState())
	}
	_, err = h.client.ConfirmBooking(t.Context(), &vw.ConfirmBookingRequest{Name: b.GetName()})
	h.want(err, codes.FailedPrecondition, "PROVISIONAL_EXPIRED")
	preview, err := h.client.ConfirmBooking(t.Context(), &vw.ConfirmBookingRequest{Name: again.GetName(), ValidateOnly: true})
	h.must(err)
	firm, err := h.client.ConfirmBooking(t.Context(), &vw.ConfirmBookingRequest{Name: again.GetName()})
	h.must(err)
	for _, b := range []*vw.Booking{preview, firm} {
		if b.GetAppointments()[1].GetState() != vw.Appointment_STATE_BOOKED || b.GetAppointments()[1].GetExpireTime() != nil {
			t.Errorf("confirmed: %v", b.GetAppointments()[1])
		}
	}
	_, err = h.client.ConfirmBooking(t.Context(), &vw.ConfirmBookingRequest{Name: again.GetName()})
	h.want(err, codes.FailedPrecondition, "WRONG_BOOKING_STATE")
}

func TestARepeatedBookingGetsTheFirstAnswer(t *testing.T) {
	h := newHouse(t, options{})
	r := &vw.BookOfferRequest{Parent: "practices/" + willow, Patient: h.patient, RequestId: uuid.NewString(), Places: []*vw.PlaceToBook{
		{Unplanned: &vw.UnplannedVisit{Protocol: "consultation", Minutes: 30}, Place: &vw.Place{Start: at("2026-01-12 10:00"), Minutes: 30}}}}
	first, err := h.client.BookOffer(t.Context(), r)
	h.must(err)
	second, err := h.client.BookOffer(t.Context(), r)
	h.must(err)
	if !proto.Equal(first, second) {
		t.Errorf("first %v, then %v", first, second)
	}
	r = proto.CloneOf(r)
	r.Places[0].Place.Start = at("2026-01-12 11:00")
	_, err = h.client.BookOffer(t.Context(), r)
	h.want(err, codes.InvalidArgument, "REQUEST_ID_REUSED")
}

func TestAPreviewOfABookingKeepsNothing(t *testing.T) {
	h := newHouse(t, options{})
	r := &vw.BookOfferRequest{Parent: "practices/" + willow, Patient: h.patient, ValidateOnly: true, Places: []*vw.PlaceToBook{
		{Unplanned: &vw.UnplannedVisit{Protocol: "consultation", Minutes: 30}, Place: &vw.Place{Start: at("2026-01-12 10:00"), Minutes: 30}}}}
	for range 2 {
		b, err := h.client.BookOffer(t.Context(), r)
		h.must(err)
		if b.GetName() != "" || len(b.GetAppointments()) != 1 || len(b.GetAppointments()[0].GetPlace().GetHolds()) != 3 {
			t.Errorf("preview %v", b)
		}
	}
	list, err := h.client.ListAppointments(t.Context(), &vw.ListAppointmentsRequest{Parent: "practices/" + willow, Days: &vw.DateRange{FirstDate: day("2026-01-01"), LastDate: day("2026-02-01")}})
	h.must(err)
	if len(list.GetAppointments()) != 0 {
		t.Errorf("kept %v", list.GetAppointments())
	}
	_, err = h.byHand(t.Context(), h.patient, "2026-01-12 10:00", 30)
	h.must(err)
	_, err = h.client.BookOffer(t.Context(), r)
	h.want(err, codes.Aborted, "PLACE_TAKEN")
}

// Everything that the issue calls bad input, and what else cannot be booked:
// each is refused with its reason, and nothing is kept.
func TestWhatCannotBeBookedIsRefusedAndNothingIsKept(t *testing.T) {
	h := newHouse(t, options{})
	plan := h.plan(h.patientID, 46)
	_, err := h.client.CreateAbsence(t.Context(), &vw.CreateAbsenceRequest{Parent: "practices/" + willow,
		Absence: &vw.Absence{Owner: "practices/" + willow, FirstDate: day("2026-01-13"), LastDate: day("2026-01-13"), Kind: "closed"}})
	h.must(err)
	place := func(start string, minutes int32, holds ...string) *vw.PlaceToBook {
		p := &vw.PlaceToBook{Unplanned: &vw.UnplannedVisit{Protocol: "consultation", Minutes: 30}, Place: &vw.Place{Start: at(start), Minutes: minutes}}
		for _, name := range holds {
			p.Place.Holds = append(p.Place.Holds, &vw.Hold{Resource: name})
		}
		return p
	}
	planned := func(visit int32, start string) *vw.PlaceToBook {
		return &vw.PlaceToBook{Parts: part(plan, visit), Place: &vw.Place{Start: at(start), Minutes: 60}}
	}
	zoned := func(zone string) *vw.PlaceToBook {
		p := place("2026-01-12 10:00", 30)
		p.Place.Start.Zone = zone
		return p
	}
	ifNeeded := place("2026-01-08 10:00", 30)
	ifNeeded.IfNeeded = true
	c, pre := codes.InvalidArgument, codes.FailedPrecondition
	for name, x := range map[string]struct {
		places []*vw.PlaceToBook
		code   codes.Code
		reason string
	}{
		"in a closure":                        {[]*vw.PlaceToBook{place("2026-01-13 10:00", 30)}, pre, "CLOSED"},
		"outside the hours":                   {[]*vw.PlaceToBook{place("2026-01-12 16:45", 30)}, pre, "OUTSIDE_HOURS"},
		"on a Sunday":                         {[]*vw.PlaceToBook{place("2026-01-11 10:00", 30)}, pre, "OUTSIDE_HOURS"},
		"a length off the grid":               {[]*vw.PlaceToBook{place("2026-01-12 10:00", 33)}, c, "LENGTH_OFF_GRID"},
		"a start off the grid":                {[]*vw.PlaceToBook{place("2026-01-12 10:03", 30)}, c, "INVALID_FIELD"},
		"a length below nothing":              {[]*vw.PlaceToBook{place("2026-01-12 10:00", -5)}, c, "INVALID_FIELD"},
		"a room that is not there":            {[]*vw.PlaceToBook{place("2026-01-12 10:00", 30, "practices/"+willow+"/resources/nowhere")}, codes.NotFound, "RESOURCE_NOT_FOUND"},
		"a clinician who is not there":        {[]*vw.PlaceToBook{place("2026-01-12 10:00", 30, "practices/"+willow+"/clinicians/nobody")}, codes.NotFound, "CLINICIAN_NOT_FOUND"},
		"two rooms":                           {[]*vw.PlaceToBook{place("2026-01-12 10:00", 30, h.room, h.room2)}, c, "INVALID_FIELD"},
		"in the past":                         {[]*vw.PlaceToBook{place("2026-01-06 10:00", 30)}, c, "INVALID_FIELD"},
		"ten years ahead":                     {[]*vw.PlaceToBook{place("2036-01-14 10:00", 30)}, c, "RANGE_TOO_LONG"},
		"an unknown zone":                     {[]*vw.PlaceToBook{zoned("Europe/Atlantis")}, c, "UNKNOWN_ZONE"},
		"nothing at all":                      {nil, c, "INVALID_FIELD"},
		"before its window":                   {[]*vw.PlaceToBook{planned(1, "2026-01-12 10:00"), planned(2, "2026-01-15 10:00")}, pre, "OUTSIDE_WINDOW"},
		"after its window":                    {[]*vw.PlaceToBook{planned(1, "2026-01-12 10:00"), planned(2, "2026-02-16 10:00")}, pre, "OUTSIDE_WINDOW"},
		"one place for two of its own visits": {[]*vw.PlaceToBook{place("2026-01-12 10:00", 30), place("2026-01-12 10:15", 30)}, codes.Aborted, "PLACE_TAKEN"},
		"if needed, but tomorrow":             {[]*vw.PlaceToBook{ifNeeded}, c, "INVALID_FIELD"},
		"an unknown protocol": {[]*vw.PlaceToBook{{Unplanned: &vw.UnplannedVisit{Protocol: "tea", Minutes: 30}, Place: &vw.Place{Start: at("2026-01-12 10:00"), Minutes: 30}}},
			c, "UNKNOWN_CATALOGUE_ID"},
	} {
		_, err := h.client.BookOffer(t.Context(), &vw.BookOfferRequest{Parent: "practices/" + willow, Patient: h.patient, Places: x.places})
		if reason(err) != x.reason {
			t.Errorf("%s: %v", name, err)
		}
		h.want(err, x.code, x.reason)
	}
	_, err = h.byHand(t.Context(), "practices/"+willow+"/patients/nobody", "2026-01-12 10:00", 30)
	h.want(err, codes.NotFound, "PATIENT_NOT_FOUND")
	list, err := h.client.ListAppointments(t.Context(), &vw.ListAppointmentsRequest{Parent: "practices/" + willow, AllStates: true,
		Days: &vw.DateRange{FirstDate: day("2026-01-01"), LastDate: day("2027-01-10")}})
	h.must(err)
	if len(list.GetAppointments()) != 0 {
		t.Errorf("kept %v", list.GetAppointments())
	}
	_, err = h.client.ListAppointments(t.Context(), &vw.ListAppointmentsRequest{Parent: "practices/" + willow,
		Days: &vw.DateRange{FirstDate: day("2026-01-01"), LastDate: day("2036-01-01")}})
	h.want(err, c, "RANGE_TOO_LONG")
	_, err = h.client.ListAppointments(t.Context(), &vw.ListAppointmentsRequest{Parent: "practices/" + willow,
		Days: &vw.DateRange{FirstDate: day("2026-01-02"), LastDate: day("2026-01-01")}})
	h.want(err, c, "END_BEFORE_START")
}

func TestOnlyAClinicianBooksOutsideAWindowAndSaysWhy(t *testing.T) {
	h := newHouse(t, options{})
	plan := h.plan(h.patientID, 46)
	places := func(o *vw.WindowOverride) *vw.BookOfferRequest {
		return &vw.BookOfferRequest{Parent: "practices/" + willow, Patient: h.patient, Places: []*vw.PlaceToBook{
			{Parts: part(plan, 1), Place: &vw.Place{Start: at("2026-01-12 10:00"), Minutes: 60}},
			{Parts: part(plan, 2), Place: &vw.Place{Start: at("2026-01-15 10:00"), Minutes: 45}, Override: o}}}
	}
	why := &vw.WindowOverride{Reason: "the patient leaves the country"}
	_, err := h.client.BookOffer(h.as(store.RoleReception), places(why))
	h.want(err, codes.PermissionDenied, "CLINICIAN_REQUIRED")
	_, err = h.client.BookOffer(h.as(store.RoleClinician), places(&vw.WindowOverride{}))
	h.want(err, codes.InvalidArgument, "INVALID_FIELD") // without a reason
	b, err := h.client.BookOffer(h.as(store.RoleClinician), places(why))
	h.must(err)
	if o := b.GetAppointments()[1].GetOverride(); o.GetReason() != why.GetReason() || o.GetClinician() != h.anna {
		t.Errorf("kept %v", o)
	}
}

func TestAPlaceByHandIsFilledInAndComesWithWarnings(t *testing.T) {
	h := newHouse(t, options{})
	_, err := h.byHand(t.Context(), h.patient2, "2026-01-12 10:00", 30)
	h.must(err)
	check := func(start string, holds ...string) *vw.CheckPlaceResponse {
		r := &vw.CheckPlaceRequest{Parent: "practices/" + willow, Unplanned: &vw.UnplannedVisit{Protocol: "consultation", Minutes: 30}, Place: &vw.Place{Start: at(start), Minutes: 30}}
		for _, name := range holds {
			r.Place.Holds = append(r.Place.Holds, &vw.Hold{Resource: name})
		}
		got, err := h.client.CheckPlace(t.Context(), r)
		h.must(err)
		return got
	}
	free := check("2026-01-12 10:00")
	if len(free.GetPlace().GetWarnings()) != 0 || len(free.GetPlace().GetPlace().GetHolds()) != 3 {
		t.Errorf("beside the other: %v", free)
	}
	list, err := h.client.ListAppointments(t.Context(), &vw.ListAppointmentsRequest{Parent: "practices/" + willow, Days: &vw.DateRange{FirstDate: day("2026-01-12"), LastDate: day("2026-01-12")}})
	h.must(err)
	var held []string
	for _, x := range list.GetAppointments()[0].GetPlace().GetHolds() {
		held = append(held, x.GetResource())
	}
	taken := check("2026-01-12 10:00", held...)
	if w := taken.GetPlace().GetWarnings(); len(w) == 0 || w[0].GetReason() != "PLACE_TAKEN" || !w[0].GetForbids() || !strings.Contains(w[0].GetText(), "is taken for") || strings.Contains(w[0].GetText(), "01k") {
		t.Errorf("taken: %v", w)
	}
	late := check("2026-01-12 16:50")
	if w := late.GetPlace().GetWarnings(); len(w) == 0 || w[0].GetReason() != "OUTSIDE_HOURS" || w[0].GetForbids() {
		t.Errorf("late: %v", w)
	}
}

func TestMovingVisitOneShowsWhatItDoesToVisitTwoAndRepairsItInOneAction(t *testing.T) {
	h := newHouse(t, options{})
	plan := h.plan(h.patientID, 46)
	b, err := h.client.BookOffer(t.Context(), &vw.BookOfferRequest{Parent: "practices/" + willow, Patient: h.patient, Places: []*vw.PlaceToBook{
		{Parts: part(plan, 1), Place: &vw.Place{Start: at("2026-01-12 10:00"), Minutes: 60}},
		{Parts: part(plan, 2), Place: &vw.Place{Start: at("2026-01-26 10:00"), Minutes: 45}}}})
	h.must(err)
	one, two := b.GetAppointments()[0], b.GetAppointments()[1]
	// A quarter of an hour later, over its own old place: nothing breaks.
	got, err := h.client.MoveAppointment(t.Context(), &vw.MoveAppointmentRequest{Name: one.GetName(), Etag: one.GetEtag(), Reason: "patient-asked",
		Place: &vw.Place{Start: at("2026-01-12 10:15"), Minutes: 60}})
	h.must(err)
	if got.GetRepair() != nil || got.GetAppointment().GetSequence() <= one.GetSequence() {
		t.Errorf("moved a little: %v", got)
	}
	one = got.GetAppointment()
	_, err = h.client.MoveAppointment(t.Context(), &vw.MoveAppointmentRequest{Name: one.GetName(), Etag: "\"0\"", Reason: "patient-asked", Place: &vw.Place{Start: at("2026-01-12 11:15"), Minutes: 60}})
	h.want(err, codes.Aborted, "ETAG_MISMATCH")
	_, err = h.client.MoveAppointment(t.Context(), &vw.MoveAppointmentRequest{Name: one.GetName(), Etag: one.GetEtag(), Reason: "whim", Place: &vw.Place{Start: at("2026-01-12 11:15"), Minutes: 60}})
	h.want(err, codes.InvalidArgument, "UNKNOWN_CATALOGUE_ID")
	// To 23 January: visit 2 would follow after 3 days, 4 too soon.
	preview, err := h.client.MoveAppointment(t.Context(), &vw.MoveAppointmentRequest{Name: one.GetName(), Etag: one.GetEtag(), Reason: "patient-asked", ValidateOnly: true,
		Place: &vw.Place{Start: at("2026-01-23 10:00"), Minutes: 60}})
	h.must(err)
	if len(preview.GetEffects()) != 1 || !preview.GetEffects()[0].GetBreaksWindow() || !strings.Contains(preview.GetEffects()[0].GetText(), "4 days before its earliest day") {
		t.Fatalf("effects %v", preview.GetEffects())
	}
	moves := preview.GetRepair().GetMoves()
	if len(moves) != 2 || moves[0].GetAppointment() != one.GetName() || moves[1].GetAppointment() != two.GetName() {
		t.Fatalf("repair %v", preview.GetRepair())
	}
	still, err := h.client.GetAppointment(t.Context(), &vw.GetAppointmentRequest{Name: one.GetName()})
	h.must(err)
	if said(still.GetPlace().GetStart()) != "2026-01-12T10:15" {
		t.Errorf("a preview moved it to %s", said(still.GetPlace().GetStart()))
	}
	done, err := h.client.RepairAppointments(t.Context(), &vw.RepairAppointmentsRequest{Parent: "practices/" + willow, Repair: preview.GetRepair()})
	h.must(err)
	first, second := civilDate(done.GetAppointments()[0].GetPlace().GetStart().GetDate()), civilDate(done.GetAppointments()[1].GetPlace().GetStart().GetDate())
	if first.String() != "2026-01-23" || second.DaysSince(first) != 14 {
		t.Errorf("repaired to %s and %s", first, second)
	}
	// Visit 2 itself: outside its window only by a clinician.
	two = done.GetAppointments()[1]
	r := &vw.MoveAppointmentRequest{Name: two.GetName(), Etag: two.GetEtag(), Reason: "patient-asked", Place: &vw.Place{Start: at("2026-01-26 10:00"), Minutes: 45}}
	_, err = h.client.MoveAppointment(t.Context(), r)
	h.want(err, codes.FailedPrecondition, "OUTSIDE_WINDOW")
	r.Override = &vw.WindowOverride{Reason: "pain"}
	_, err = h.client.MoveAppointment(t.Context(), r)
	h.want(err, codes.PermissionDenied, "CLINICIAN_REQUIRED")
	_, err = h.client.MoveAppointment(h.as(store.RoleClinician), r)
	h.must(err)
}

func TestARepairIsAllOrNothing(t *testing.T) {
	h := newHouse(t, options{})
	b, err := h.byHand(t.Context(), h.patient, "2026-01-12 10:00", 60)
	h.must(err)
	c, err := h.byHand(t.Context(), h.patient2, "2026-01-12 10:00", 60)
	h.must(err)
	x, y := b.GetAppointments()[0], c.GetAppointments()[0]
	swap := &vw.AppointmentRepair{Moves: []*vw.RepairMove{
		{Appointment: x.GetName(), Etag: x.GetEtag(), Place: &vw.Place{Start: at("2026-01-12 10:00"), Minutes: 60, Holds: y.GetPlace().GetHolds()}},
		{Appointment: y.GetName(), Etag: y.GetEtag(), Place: &vw.Place{Start: at("2026-01-13 10:00"), Minutes: 60, Holds: x.GetPlace().GetHolds()}}}}
	// Two of one patient at one time cannot be: y's new place meets nobody, x's
	// is y's own old one, which y gives up in the same action.
	got, err := h.client.RepairAppointments(t.Context(), &vw.RepairAppointmentsRequest{Parent: "practices/" + willow, Repair: swap})
	h.must(err)
	x, y = got.GetAppointments()[0], got.GetAppointments()[1]
	bad := &vw.AppointmentRepair{Moves: []*vw.RepairMove{
		{Appointment: x.GetName(), Etag: x.GetEtag(), Place: &vw.Place{Start: at("2026-01-14 10:00"), Minutes: 60}}},
		Cancels: []*vw.RepairCancel{{Appointment: y.GetName(), Etag: "\"0\"", Reason: "patient-asked"}}}
	_, err = h.client.RepairAppointments(t.Context(), &vw.RepairAppointmentsRequest{Parent: "practices/" + willow, Repair: bad})
	h.want(err, codes.Aborted, "ETAG_MISMATCH")
	still, err := h.client.GetAppointment(t.Context(), &vw.GetAppointmentRequest{Name: x.GetName()})
	h.must(err)
	if said(still.GetPlace().GetStart()) != "2026-01-12T10:00" {
		t.Errorf("half a repair was kept: %s", said(still.GetPlace().GetStart()))
	}
}

func TestTheDayOfAnAppointmentStepByStep(t *testing.T) {
	h := newHouse(t, options{})
	plan := h.plan(h.patientID, 46)
	b, err := h.client.BookOffer(t.Context(), &vw.BookOfferRequest{Parent: "practices/" + willow, Patient: h.patient, Places: []*vw.PlaceToBook{
		{Parts: part(plan, 1), Place: &vw.Place{Start: at("2026-01-12 10:00"), Minutes: 60}}}})
	h.must(err)
	a := b.GetAppointments()[0]
	step := func(to vw.Appointment_State, late int32) *vw.Appointment {
		t.Helper()
		got, err := h.client.RecordAttendance(t.Context(), &vw.RecordAttendanceRequest{Name: a.GetName(), Etag: a.GetEtag(), State: to, LateMinutes: late})
		h.must(err)
		a = got
		return got
	}
	_, err = h.client.RecordAttendance(t.Context(), &vw.RecordAttendanceRequest{Name: a.GetName(), Etag: a.GetEtag(), State: vw.Appointment_STATE_LEFT})
	h.want(err, codes.FailedPrecondition, "WRONG_BOOKING_STATE")
	if step(vw.Appointment_STATE_DID_NOT_ATTEND, 0); a.GetState() != vw.Appointment_STATE_DID_NOT_ATTEND {
		t.Errorf("state %v", a.GetState())
	}
	step(vw.Appointment_STATE_BOOKED, 0)
	// Ten minutes late: 50 are left, within which 3 in 4 of the plan's visits
	// end (40 minutes with .25, 50 with .5).
	got := step(vw.Appointment_STATE_ARRIVED, 10)
	if o := got.GetLateOutlook(); o.GetMinutesLeft() != 50 || o.GetOnTime().GetProbability() != .75 || o.GetReplan() || !strings.Contains(o.GetText(), "8 in 10") {
		t.Errorf("outlook %v", got.GetLateOutlook())
	}
	if strings.Contains(strings.ToLower(got.GetLateOutlook().GetText()), "fits") {
		t.Errorf("minutes are no go-ahead: %q", got.GetLateOutlook().GetText())
	}
	h.clock.Advance(time.Minute)
	// Twenty: 40 are left, within which 1 in 4 end.
	got = step(vw.Appointment_STATE_IN_CHAIR, 20)
	if o := got.GetLateOutlook(); o.GetMinutesLeft() != 40 || o.GetOnTime().GetProbability() != .25 || !o.GetReplan() || !strings.Contains(o.GetText(), "plan the visit anew") {
		t.Errorf("outlook %v", got.GetLateOutlook())
	}
	step(vw.Appointment_STATE_LEFT, 0)
	if a.GetArriveTime() == nil || !a.GetChairTime().AsTime().After(a.GetArriveTime().AsTime()) || a.GetLeaveTime() == nil {
		t.Errorf("times %v", a)
	}
	_, err = h.client.CancelAppointment(t.Context(), &vw.CancelAppointmentRequest{Name: a.GetName(), Etag: a.GetEtag(), Reason: "patient-asked"})
	h.want(err, codes.FailedPrecondition, "BOOKING_ENDED")
}

func TestACancelledPlaceIsFreeAtOnce(t *testing.T) {
	h := newHouse(t, options{})
	b, err := h.byHand(t.Context(), h.patient, "2026-01-12 10:00", 60)
	h.must(err)
	a := b.GetAppointments()[0]
	_, err = h.client.CancelAppointment(t.Context(), &vw.CancelAppointmentRequest{Name: a.GetName(), Etag: a.GetEtag(), Reason: "because"})
	h.want(err, codes.InvalidArgument, "UNKNOWN_CATALOGUE_ID")
	r := &vw.CancelAppointmentRequest{Name: a.GetName(), Etag: a.GetEtag(), Reason: "patient-asked", RequestId: uuid.NewString()}
	got, err := h.client.CancelAppointment(t.Context(), r)
	h.must(err)
	if got.GetState() != vw.Appointment_STATE_CANCELLED || got.GetReason() != "patient-asked" || got.GetSequence() <= a.GetSequence() {
		t.Errorf("cancelled %v", got)
	}
	again, err := h.client.CancelAppointment(t.Context(), r)
	h.must(err)
	if !proto.Equal(got, again) {
		t.Errorf("repeated: %v", again)
	}
	_, err = h.byHand(t.Context(), h.patient, "2026-01-12 10:00", 60)
	h.must(err)
	_, err = h.client.MoveAppointment(t.Context(), &vw.MoveAppointmentRequest{Name: a.GetName(), Etag: got.GetEtag(), Reason: "patient-asked", Place: &vw.Place{Start: at("2026-01-12 12:00"), Minutes: 60}})
	h.want(err, codes.FailedPrecondition, "BOOKING_ENDED")
}

func TestASecondVisitIfNeededLetsItsPlaceGoByItself(t *testing.T) {
	h := newHouse(t, options{})
	visits := both(h.plan(h.patientID, 46))
	visits[1].IfNeeded = true
	b, err := h.bookToken(h.patient, h.offers(h.patient, visits, nil).GetOffers()[0].GetToken(), 0)
	h.must(err)
	two := b.GetAppointments()[1]
	if !two.GetIfNeeded() || two.GetPlace().GetStart().GetInstantTime().AsTime().Sub(two.GetReleaseTime().AsTime()) != 48*time.Hour {
		t.Fatalf("kept %v", two)
	}
	h.clock.Advance(two.GetReleaseTime().AsTime().Sub(h.clock.Now()))
	list, err := h.client.ListAppointments(t.Context(), &vw.ListAppointmentsRequest{Parent: "practices/" + willow, AllStates: true,
		Days: &vw.DateRange{FirstDate: two.GetPlace().GetStart().GetDate(), LastDate: two.GetPlace().GetStart().GetDate()}})
	h.must(err)
	if len(list.GetAppointments()) != 1 || list.GetAppointments()[0].GetState() != vw.Appointment_STATE_RELEASED {
		t.Errorf("found %v", list.GetAppointments())
	}
	_, err = h.client.BookOffer(t.Context(), &vw.BookOfferRequest{Parent: "practices/" + willow, Patient: h.patient2, Places: []*vw.PlaceToBook{
		{Unplanned: &vw.UnplannedVisit{Protocol: "consultation", Minutes: 45}, Place: &vw.Place{Start: two.GetPlace().GetStart(), Minutes: 45, Holds: two.GetPlace().GetHolds()}}}})
	h.must(err)
}
