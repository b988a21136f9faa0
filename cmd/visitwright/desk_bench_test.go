//go:build !race

// The race detector slows a real browser and the play of a whole practice down
// out of proportion: .ci/test runs these without it, in a step of their own.

package main

import (
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/genproto/googleapis/type/timeofday"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// What a page of the desk may cost: time on the server, from the request to the
// last byte, calls to the service included; and bytes over the wire.
const (
	pageWithin = 50 * time.Millisecond
	pageBytes  = 100 << 10
)

// BenchmarkDeskPage reads every kind of page of the demo practice, and a day of
// 20 rooms and 200 appointments, over real HTTP with compression. It prints
// milliseconds and kilobytes of each page, and the slowest and the heaviest of
// all with what they may be.
func BenchmarkDeskPage(b *testing.B) {
	b.Run("demo", func(b *testing.B) {
		r := openDemoRig(b)
		pages := map[string]string{}
		for _, role := range deskRoles {
			r.signIn(role).kindsOfPages(func(at string, _ *deskPage) {
				if kind := identifierInPath.ReplaceAllString(at, "/one$2"); pages[kind] == "" {
					pages[kind] = role + " " + at
				}
			})
		}
		benchPages(b, r, pages)
	})
	b.Run("full-day", func(b *testing.B) {
		r := openDeskRig(b, nil, tuesday9)
		fullDay(b, r)
		benchPages(b, r, map[string]string{"day of 20 rooms and 200 appointments": "reception /day/2026-11-24", "opening page beside it": "reception /"})
	})
}

// benchPages reads each page several times and reports the worst of the means.
func benchPages(b *testing.B, r *deskRig, pages map[string]string) {
	visitors := map[string]*deskVisitor{}
	for _, role := range deskRoles {
		visitors[role] = r.signIn(role)
	}
	var slowest time.Duration
	var heaviest int
	var slow, heavy string
	for b.Loop() {
		for kind, where := range pages {
			role, at, _ := strings.Cut(where, " ")
			const times = 5
			began := time.Now()
			size := 0
			for range times {
				size = visitors[role].wire(at)
			}
			mean := time.Since(began) / times
			if mean > slowest {
				slowest, slow = mean, kind
			}
			if size > heaviest {
				heaviest, heavy = size, kind
			}
			b.Logf("%7.1f ms %7.1f KB  %s %s", float64(mean.Microseconds())/1000, float64(size)/1024, role, kind)
		}
	}
	b.ReportMetric(float64(slowest.Microseconds())/1000, "ms-slowest-page")
	b.ReportMetric(float64(heaviest)/1024, "KB-heaviest-page")
	b.Logf("slowest %s: %v of %v; heaviest %s: %d of %d bytes; %d pages", slow, slowest, pageWithin, heavy, heaviest, pageBytes, len(pages))
}

// wire reads a page as a browser does and says how many bytes travelled.
func (v *deskVisitor) wire(at string) int {
	request, err := http.NewRequestWithContext(v.t.Context(), http.MethodGet, v.url+at, nil)
	if err != nil {
		v.t.Fatal(err)
	}
	request.Header.Set("Accept-Encoding", "gzip") // by hand, so that it stays compressed
	answer, err := v.http.Do(request)
	if err != nil {
		v.t.Fatal(err)
	}
	defer answer.Body.Close()
	n, err := io.Copy(io.Discard, answer.Body)
	if err != nil || answer.StatusCode != http.StatusOK {
		v.t.Fatalf("%s: status %d, %v", at, answer.StatusCode, err)
	}
	return int(n)
}

// fullDay fills a day of 20 rooms with 200 appointments of another system.
func fullDay(t testing.TB, r *deskRig) {
	manager := r.as(store.RoleManager)
	for i := range 20 {
		room, err := manager.Diary.CreateResource(t.Context(), &vw.CreateResourceRequest{Parent: r.practice, Resource: &vw.Resource{Kind: vw.Resource_KIND_ROOM, Title: fmt.Sprintf("Room %d", i+1), CleanUpMinutes: 5, Active: true}})
		if err != nil {
			t.Fatal(err)
		}
		clinician, err := manager.Planner.CreateClinician(t.Context(), &vw.CreateClinicianRequest{Parent: r.practice, Clinician: &vw.Clinician{Title: fmt.Sprintf("Dr Invented %d", i+1), Active: true}})
		if err != nil {
			t.Fatal(err)
		}
		for j := range 10 {
			_, err := manager.Diary.TakeInAppointment(t.Context(), &vw.TakeInAppointmentRequest{Parent: r.practice, Appointment: &vw.ExternalAppointment{
				Key: &vw.ExternalIdentifier{System: "front-desk", Value: fmt.Sprintf("%d-%d", i, j)},
				Place: &vw.Place{Minutes: 40, Start: &vw.LocalDateTime{Date: &date.Date{Year: 2026, Month: 11, Day: 24}, Time: &timeofday.TimeOfDay{Hours: int32(8 + j)}},
					Holds: []*vw.Hold{{Resource: room.GetName(), ToMinute: 45}, {Resource: clinician.GetName(), ToMinute: 40}}}}})
			if err != nil {
				t.Fatal(err)
			}
		}
	}
}
