package scheduler_test

import (
	"bytes"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

func TestAClinicianMakesFeedsOfTheirOwnCalendarAlone(t *testing.T) {
	h := newHouse(t, options{})
	clinician, manager := h.as(store.RoleClinician), h.as(store.RoleManager) // the clinician is Anna
	add := func(owner string, request string, preview bool) (*vw.CalendarFeed, error) {
		return h.client.CreateCalendarFeed(clinician, &vw.CreateCalendarFeedRequest{Parent: "practices/" + willow, Feed: &vw.CalendarFeed{Owner: owner, Label: "telephone"},
			RequestId: request, ValidateOnly: preview})
	}
	for _, owner := range []string{h.ben, h.room} {
		_, err := add(owner, "", false)
		h.want(err, codes.PermissionDenied, "ROLE_NOT_ALLOWED")
	}
	preview, err := add(h.anna, "", true)
	h.must(err)
	if preview.GetSecretPath() != "" || preview.GetName() != "" {
		t.Errorf("a preview has an address: %v", preview)
	}
	mine, err := add(h.anna, "6f9619ff-8b86-4d01-8b42-00c04fc964ff", false)
	h.must(err)
	again, err := add(h.anna, "6f9619ff-8b86-4d01-8b42-00c04fc964ff", false)
	h.must(err)
	if again.GetName() != mine.GetName() || again.GetSecretPath() != mine.GetSecretPath() || mine.GetSecretPath() == "" {
		t.Errorf("the repeated request got %v, the first %v", again, mine)
	}
	bens, err := h.client.CreateCalendarFeed(manager, &vw.CreateCalendarFeedRequest{Parent: "practices/" + willow, Feed: &vw.CalendarFeed{Owner: h.ben}})
	h.must(err)
	listed, err := h.client.ListCalendarFeeds(clinician, &vw.ListCalendarFeedsRequest{Parent: "practices/" + willow})
	h.must(err)
	if len(listed.GetFeeds()) != 1 || listed.GetFeeds()[0].GetName() != mine.GetName() || listed.GetFeeds()[0].GetSecretPath() != "" {
		t.Errorf("the clinician is shown %v", listed)
	}
	all, err := h.client.ListCalendarFeeds(manager, &vw.ListCalendarFeedsRequest{Parent: "practices/" + willow})
	h.must(err)
	if len(all.GetFeeds()) != 2 {
		t.Errorf("the manager is shown %v", all)
	}
	_, err = h.client.DeleteCalendarFeed(clinician, &vw.DeleteCalendarFeedRequest{Name: bens.GetName()})
	h.want(err, codes.NotFound, "CALENDAR_FEED_NOT_FOUND")

	// Each secret opens its own calendar and no other.
	_, err = h.client.BookOffer(t.Context(), &vw.BookOfferRequest{Parent: "practices/" + willow, Patient: h.patient, Places: []*vw.PlaceToBook{
		{Unplanned: &vw.UnplannedVisit{Protocol: "consultation", Minutes: 30}, Place: &vw.Place{Start: at("2026-01-12 09:00"), Minutes: 30, Holds: []*vw.Hold{{Resource: h.anna}, {Resource: h.room}}}}}})
	h.must(err)
	read := func(f *vw.CalendarFeed) []byte {
		t.Helper()
		got, err := h.client.ReadCalendarFeed(t.Context(), &vw.ReadCalendarFeedRequest{Secret: f.GetSecretPath()[len("/calendars/"):]})
		h.must(err)
		return got.GetCalendar()
	}
	if n := bytes.Count(read(mine), []byte("BEGIN:VEVENT")); n != 1 {
		t.Errorf("Anna's feed has %d events", n)
	}
	if n := bytes.Count(read(bens), []byte("BEGIN:VEVENT")); n != 0 {
		t.Errorf("Ben's feed has %d events", n)
	}
	own, other := strings.Split(mine.GetSecretPath(), "."), strings.Split(bens.GetSecretPath(), ".")
	_, err = h.client.ReadCalendarFeed(t.Context(), &vw.ReadCalendarFeedRequest{Secret: strings.Join([]string{"vwf1", own[1], own[2], other[3]}, ".")})
	h.want(err, codes.NotFound, "CALENDAR_FEED_NOT_FOUND")
	_, err = h.client.DeleteCalendarFeed(clinician, &vw.DeleteCalendarFeedRequest{Name: mine.GetName(), ValidateOnly: true})
	h.must(err)
	read(mine)
	_, err = h.client.DeleteCalendarFeed(clinician, &vw.DeleteCalendarFeedRequest{Name: mine.GetName()})
	h.must(err)
	_, err = h.client.ReadCalendarFeed(t.Context(), &vw.ReadCalendarFeedRequest{Secret: strings.TrimPrefix(mine.GetSecretPath(), "/calendars/")})
	h.want(err, codes.NotFound, "CALENDAR_FEED_NOT_FOUND")
}

func TestAFeedIsACliniciansOrAResources(t *testing.T) {
	h := newHouse(t, options{})
	for owner, want := range map[string]struct {
		code   codes.Code
		reason string
	}{
		"practices/" + willow: {codes.InvalidArgument, "INVALID_NAME"},
		h.patient:             {codes.InvalidArgument, "INVALID_NAME"},
		"practices/" + willow + "/clinicians/nobody":  {codes.NotFound, "CLINICIAN_NOT_FOUND"},
		"practices/" + willow + "/resources/nothing":  {codes.NotFound, "RESOURCE_NOT_FOUND"},
		"practices/elsewhere/clinicians/" + "someone": {codes.NotFound, "CLINICIAN_NOT_FOUND"},
	} {
		_, err := h.client.CreateCalendarFeed(h.as(store.RoleManager), &vw.CreateCalendarFeedRequest{Parent: "practices/" + willow, Feed: &vw.CalendarFeed{Owner: owner}})
		h.want(err, want.code, want.reason)
	}
	_, err := h.client.ReadCalendarFeed(t.Context(), &vw.ReadCalendarFeedRequest{Secret: "vwf1.-.x.y"})
	h.want(err, codes.NotFound, "CALENDAR_FEED_NOT_FOUND")
}
