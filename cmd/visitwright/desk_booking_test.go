package main

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"
)

// openFurnished is a rig with people, rooms, hours and a case of two visits.
func openFurnished(t *testing.T) (*deskRig, string) {
	t.Helper()
	h := newHome(t)
	id := h.furnish()
	return openDeskRig(t, h, monday), id
}

// From the patient's case it is two taps: look for places, book. (The first of
// three is opening the case.)
func TestReceptionBooksATwoVisitCaseInTwoTapsFromItsCase(t *testing.T) {
	r, id := openFurnished(t)
	v := r.signIn("reception")
	p := v.mustGet("/cases/" + id + "/book")
	if n := p.Find("article.offer").Length(); n < 3 {
		t.Fatalf("%d offers\n%s", n, p.text())
	}
	first := p.Find("article.offer").First()
	if n := first.Find("li").Length(); n != 2 {
		t.Errorf("the offer has %d places, want one for each of two visits: %s", n, first.Text())
	}
	for _, want := range []string{"Dr Invented", "Room 1", "60 min", "days later", "first visit"} {
		if !strings.Contains(first.Text(), want) {
			t.Errorf("the offer does not say %q: %s", want, strings.Join(strings.Fields(first.Text()), " "))
		}
	}
	done := v.send(p, "article.offer form", nil, "keep=0")
	if done.status != http.StatusOK || !strings.HasPrefix(done.at, "/bookings/") || !done.has("Booked for INVENTED-0046") {
		t.Fatalf("status %d at %s\n%s", done.status, done.at, done.text())
	}
	if n := done.Find("ol.bookedlist li").Length(); n != 2 {
		t.Errorf("%d places are booked, want 2\n%s", n, done.text())
	}
	p = v.mustGet("/cases/" + id + "/book")
	if !p.has("has its place") && p.Find("article.offer").Length() > 0 {
		t.Errorf("what is booked is offered again: %s", p.text())
	}
	_ = url.Values{}
	_ = time.Now
}
