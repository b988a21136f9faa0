package scheduler_test

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// event is an event as ical.js reads it.
type event struct {
	UID      string `json:"uid"`
	Sequence int    `json:"sequence"`
	Status   string `json:"status"`
	Start    string `json:"start"`
	End      string `json:"end"`
	Summary  string `json:"summary"`
	Location string `json:"location"`
}

// reader installs the independent parser, ical.js at the version of the lock
// file beside the pure package's tests, and reads calendars with it.
func reader(t *testing.T) func(text []byte) (method string, events []event) {
	t.Helper()
	dir := t.TempDir()
	for _, name := range []string{"package.json", "package-lock.json", "read.mjs"} {
		b, err := os.ReadFile(filepath.Join("ical", "testdata", "reader", name))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	install := exec.CommandContext(t.Context(), "npm", "ci", "--ignore-scripts", "--no-audit", "--no-fund", "--prefer-offline")
	install.Dir = dir
	if out, err := install.CombinedOutput(); err != nil {
		t.Fatalf("npm ci: %v\n%s", err, out)
	}
	return func(text []byte) (string, []event) {
		t.Helper()
		cmd := exec.CommandContext(t.Context(), "node", filepath.Join(dir, "read.mjs"))
		cmd.Stdin = bytes.NewReader(text)
		out, err := cmd.Output()
		if err != nil {
			t.Fatalf("ical.js cannot read it: %v\n%s", err, text)
		}
		var got struct {
			Method string  `json:"method"`
			Events []event `json:"events"`
		}
		if err := json.Unmarshal(out, &got); err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		return got.Method, got.Events
	}
}

func TestACalendarFollowsABookingThroughMoveAndCancellationAsAnotherParserReadsIt(t *testing.T) {
	h := newHouse(t, options{})
	read := reader(t)
	_, err := h.store.CreatePatient(t.Context(), h.call(), store.Patient{Reference: "K-1042", Contact: store.Contact{Label: "Jane Planted", Phone: "+43 660 5551234"}})
	h.must(err)
	found, _, err := h.store.SearchPatients(t.Context(), h.call(), store.PatientQuery{Reference: "K-1042"})
	h.must(err)
	patient := "practices/" + willow + "/patients/" + found[0].ID
	export := func(name string) (string, []event) {
		t.Helper()
		got, err := h.client.ExportCalendar(t.Context(), &vw.ExportCalendarRequest{Name: name})
		h.must(err)
		text := string(got.GetCalendar())
		for _, planted := range []string{"Jane", "Planted", "5551234", "consultation"} {
			if strings.Contains(text, planted) {
				t.Errorf("%q stands in the calendar:\n%s", planted, text)
			}
		}
		if !strings.HasPrefix(got.GetContentType(), "text/calendar") || got.GetEtag() == "" {
			t.Errorf("served as %q, %q", got.GetContentType(), got.GetEtag())
		}
		for line := range strings.SplitSeq(strings.TrimSuffix(text, "\r\n"), "\r\n") {
			if len(line) > 75 || strings.ContainsAny(line, "\r\n") { // RFC 5545, 3.1
				t.Errorf("line %q", line)
			}
		}
		return read(got.GetCalendar())
	}
	b, err := h.client.BookOffer(t.Context(), &vw.BookOfferRequest{Parent: "practices/" + willow, Patient: patient, KeepMinutes: 60, Places: []*vw.PlaceToBook{
		{Unplanned: &vw.UnplannedVisit{Protocol: "consultation", Minutes: 30}, Place: &vw.Place{Start: at("2026-03-30 10:00"), Minutes: 30, Holds: []*vw.Hold{{Resource: h.anna}, {Resource: h.room}}}}}})
	h.must(err)
	a := b.GetAppointments()[0]
	method, events := export(b.GetName())
	if method != "PUBLISH" || len(events) != 1 || events[0].Status != "TENTATIVE" || !strings.Contains(events[0].Summary, "K-1042") || events[0].Location != "Room 1" {
		t.Fatalf("provisional: %s %+v", method, events)
	}
	uid, sequence := events[0].UID, events[0].Sequence
	if s, err := time.Parse(time.RFC3339, events[0].Start); err != nil || !s.Equal(a.GetPlace().GetStart().GetInstantTime().AsTime()) {
		t.Errorf("starts at %s, want %v", events[0].Start, a.GetPlace().GetStart().GetInstantTime().AsTime())
	}
	next := func(step, name, status string) {
		t.Helper()
		_, events = export(name)
		if len(events) != 1 || events[0].UID != uid || events[0].Status != status || events[0].Sequence <= sequence {
			t.Errorf("%s: %+v, want %s of the same UID with a sequence above %d", step, events, status, sequence)
		}
		sequence = events[0].Sequence
	}
	b, err = h.client.ConfirmBooking(t.Context(), &vw.ConfirmBookingRequest{Name: b.GetName()})
	h.must(err)
	next("confirmed", b.GetName(), "CONFIRMED")
	moved, err := h.client.MoveAppointment(t.Context(), &vw.MoveAppointmentRequest{Name: a.GetName(), Etag: b.GetAppointments()[0].GetEtag(), Reason: "patient-asked",
		Place: &vw.Place{Start: at("2026-03-30 11:00"), Minutes: 30, Holds: []*vw.Hold{{Resource: h.anna}, {Resource: h.room}}}})
	h.must(err)
	next("moved", a.GetName(), "CONFIRMED")
	_, err = h.client.CancelAppointment(t.Context(), &vw.CancelAppointmentRequest{Name: a.GetName(), Etag: moved.GetAppointment().GetEtag(), Reason: "patient-asked"})
	h.must(err)
	next("cancelled", a.GetName(), "CANCELLED")
	if method, _ := export(a.GetName()); method != "CANCEL" {
		t.Errorf("a cancelled appointment is sent as %s", method)
	}
	// The feeds of clinician and room: cancelled ones too, and no method.
	_, err = h.byHand(t.Context(), h.patient, "2026-01-12 09:00", 30)
	h.must(err)
	for _, name := range []string{h.anna, h.room} {
		method, events := export(name)
		if method != "" || len(events) != 2 {
			t.Errorf("the feed of %s: %q %+v", name, method, events)
		}
	}
	if _, events := export(h.scope); len(events) != 0 {
		t.Errorf("the feed of what nobody booked: %+v", events)
	}
	_, err = h.client.ExportCalendar(t.Context(), &vw.ExportCalendarRequest{Name: h.anna, Days: &vw.DateRange{FirstDate: day("2026-01-01"), LastDate: day("2036-01-01")}})
	h.want(err, codes.InvalidArgument, "RANGE_TOO_LONG")
	_, err = h.client.ExportCalendar(t.Context(), &vw.ExportCalendarRequest{Name: "practices/" + willow + "/bookings/nothing"})
	h.want(err, codes.NotFound, "BOOKING_NOT_FOUND")
}
