package main

import (
	"net/http"
	"net/url"
	"path"
	"strings"
	"testing"
)

// A newer plan that needs more time than is booked is shown with its repair,
// and the repair is one tap.
func TestABookingThatANewerPlanMadeTooShortIsPutRightInOneTap(t *testing.T) {
	r, id := openFurnished(t)
	v := r.signIn("reception")
	first := v.bookBoth(id)[0]
	r.mustAt(monday, "assess", id, "--diagnosis", "necrotic-lesion", "--radiograph-count", "4", "--answer", "root-curvature=s-shaped", "--answer", "canal-appearance=not-visible")
	r.mustAt(monday, "propose", id)
	r.mustAt(monday, "accept", id, "--option", "two-visits", "--consent", "written")
	was := r.booked()[0].GetPlace().GetMinutes()
	p := v.mustGet("/")
	if !p.has("60 min are booked and") || p.Find(`a[href="`+first+`/mend"]`).Length() != 1 {
		t.Fatalf("the opening page: %s", p.text())
	}
	if p = v.mustGet("/cases/" + id + "/book"); !p.has("Booked by an earlier plan") {
		t.Errorf("the booking page: %s", p.text())
	}
	p = v.mustGet(first + "/mend")
	if p.has("In the new plan it is visit") {
		t.Errorf("the visit kept its number: %s", p.text())
	}
	if !p.has("Longer at the same place") || p.Find("button[value=other]").Length() == 0 {
		t.Fatalf("the repair: %s", p.text())
	}
	done := v.send(p, "form:has(button[value=longer])", nil, "do=longer")
	now := r.booked()[0].GetPlace().GetMinutes()
	if done.status != http.StatusOK || now <= was || len(r.booked()) != 2 {
		t.Errorf("status %d, %d minutes then and %d now", done.status, was, now)
	}
	if p = v.mustGet(first + "/mend"); !p.has("nothing needs doing") {
		t.Errorf("afterwards: %s", p.text())
	}
	// The second visit goes to another place: the new one is booked, the old one
	// given up.
	second := "/appointments/" + path.Base(r.booked()[1].GetName())
	if p = v.mustGet(second + "/mend"); p.Find("button[value=other]").Length() == 0 {
		t.Fatalf("no other place for the second visit: %s", p.text())
	}
	done = v.send(p, "form:has(button[value=other])", nil, "do=other")
	if !strings.HasPrefix(done.at, "/bookings/") || len(r.booked()) != 2 {
		t.Errorf("at %s, %d booked: %s", done.at, len(r.booked()), done.text())
	}
	// A second tap books no further place, and does not say that the old one stays.
	if again := v.send(p, "form:has(button[value=other])", nil, "do=other"); again.at != second || again.status != http.StatusOK || len(r.booked()) != 2 {
		t.Errorf("the second tap: at %s, status %d, %d booked: %s", again.at, again.status, len(r.booked()), again.text())
	}
}

// A place of an urgent call belongs to no case: no plan can make it too short.
func TestAPlaceWithoutACaseNeedsNoMending(t *testing.T) {
	r, _ := openFurnished(t)
	r.mustAt(monday, "emergency", "--no-flags", "--for", "INVENTED-0046", "--book", "1")
	v := r.signIn("reception")
	at := "/appointments/" + path.Base(r.booked()[0].GetName())
	p := v.mustGet(at + "/mend")
	if !p.has("nothing needs doing") {
		t.Errorf("the repair: %s", p.text())
	}
	was := r.booked()[0].GetPlace().GetMinutes()
	if done := v.post(at+"/mend", url.Values{"do": {"longer"}}); done.status != http.StatusOK || done.at != at || r.booked()[0].GetPlace().GetMinutes() != was {
		t.Errorf("at %s, status %d: %s", done.at, done.status, done.text())
	}
}
