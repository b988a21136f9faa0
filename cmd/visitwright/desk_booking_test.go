package main

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/PuerkitoBio/goquery"
	"google.golang.org/genproto/googleapis/type/date"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// openFurnished is a rig with people, rooms, hours and a case of two visits.
func openFurnished(t testing.TB) (*deskRig, string) {
	t.Helper()
	h := newHome(t)
	id := h.furnish()
	return openDeskRig(t, h, monday), id
}

// booked counts what holds its place in the weeks after monday.
func (r *deskRig) booked() []*vw.Appointment {
	r.t.Helper()
	got, err := r.as(store.RoleReception).Diary.ListAppointments(r.t.Context(), &vw.ListAppointmentsRequest{Parent: r.practice, PageSize: 1000,
		Days: &vw.DateRange{FirstDate: &date.Date{Year: 2027, Month: 3, Day: 1}, LastDate: &date.Date{Year: 2027, Month: 12, Day: 31}}})
	if err != nil {
		r.t.Fatal(err)
	}
	return got.GetAppointments()
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
	for _, want := range []string{"Dr Invented", "Room 1", "60 min", "14 days later", "inside the safe", "first visit"} {
		if !strings.Contains(first.Text(), want) {
			t.Errorf("the offer does not say %q: %s", want, strings.Join(strings.Fields(first.Text()), " "))
		}
	}
	done := v.send(p, "article.offer form", nil, "keep=0")
	if done.status != http.StatusOK || !strings.HasPrefix(done.at, "/bookings/") || !done.has("Booked for INVENTED-0046") {
		t.Fatalf("status %d at %s\n%s", done.status, done.at, done.text())
	}
	if !done.has("Visit 3 is seldom needed (1 in 10 need this visit): it is not booked on purpose") || done.Find("a[href$='?cancel=yes#cancel']").Length() != 2 {
		t.Errorf("what is not booked, and the way back: %s", done.text())
	}
	if back := v.mustGet(strings.TrimSuffix(done.Find("a[href$='?cancel=yes#cancel']").First().AttrOr("href", ""), "#cancel")); back.Find("details#cancel[open]").Length() != 1 {
		t.Errorf("taking it back is not open: %s", back.text())
	}
	if n := done.Find("ol.bookedlist li").Length(); n != 2 || len(r.booked()) != 2 {
		t.Errorf("%d places are shown and %d booked, want 2\n%s", n, len(r.booked()), done.text())
	}
	p = v.mustGet("/cases/" + id + "/book")
	if !p.has("has its place") || p.Find("article.offer").Length() > 0 {
		t.Errorf("what is booked is offered again: %s", p.text())
	}
}

func TestOfTwoReceptionistsWhoWantOnePlaceTheSecondIsToldKindlyAndSeesFreshOffersWithTheSameWishes(t *testing.T) {
	r, id := openFurnished(t)
	other := r.anotherCase()
	anna, ben := r.signIn("reception"), r.signIn("reception")
	wishes := "?day=3&part=morning"
	mine, theirs := anna.mustGet("/cases/"+id+"/book"+wishes), ben.mustGet("/cases/"+other+"/book"+wishes)
	if got := anna.send(mine, "article.offer form", nil, "keep=0"); !strings.HasPrefix(got.at, "/bookings/") {
		t.Fatalf("the first: %s", got.text())
	}
	lost := ben.send(theirs, "article.offer form", nil, "keep=0")
	if lost.status != http.StatusUnprocessableEntity || !lost.has("Somebody else has just booked one of these places") || !lost.has("Nothing of yours was booked") {
		t.Fatalf("status %d: %s", lost.status, lost.text())
	}
	if n := lost.Find("article.offer").Length(); n == 0 {
		t.Error("no fresh offers")
	}
	if lost.Find("input[name=day][value='3'][checked]").Length() != 1 || lost.Find("input[name=part][value=morning][checked]").Length() != 1 {
		t.Errorf("the wishes were lost: %s", lost.at)
	}
	if got := ben.send(lost, "article.offer form", nil, "keep=0"); !strings.HasPrefix(got.at, "/bookings/") {
		t.Errorf("the second try: %s", got.text())
	}
	if n := len(r.booked()); n != 4 {
		t.Errorf("%d appointments, want 4", n)
	}
}

// anotherCase makes another patient with a case like the first and its plan.
func (r *deskRig) anotherCase() string {
	r.t.Helper()
	r.mustAt(monday, "patient", "add", "INVENTED-0047", "--weight", "70")
	id := r.id(r.mustAt(monday, "case", "open", "--patient", "INVENTED-0047", "--tooth", "36", "--protocol", "primary-treatment", "--diagnosis", "necrotic-lesion"), "Case")
	r.mustAt(monday, "assess", id, "--diagnosis", "necrotic-lesion", "--radiograph-count", "3")
	r.mustAt(monday, "propose", id)
	r.mustAt(monday, "accept", id, "--option", "two-visits", "--consent", "written")
	return id
}

func TestAKeptBookingShowsItsTimeLeftAndIsConfirmedLetGoOrRunsOut(t *testing.T) {
	r, id := openFurnished(t)
	v := r.signIn("reception")
	keep := func() *deskPage {
		t.Helper()
		got := v.send(v.mustGet("/cases/"+id+"/book"), "article.offer form", nil, "keep=15")
		if !strings.HasPrefix(got.at, "/bookings/") || !got.has("Kept for INVENTED-0046") {
			t.Fatalf("at %s: %s", got.at, got.text())
		}
		return got
	}
	p := keep()
	if !p.has("Kept for 15 min more") {
		t.Errorf("the time left: %s", p.text())
	}
	if now := v.mustGet("/"); !now.has("Only kept, until") || now.Find(`a[href="`+p.at+`"]`).Length() != 1 {
		t.Errorf("the opening page: %s", now.text())
	}
	r.clock.move(5 * time.Minute)
	if p = v.mustGet(p.at); !p.has("Kept for 10 min more") {
		t.Errorf("five minutes later: %s", p.text())
	}
	let := v.send(p, "form[action$=let-go]", nil, "")
	if let.status != http.StatusOK || len(r.booked()) != 0 {
		t.Errorf("let go: %d are still booked, at %s", len(r.booked()), let.at)
	}
	if story := v.mustGet("/cases/" + id); !story.has("kept for a while, then let go") || story.has("cancelled") {
		t.Errorf("the case tells it as a cancellation: %s", story.text())
	}
	// A place that is kept for somebody without a case is let go in the same words.
	patient := v.mustGet("/cases/"+id).Find(`a[href^="/patients/"]`).First().AttrOr("href", "")
	kept := v.send(v.mustGet(patient+"/book?what=consultation&minutes=30"), "article.offer form", nil, "keep=15")
	if let = v.send(kept, "form[action$=let-go]", nil, ""); !strings.HasPrefix(let.at, patient+"/book?") || !let.has("The places were let go.") {
		t.Errorf("a consultation that was let go leads to %s: %s", let.at, let.text())
	}
	p = keep()
	r.clock.move(16 * time.Minute)
	v = r.signIn("reception") // the desk has locked meanwhile
	late := v.post(p.at+"/confirm", url.Values{})
	if late.status != http.StatusUnprocessableEntity || !late.has("The time has run out") {
		t.Errorf("confirmed too late: status %d, %s", late.status, late.text())
	}
	p = keep()
	if done := v.send(p, "form[action$=confirm]", nil, ""); !done.has("Booked for INVENTED-0046") || len(r.booked()) != 2 {
		t.Errorf("confirmed: %s", done.text())
	}
	consultation := "/cases/" + id + "/book?what=consultation&minutes=30"
	if today := v.mustGet(consultation); today.Find("article.offer").First().Find("button[value=night]").Length() != 0 {
		t.Errorf("a place that begins today is kept overnight: %s", today.text())
	}
	overnight := v.send(v.mustGet(consultation+"&from=2027-03-03"), "article.offer form", nil, "keep=night")
	if !overnight.has("Kept for") || !overnight.has("Until Tue 2 Mar 12:00") {
		t.Errorf("kept overnight: %s", overnight.text())
	}
}

func TestTheFirstVisitIsChosenAndTheSecondLooksForWhatIsLeft(t *testing.T) {
	r, id := openFurnished(t)
	v := r.signIn("reception")
	p := v.mustGet("/cases/" + id + "/book")
	link := p.Find("article.offer").First().Find("a[href*='first=']").AttrOr("href", "")
	if link == "" {
		t.Fatalf("no way to choose the first visit: %s", p.text())
	}
	p = v.mustGet(link)
	if !p.has("Visit 1 is set for Mon 1 Mar") || p.Find("article.offer").Length() < 3 {
		t.Fatalf("what is left: %s", p.text())
	}
	seconds := map[string]bool{}
	p.Find("article.offer").Each(func(_ int, o *goquery.Selection) {
		places := o.Find(".when")
		if places.First().Text() != "Mon 1 Mar 08:00" {
			t.Errorf("another first visit: %s", o.Text())
		}
		seconds[places.Last().Text()] = true
	})
	if len(seconds) < 3 {
		t.Errorf("second visits %v, want several", seconds)
	}
	if done := v.send(p, "article.offer form", nil, "keep=0"); !strings.HasPrefix(done.at, "/bookings/") || len(r.booked()) != 2 {
		t.Errorf("booked %d at %s: %s", len(r.booked()), done.at, done.text())
	}
}

func TestWhereNothingFitsThePageSaysWhatStandsInTheWayAndOffersTheWayOutInOneTap(t *testing.T) {
	r, id := openFurnished(t)
	v := r.signIn("reception")
	p := v.mustGet("/cases/" + id + "/book?day=7&until=2027-03-20")
	if p.Find("article.offer").Length() == 0 || !p.has("Nothing is free that fits") || !p.has("This is what stands in the way") {
		t.Fatalf("nothing on Sundays: %s", p.text())
	}
	done := v.send(p, ".binding article.offer form", nil, "keep=0")
	if !strings.HasPrefix(done.at, "/bookings/") {
		t.Errorf("the way out: status %d, %s", done.status, done.text())
	}
}

func TestWishesThatCannotBeReadAreSaidBesideTheirFieldsAndKept(t *testing.T) {
	r, id := openFurnished(t)
	v := r.signIn("reception")
	hostile := `"><script>alert(1)</script>`
	for query, want := range map[string]struct{ field, message string }{
		"from=" + url.QueryEscape(hostile):        {"from", "Enter a day"},
		"from=2027-05-02&until=2027-05-01":        {"until", "not before the other"},
		"until=1999-01-01":                        {"until", ""},
		"day=9":                                   {"day", "days of the week"},
		"part=midnight":                           {"part", "morning"},
		"start=11:00&end=09:00":                   {"end", "later than the first"},
		"start=11:03":                             {"start", "steps of five minutes"},
		"what=consultation&minutes=100000":        {"minutes", "5 to 480"},
		"not=31.12.2027":                          {"not", "Enter a day"},
		"clinician=nobody":                        {"clinician", ""},
		"from=" + strings.Repeat("9", 20_000):     {"from", "Enter a day"},
		"from=2029-01-01":                         {"from", "within a year"},
		"what=" + url.QueryEscape("no-such-kind"): {"what", ""},
	} {
		p := v.get("/cases/" + id + "/book?" + query)
		if p.status != http.StatusUnprocessableEntity && p.status != http.StatusNotFound {
			t.Errorf("%.60s: status %d\n%s", query, p.status, p.text())
			continue
		}
		if p.status == http.StatusUnprocessableEntity && want.message != "" && !strings.Contains(p.Find("#f-"+want.field+"-wrong").Text(), want.message) && !strings.Contains(p.Find(".say-wrong").Text(), want.message) {
			t.Errorf("%.60s: no %q beside %s\n%s", query, want.message, want.field, p.text())
		}
		if p.Find("script:not([src])").Length() > 0 {
			t.Errorf("%.60s: script got into the page", query)
		}
		if typed := url.Values.Get(must(url.ParseQuery(query)), want.field); p.status == http.StatusUnprocessableEntity && len(typed) < 100 && p.Find("[name="+want.field+"]").Length() == 1 && p.Find("input[name="+want.field+"]").Length() == 1 {
			if got := p.Find("input[name="+want.field+"]").AttrOr("value", ""); got != typed {
				t.Errorf("%.60s: %s became %q", query, want.field, got)
			}
		}
	}
	for _, first := range []string{"%%%", "AAAA", strings.Repeat("A", 9000)} {
		if p := v.get("/cases/" + id + "/book?first=" + url.QueryEscape(first)); p.status != http.StatusBadRequest && p.status != http.StatusUnprocessableEntity {
			t.Errorf("first=%.20s: status %d", first, p.status)
		}
	}
	for _, fields := range []url.Values{{}, {"token": {"nonsense"}}, {"place": {"AAAA"}}, {"token": {strings.Repeat("x", 20_000)}}, {"keep": {"-1"}, "token": {"x"}}, {"keep": {"999999"}, "token": {"x"}}} {
		if p := v.post("/cases/"+id+"/book", fields); p.status != http.StatusUnprocessableEntity && p.status != http.StatusBadRequest {
			t.Errorf("%v: status %d", fields, p.status)
		}
	}
	if n := len(r.booked()); n != 0 {
		t.Errorf("%d appointments were stored", n)
	}
	for _, path := range []string{"/cases/nothing-here/book", "/patients/nothing-here/book", "/bookings/nothing-here", "/appointments/nothing-here", "/cases/nothing-here/place", "/day/2027-13-40", "/day/nonsense", "/week/nonsense"} {
		if p := v.get(path); p.status != http.StatusNotFound {
			t.Errorf("%s: status %d", path, p.status)
		}
	}
}

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

// By hand: what speaks against a place is said before anything is booked, and
// outside the window only a clinician books, with the reason.
func TestAPlaceByHandIsCheckedFirstAndOnlyAClinicianBooksOutsideTheWindow(t *testing.T) {
	r, id := openFurnished(t)
	reception, clinician := r.signIn("reception"), r.signIn("clinician")
	place := "/cases/" + id + "/place"
	p := reception.mustGet(place + "?visit=1&date=2027-03-06&at=09:00")
	if !p.has("not there") || len(r.booked()) != 0 {
		t.Errorf("a Saturday: %s", p.text())
	}
	p = reception.mustGet(place + "?visit=1&date=2027-03-02&at=09:00")
	if !p.has("Nothing speaks against it") {
		t.Fatalf("a free Tuesday: %s", p.text())
	}
	if done := reception.send(p, ".panel form", nil, "keep=0"); !strings.HasPrefix(done.at, "/bookings/") {
		t.Fatalf("booked by hand: %s", done.text())
	}
	soon := place + "?visit=2&date=2027-03-04&at=09:00"
	p = reception.mustGet(soon)
	if !p.has("Only a clinician decides this: ask one") || p.Find(".panel form").Length() != 0 {
		t.Errorf("two days later, for reception: %s", p.text())
	}
	forced := url.Values{"visit": {"2"}, "date": {"2027-03-04"}, "at": {"09:00"}, "minutes": {"60"}, "override": {"yes"}, "reason": {"I say so"}, "keep": {"0"}}
	if got := reception.post(place, forced); got.status != http.StatusUnprocessableEntity && got.status != http.StatusForbidden {
		t.Errorf("reception overrides: status %d at %s", got.status, got.at)
	}
	p = clinician.mustGet(soon)
	if bare := clinician.send(p, ".panel form", url.Values{"reason": {" "}}, "keep=0"); bare.status != http.StatusUnprocessableEntity || !bare.has("Enter the reason") {
		t.Errorf("without a reason: status %d, %s", bare.status, bare.text())
	}
	done := clinician.send(p, ".panel form", url.Values{"reason": {"vital tooth, stopped for time <b>alone</b>"}}, "keep=0")
	if !strings.HasPrefix(done.at, "/bookings/") {
		t.Fatalf("the clinician's decision: %s", done.text())
	}
	one := clinician.mustGet(done.Find("ol.bookedlist a").First().AttrOr("href", ""))
	if !one.has("vital tooth, stopped for time <b>alone</b>") {
		t.Errorf("the reason is not shown: %s", one.text())
	}
	for _, bad := range []string{"?visit=77&date=2027-03-02&at=09:00", "?visit=1&date=2027-03-02&at=25:00", "?visit=1&date=x&at=09:00", "?visit=1&date=2027-03-02&at=09:00&minutes=7", "?visit=1&date=2027-03-02&at=09:00&clinician=nobody", "?visit=1&date=2027-03-02&at=09:00&room=%3Cscript%3E"} {
		if got := reception.get(place + bad); got.status != http.StatusUnprocessableEntity && got.status != http.StatusNotFound && got.status != http.StatusBadRequest {
			t.Errorf("%s: status %d", bad, got.status)
		}
	}
	if n := len(r.booked()); n != 2 {
		t.Errorf("%d appointments, want 2", n)
	}
}
