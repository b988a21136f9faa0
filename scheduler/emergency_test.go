package scheduler_test

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/dayofweek"
	"google.golang.org/grpc/codes"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

func (h *house) answers(yes ...string) []*vw.RedFlagAnswer {
	h.Helper()
	q, err := h.client.ListRedFlagQuestions(h.Context(), &vw.ListRedFlagQuestionsRequest{Parent: "practices/" + willow})
	h.must(err)
	var out []*vw.RedFlagAnswer
	for _, x := range q.GetQuestions() {
		out = append(out, &vw.RedFlagAnswer{Question: x.GetId(), Yes: strings.Contains(strings.Join(yes, " "), x.GetId())})
	}
	return out
}

func (h *house) emergency(r *vw.FindEmergencyPlaceRequest) *vw.FindEmergencyPlaceResponse {
	h.Helper()
	r.Parent = "practices/" + willow
	got, err := h.client.FindEmergencyPlace(h.Context(), r)
	h.must(err)
	return got
}

func TestRedFlagsComeBeforeAnyPlace(t *testing.T) {
	h := newHouse(t, options{})
	p, err := h.store.GetPractice(t.Context(), h.call())
	h.must(err)
	_, err = h.store.UpdatePractice(t.Context(), h.call(), store.PracticeUpdate{Etag: p.Etag, Settings: []byte(`{"planner":{"urgent_instruction":"Ring the clinician on call."}}`)})
	h.must(err)
	_, err = h.client.FindEmergencyPlace(t.Context(), &vw.FindEmergencyPlaceRequest{Parent: "practices/" + willow, Answers: h.answers()[1:]})
	h.want(err, codes.InvalidArgument, "INVALID_FIELD")
	_, err = h.client.FindEmergencyPlace(t.Context(), &vw.FindEmergencyPlaceRequest{Parent: "practices/" + willow})
	h.want(err, codes.InvalidArgument, "INVALID_FIELD")
	flagged := h.emergency(&vw.FindEmergencyPlaceRequest{Answers: h.answers("swallowing")})
	if len(flagged.GetPlaces()) != 0 || flagged.GetUrgentInstruction() != "Ring the clinician on call." || len(flagged.GetRaisedFlags()) != 1 || flagged.GetRaisedFlags()[0] != "swallowing" {
		t.Errorf("a raised flag answers %v", flagged)
	}
	read := h.emergency(&vw.FindEmergencyPlaceRequest{Answers: h.answers("swallowing"), InstructionAcknowledged: true})
	if len(read.GetPlaces()) == 0 || read.GetUrgentInstruction() == "" {
		t.Errorf("once it was read out: %v", read)
	}
	calm := h.emergency(&vw.FindEmergencyPlaceRequest{Answers: h.answers()})
	if len(calm.GetPlaces()) != 3 || len(calm.GetRaisedFlags()) != 0 || said(calm.GetPlaces()[0].GetPlace().GetStart()) != "2026-01-07T09:00" {
		// 08:00 UTC is 09:00 in Vienna.
		t.Errorf("no flag: %v", calm)
	}
	// The place is booked like any other.
	_, err = h.client.BookOffer(t.Context(), &vw.BookOfferRequest{Parent: "practices/" + willow, Patient: h.patient, Places: []*vw.PlaceToBook{
		{Unplanned: &vw.UnplannedVisit{Protocol: "emergency-relief", Minutes: calm.GetPlaces()[0].GetPlace().GetMinutes()}, Place: calm.GetPlaces()[0].GetPlace()}}})
	h.must(err)
}

func TestTheDaysReserveIsForEmergenciesUntilItsHour(t *testing.T) {
	h := newHouse(t, options{})
	// Every Wednesday from 09:00 to 12:00 is kept, and let go at 10:30.
	h.settings(func(s *vw.DiarySettings) {
		s.Reserves = []*vw.EmergencyReserve{{Weekday: dayofweek.DayOfWeek_WEDNESDAY, FromMinute: 540, ToMinute: 720, ReleaseMinute: 630}}
	})
	soonest := func() string {
		got := h.offers(h.patient, []*vw.VisitToPlace{{Unplanned: &vw.UnplannedVisit{Protocol: "consultation", Minutes: 30}}}, &vw.OfferWishes{FirstAvailable: true})
		return said(got.GetOffers()[0].GetPlaces()[0].GetPlace().GetStart())
	}
	if got := soonest(); got != "2026-01-07T12:00" {
		t.Errorf("ordinary visits are offered %s, want the end of the reserve", got)
	}
	e := h.emergency(&vw.FindEmergencyPlaceRequest{Answers: h.answers()}).GetPlaces()[0]
	if said(e.GetPlace().GetStart()) != "2026-01-07T09:00" || len(e.GetWarnings()) != 1 {
		t.Errorf("an emergency is offered %v", e)
	}
	h.clock.Advance(90 * time.Minute) // 10:30 in Vienna
	if got := soonest(); got != "2026-01-07T10:30" {
		t.Errorf("after the release %s", got)
	}
	_, err := h.client.UpdateDiarySettings(t.Context(), &vw.UpdateDiarySettingsRequest{Settings: &vw.DiarySettings{Name: "practices/" + willow + "/diarySettings", Etag: `"1"`,
		Reserves: []*vw.EmergencyReserve{{Weekday: 1, FromMinute: 600, ToMinute: 540}}}})
	h.want(err, codes.InvalidArgument, "END_BEFORE_START")
}

func TestAFreedPlaceGoesToWhomItSuitsBest(t *testing.T) {
	h := newHouse(t, options{})
	plan := h.plan(h.patientID, 46)
	add := func(plan, patient string, change func(*vw.ShortNoticeEntry)) *vw.ShortNoticeEntry {
		t.Helper()
		e := &vw.ShortNoticeEntry{Patient: patient, Parts: part(plan, 1), NoticeMinutes: 120, Wishes: &vw.OfferWishes{}}
		change(e)
		got, err := h.client.CreateShortNoticeEntry(t.Context(), &vw.CreateShortNoticeEntryRequest{Parent: "practices/" + willow, Entry: e})
		h.must(err)
		h.clock.Advance(time.Second)
		return got
	}
	calm := add(plan, h.patient, func(*vw.ShortNoticeEntry) {})
	pain := add(h.plan(h.patientID2, 36), h.patient2, func(e *vw.ShortNoticeEntry) { e.Wishes.Urgent = true })
	third := h.newPatient("P-3")
	never := add(h.plan(third, 11), "practices/"+willow+"/patients/"+third, func(e *vw.ShortNoticeEntry) { e.NoticeMinutes = 20160 }) // two weeks' notice
	_, err := h.client.CreateShortNoticeEntry(t.Context(), &vw.CreateShortNoticeEntryRequest{Parent: "practices/" + willow, Entry: &vw.ShortNoticeEntry{Patient: h.patient2, Parts: part(plan, 1)}})
	h.want(err, codes.FailedPrecondition, "DIFFERENT_PATIENTS")
	match := func(start string, minutes int32) []*vw.ShortNoticeMatch {
		got, err := h.client.MatchShortNotice(t.Context(), &vw.MatchShortNoticeRequest{Parent: "practices/" + willow, Place: &vw.Place{Start: at(start), Minutes: minutes}})
		h.must(err)
		return got.GetMatches()
	}
	got := match("2026-01-08 10:00", 60)
	if len(got) != 2 || got[0].GetEntry().GetName() != pain.GetName() || got[1].GetEntry().GetName() != calm.GetName() || len(got[0].GetReasons()) == 0 {
		t.Errorf("matches %v", got)
	}
	if said(got[0].GetPlace().GetPlace().GetStart()) != "2026-01-08T10:00" {
		t.Errorf("placed at %v", got[0].GetPlace().GetPlace())
	}
	if n := len(match("2026-01-08 10:00", 30)); n != 0 {
		t.Errorf("half an hour suits %d visits of an hour", n)
	}
	list, err := h.client.ListShortNoticeEntries(t.Context(), &vw.ListShortNoticeEntriesRequest{Parent: "practices/" + willow})
	h.must(err)
	if len(list.GetEntries()) != 3 || list.GetEntries()[2].GetName() != never.GetName() {
		t.Errorf("list %v", list)
	}
	_, err = h.client.DeleteShortNoticeEntry(t.Context(), &vw.DeleteShortNoticeEntryRequest{Name: pain.GetName()})
	h.must(err)
	_, err = h.client.DeleteShortNoticeEntry(t.Context(), &vw.DeleteShortNoticeEntryRequest{Name: pain.GetName()})
	h.want(err, codes.NotFound, "SHORT_NOTICE_ENTRY_NOT_FOUND")
	// Whoever's case is closed waits no longer.
	_, err = h.store.CloseCase(t.Context(), h.call(), store.CaseClosing{ID: strings.Split(plan, "/")[3], Reason: store.ClosedExtracted})
	h.must(err)
	if n := len(match("2026-01-08 10:00", 60)); n != 0 {
		t.Errorf("%d matches for a closed case", n)
	}
}
