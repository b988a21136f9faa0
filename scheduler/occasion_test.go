package scheduler_test

import (
	"fmt"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// urgent asks for the urgent visit of Thursday, 15 January 2026, 09:00.
func (h *house) urgent(why *vw.CallOccasion) *vw.BookOfferRequest {
	return &vw.BookOfferRequest{Parent: "practices/" + willow, Patient: h.patient, Occasion: why, Places: []*vw.PlaceToBook{
		{Unplanned: &vw.UnplannedVisit{Protocol: "emergency-relief", Minutes: 30}, Place: &vw.Place{Start: at("2026-01-15 09:00"), Minutes: 30, Holds: []*vw.Hold{{Resource: h.anna}, {Resource: h.room}}}}}}
}

func TestWhatAnUrgentCallerSaidStaysWithTheAppointmentAndGoesNowhereElse(t *testing.T) {
	x := newFollows(t, options{})
	x.writes()
	said := &vw.CallOccasion{Trouble: "swelling", Words: "since the planted Sunday", RaisedFlags: []string{"swallowing"}, DeniedFlags: []string{"breathing"}}
	preview := x.urgent(said)
	preview.ValidateOnly = true
	seen, err := x.client.BookOffer(x.Context(), preview)
	x.must(err)
	booking, err := x.client.BookOffer(x.Context(), x.urgent(said))
	x.must(err)
	for _, b := range []*vw.Booking{seen, booking} {
		if got := b.GetAppointments()[0]; !proto.Equal(got.GetOccasion(), said) || got.GetProtocol() != "emergency-relief" {
			t.Errorf("booked with %v", got)
		}
	}
	a := booking.GetAppointments()[0]
	moved, err := x.client.MoveAppointment(x.Context(), &vw.MoveAppointmentRequest{Name: a.GetName(), Etag: a.GetEtag(), Reason: "patient-asked", Place: &vw.Place{Start: at("2026-01-15 10:00"), Minutes: 30}})
	x.must(err)
	if got := moved.GetAppointment(); !proto.Equal(got.GetOccasion(), said) {
		t.Errorf("moved with %v", got.GetOccasion())
	}
	list, err := x.client.ListAppointments(x.Context(), &vw.ListAppointmentsRequest{Parent: "practices/" + willow, Patient: x.patient, Days: &vw.DateRange{FirstDate: day("2026-01-15"), LastDate: day("2026-01-15")}})
	x.must(err)
	if len(list.GetAppointments()) != 1 || !proto.Equal(list.GetAppointments()[0].GetOccasion(), said) {
		t.Errorf("listed %v", list)
	}

	calendar, err := x.client.ExportCalendar(x.Context(), &vw.ExportCalendarRequest{Name: booking.GetName()})
	x.must(err)
	feed, err := x.client.CreateCalendarFeed(x.Context(), &vw.CreateCalendarFeedRequest{Parent: "practices/" + willow, Feed: &vw.CalendarFeed{Owner: x.room}})
	x.must(err)
	read, err := x.client.ReadCalendarFeed(x.Context(), &vw.ReadCalendarFeedRequest{Secret: feed.GetSecretPath()[len("/calendars/"):]})
	x.must(err)
	_, taken := x.client.BookOffer(x.Context(), x.urgent(said)) // free again
	x.must(taken)
	_, taken = x.client.BookOffer(x.Context(), x.urgent(said))
	x.want(taken, codes.Aborted, "PLACE_TAKEN")
	x.tenDays()
	letters := x.post.take()
	if len(letters) == 0 {
		t.Error("no letter left")
	}
	for what, text := range map[string]string{"the calendar": string(calendar.GetCalendar()), "the feed": string(read.GetCalendar()), "a refusal": fmt.Sprintf("%+v", taken), "a letter": fmt.Sprintf("%+v", letters)} {
		for _, word := range []string{"planted", "Sunday", "swelling", "swallowing", "breathing"} {
			if strings.Contains(text, word) {
				t.Errorf("%q stands in %s:\n%s", word, what, text)
			}
		}
	}
}

func TestAnOccasionNamesRedFlagsThatThereAreAndEachOnce(t *testing.T) {
	h := newHouse(t, options{})
	for name, wrong := range map[string]*vw.CallOccasion{
		"UNKNOWN_CATALOGUE_ID": {RaisedFlags: []string{"tea"}},
		"INVALID_FIELD":        {RaisedFlags: []string{"breathing"}, DeniedFlags: []string{"breathing"}},
	} {
		_, err := h.client.BookOffer(t.Context(), h.urgent(wrong))
		h.want(err, codes.InvalidArgument, name)
	}
	plain, err := h.client.BookOffer(t.Context(), h.urgent(&vw.CallOccasion{Words: "  "}))
	h.must(err)
	if o := plain.GetAppointments()[0].GetOccasion(); o != nil {
		t.Errorf("nothing was said, and %v is kept", o)
	}
}
