package main

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/genproto/googleapis/type/dayofweek"
	"google.golang.org/genproto/googleapis/type/timeofday"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// large is a practice with many rooms, and one day that is full.
type large struct {
	rooms, clinicians, nurses []string
	booked                    int
}

// fillDay makes rooms with a clinician and a nurse each, and books ten visits of
// half an hour in each room on the Tuesday after monday.
func (r *deskRig) fillDay(rooms, each int) *large {
	r.t.Helper()
	manager, reception := r.as(store.RoleManager), r.as(store.RoleReception)
	l := &large{}
	must := func(err error) {
		r.t.Helper()
		if err != nil {
			r.t.Fatal(err)
		}
	}
	settings, err := manager.Planner.GetPracticeSettings(r.t.Context(), &vw.GetPracticeSettingsRequest{Name: r.practice + "/settings"})
	must(err)
	settings.Zone, settings.Title = "Europe/Vienna", "Nowhere-on-Sea Practice (invented)"
	_, err = manager.Planner.UpdatePracticeSettings(r.t.Context(), &vw.UpdatePracticeSettingsRequest{Settings: settings})
	must(err)
	var rules []*vw.HoursRule
	for d := dayofweek.DayOfWeek_MONDAY; d <= dayofweek.DayOfWeek_FRIDAY; d++ {
		rules = append(rules, &vw.HoursRule{Weekday: d, StartTime: &timeofday.TimeOfDay{Hours: 8}, EndTime: &timeofday.TimeOfDay{Hours: 12}},
			&vw.HoursRule{Weekday: d, StartTime: &timeofday.TimeOfDay{Hours: 13}, EndTime: &timeofday.TimeOfDay{Hours: 18}})
	}
	_, err = manager.Diary.SetHours(r.t.Context(), &vw.SetHoursRequest{Hours: &vw.Hours{Owner: r.practice, Rules: rules}})
	must(err)
	for i := range rooms {
		room, err := manager.Diary.CreateResource(r.t.Context(), &vw.CreateResourceRequest{Parent: r.practice, Resource: &vw.Resource{Kind: vw.Resource_KIND_ROOM, Title: fmt.Sprintf("Room %d", i+1), CleanUpMinutes: 5, Active: true}})
		must(err)
		nurse, err := manager.Diary.CreateResource(r.t.Context(), &vw.CreateResourceRequest{Parent: r.practice, Resource: &vw.Resource{Kind: vw.Resource_KIND_NURSE, Title: fmt.Sprintf("Nurse %d", i+1), Active: true}})
		must(err)
		clinician, err := manager.Planner.CreateClinician(r.t.Context(), &vw.CreateClinicianRequest{Parent: r.practice, Clinician: &vw.Clinician{Title: fmt.Sprintf("Dr Invented %d", i+1), Active: true}})
		must(err)
		l.rooms, l.nurses, l.clinicians = append(l.rooms, room.GetName()), append(l.nurses, nurse.GetName()), append(l.clinicians, clinician.GetName())
	}
	for i := range rooms {
		for k := range each {
			start := 8*60 + k*40
			if start >= 12*60 {
				start += 60
			}
			label := fmt.Sprintf("Invented Person %d", l.booked)
			p, err := reception.Planner.CreatePatient(r.t.Context(), &vw.CreatePatientRequest{Parent: r.practice, Patient: &vw.Patient{Reference: fmt.Sprintf("INV-%04d", l.booked), Label: &label}})
			must(err)
			c, err := reception.Planner.CreateCase(r.t.Context(), &vw.CreateCaseRequest{Parent: r.practice, Case: &vw.Case{Patient: p.GetName(), Tooth: &vw.Tooth{Iso: "46"}}})
			must(err)
			place := &vw.Place{Start: &vw.LocalDateTime{Date: &date.Date{Year: 2027, Month: 3, Day: 2}, Time: &timeofday.TimeOfDay{Hours: int32(start / 60), Minutes: int32(start % 60)}}, Minutes: 30}
			for _, name := range []string{l.clinicians[i], l.rooms[i], l.nurses[i]} {
				place.Holds = append(place.Holds, &vw.Hold{Resource: name, ToMinute: 30})
			}
			_, err = reception.Diary.BookOffer(r.t.Context(), &vw.BookOfferRequest{Parent: r.practice, Patient: p.GetName(),
				Places: []*vw.PlaceToBook{{Unplanned: &vw.UnplannedVisit{Protocol: "consultation", Minutes: 30, Case: c.GetName()}, Place: place}}})
			must(err)
			l.booked++
			r.clock.move(50 * time.Millisecond) // no token may call faster than the service allows
		}
	}
	return l
}

// wire reads a page as it travels to a browser, compressed, and says whether it
// was.
func (v *deskVisitor) wire(path string) (body []byte, compressed bool) {
	v.t.Helper()
	request, err := http.NewRequestWithContext(v.t.Context(), http.MethodGet, v.url+path, nil)
	if err != nil {
		v.t.Fatal(err)
	}
	request.Header.Set("Accept-Encoding", "gzip") // by hand, so that it stays compressed
	answer, err := v.http.Do(request)
	if err != nil {
		v.t.Fatal(err)
	}
	defer func() { _ = answer.Body.Close() }()
	if body, err = io.ReadAll(answer.Body); err != nil || answer.StatusCode != http.StatusOK {
		v.t.Fatalf("%s: status %d, %v", path, answer.StatusCode, err)
	}
	return body, answer.Header.Get("Content-Encoding") == "gzip"
}

// weight is how many bytes a page takes on the way, and the page.
func (v *deskVisitor) weight(path string) (sent int, whole string) {
	v.t.Helper()
	body, compressed := v.wire(path)
	if !compressed {
		return len(body), string(body)
	}
	z, err := gzip.NewReader(bytes.NewReader(body))
	if err != nil {
		v.t.Fatal(err)
	}
	text, err := io.ReadAll(z)
	if err != nil {
		v.t.Fatal(err)
	}
	return len(body), string(text)
}

func TestADayOfTwentyRoomsAndTwoHundredBookingsIsDrawnWholeAndStaysLight(t *testing.T) {
	r := openDeskRig(t, nil, monday)
	l := r.fillDay(20, 10)
	v := r.signIn("reception")
	r.clock.move(time.Minute)
	for _, path := range []string{"/day/2027-03-02", "/day/2027-03-02?view=list", "/week/2027-03-02"} {
		v.mustGet(path)
		r.clock.move(time.Second)
		began := time.Now()
		sent, text := v.weight(path)
		took := time.Since(began)
		t.Logf("%s: %d bytes compressed of %d, %v", path, sent, len(text), took)
		if sent > 100_000 {
			t.Errorf("%s sends %d bytes, want at most 100000", path, sent)
		}
		if n := strings.Count(text, `href="/appointments/`); !strings.HasPrefix(path, "/week") && n != l.booked {
			t.Errorf("%s shows %d visits, want %d", path, n, l.booked)
		}
	}
}
