package main

import (
	"cmp"
	"log/slog"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/PuerkitoBio/goquery"
	"github.com/visitwright/visitwright/clients/desk"
	client "github.com/visitwright/visitwright/clients/go"
	"github.com/visitwright/visitwright/cmd/visitwright/server"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// deskPassphrase is that of every person of the rig.
const deskPassphrase = "five invented words here"

// testClock is a clock that stands still until it is moved.
type testClock struct {
	mu  sync.Mutex
	now time.Time
}

func (c *testClock) read() time.Time      { c.mu.Lock(); defer c.mu.Unlock(); return c.now }
func (c *testClock) move(d time.Duration) { c.mu.Lock(); defer c.mu.Unlock(); c.now = c.now.Add(d) }

// deskRig is a practice with its desk: the real service on the embedded store,
// real HTTP, people of each role. Commands of its home work on the same data.
type deskRig struct {
	*home
	url      string
	practice string // practices/{practice}
	clock    *testClock
	log      *strings.Builder
	// passphrase is that of everybody; names are the sign-in names by role,
	// where a person is not named like the role.
	passphrase string
	names      map[string]string
	house      *house
	dial       func(token string) *client.Client
	// down breaks every connection to the desk; drop breaks those that are open.
	down atomic.Bool
	drop func()
}

// openDeskRig opens the practice of a data folder at an hour; nil makes a new
// one.
func openDeskRig(t testing.TB, h *home, now time.Time) *deskRig {
	t.Helper()
	if h == nil {
		h = newHome(t)
	}
	r := &deskRig{passphrase: deskPassphrase, home: h, clock: &testClock{now: now}, log: &strings.Builder{}}
	log := slog.New(slog.NewTextHandler(r.log, nil))
	var err error
	r.house, err = openHouse(t.Context(), houseOptions{where: &where{Data: h.dir}, now: r.clock.read, log: log, server: server.Options{Listen: "127.0.0.1:0"}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = r.house.close() })
	r.practice = "practices/" + r.house.credentials.Practice
	r.dial = func(token string) *client.Client {
		c, err := client.Connect("", client.Options{Token: token, Dial: r.house.server.Inside()})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = c.Close() })
		return c
	}
	d, err := desk.New(desk.Options{Client: r.dial(""), Practice: r.house.credentials.Practice, Now: r.clock.read, Log: log})
	if err != nil {
		t.Fatal(err)
	}
	web := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
		if r.down.Load() {
			panic(http.ErrAbortHandler) // the connection breaks without an answer
		}
		d.ServeHTTP(w, q)
	}))
	t.Cleanup(func() { d.Close(); web.Close() })
	r.drop = web.CloseClientConnections
	r.url = web.URL
	manager := r.as(store.RoleManager)
	for _, role := range []vw.Role{vw.Role_ROLE_RECEPTION, vw.Role_ROLE_NURSE, vw.Role_ROLE_CLINICIAN, vw.Role_ROLE_MANAGER} {
		word := strings.ToLower(strings.TrimPrefix(role.String(), "ROLE_"))
		if _, err := manager.Identity.CreatePerson(t.Context(), &vw.CreatePersonRequest{Parent: r.practice, Passphrase: deskPassphrase,
			Person: &vw.Person{SignInName: word, DisplayName: "Invented " + word, Role: role}}); err != nil {
			t.Fatal(err)
		}
	}
	return r
}

// as is a gRPC client with the token of a role.
func (r *deskRig) as(role store.Role) *client.Client {
	r.t.Helper()
	token, known := r.house.credentials.Token(role)
	if !known {
		r.t.Fatalf("no token of role %s", role)
	}
	return r.dial(token)
}

// deskVisitor is a browser without script, signed in.
type deskVisitor struct {
	t    testing.TB
	url  string
	http *http.Client
}

// signIn signs in by the page, as a person of a role: reception, nurse,
// clinician or manager.
func (r *deskRig) signIn(name string) *deskVisitor {
	r.t.Helper()
	v := r.stranger()
	if p := v.post("/sign-in", url.Values{"name": {cmp.Or(r.names[name], name)}, "passphrase": {r.passphrase}}); p.status != http.StatusOK || strings.HasPrefix(p.at, "/sign-in") {
		r.t.Fatalf("signing in as %s: status %d at %s\n%s", name, p.status, p.at, p.text())
	}
	return v
}

// stranger is a browser that is not signed in.
func (r *deskRig) stranger() *deskVisitor {
	jar, err := cookiejar.New(nil)
	if err != nil {
		r.t.Fatal(err)
	}
	return &deskVisitor{t: r.t, url: r.url, http: &http.Client{Jar: jar}}
}

// deskPage is a page as it came back.
type deskPage struct {
	*goquery.Document
	status int
	at     string // path and query after redirects
	header http.Header
}

// text is what stands on the page, runs of space made one.
func (p *deskPage) text() string { return strings.Join(strings.Fields(p.Find("body").Text()), " ") }

// has reports whether a text stands on the page.
func (p *deskPage) has(text string) bool { return strings.Contains(p.text(), text) }

func (v *deskVisitor) get(path string) *deskPage {
	v.t.Helper()
	request, err := http.NewRequestWithContext(v.t.Context(), http.MethodGet, v.url+path, nil)
	if err != nil {
		v.t.Fatal(err)
	}
	return v.do(request)
}

// mustGet fails the test unless the page is there.
func (v *deskVisitor) mustGet(path string) *deskPage {
	v.t.Helper()
	p := v.get(path)
	if p.status != http.StatusOK || (strings.HasPrefix(p.at, "/sign-in") && !strings.HasPrefix(path, "/sign-in")) {
		v.t.Fatalf("GET %s: status %d at %s\n%s", path, p.status, p.at, p.text())
	}
	return p
}

func (v *deskVisitor) post(path string, fields url.Values) *deskPage {
	v.t.Helper()
	request, err := http.NewRequestWithContext(v.t.Context(), http.MethodPost, v.url+path, strings.NewReader(fields.Encode()))
	if err != nil {
		v.t.Fatal(err)
	}
	request.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	request.Header.Set("Origin", v.url)
	return v.do(request)
}

func (v *deskVisitor) do(request *http.Request) *deskPage {
	v.t.Helper()
	answer, err := v.http.Do(request)
	if err != nil {
		v.t.Fatal(err)
	}
	defer answer.Body.Close()
	document, err := goquery.NewDocumentFromReader(answer.Body)
	if err != nil {
		v.t.Fatal(err)
	}
	return &deskPage{Document: document, status: answer.StatusCode, at: answer.Request.URL.RequestURI(), header: answer.Header}
}

// send fills in a form of a page, as a browser without script would, and
// submits it: what the form holds already is sent along. The form is the one
// that the selector finds; button names the value of the button pressed, as
// name=value, or is empty.
func (v *deskVisitor) send(p *deskPage, selector string, fields url.Values, button string) *deskPage {
	v.t.Helper()
	f := p.Find(selector).First()
	if goquery.NodeName(f) != "form" {
		v.t.Fatalf("no form %q on %s\n%s", selector, p.at, p.text())
	}
	values := url.Values{}
	f.Find("input[name], select[name], textarea[name]").Each(func(_ int, field *goquery.Selection) {
		name, kind := field.AttrOr("name", ""), field.AttrOr("type", "text")
		switch goquery.NodeName(field) {
		case "select":
			chosen := field.Find("option[selected]").First()
			if chosen.Length() == 0 {
				chosen = field.Find("option").First()
			}
			values.Add(name, chosen.AttrOr("value", chosen.Text()))
		case "textarea":
			values.Add(name, field.Text())
		default:
			if _, checked := field.Attr("checked"); (kind == "checkbox" || kind == "radio") && !checked {
				return
			}
			if kind != "submit" {
				values.Add(name, field.AttrOr("value", ""))
			}
		}
	})
	for name, given := range fields {
		values[name] = given
	}
	if name, value, pressed := strings.Cut(button, "="); pressed {
		values.Set(name, value)
	}
	action := f.AttrOr("action", p.at)
	base, _ := url.Parse(p.at)
	target, err := base.Parse(action)
	if err != nil {
		v.t.Fatal(err)
	}
	if strings.EqualFold(f.AttrOr("method", "get"), "get") {
		target.RawQuery = values.Encode()
		return v.get(target.RequestURI())
	}
	return v.post(target.RequestURI(), values)
}

// bookBoth books the two visits of the demo's case at the first places that are
// free, and moves the clock to the beginning of the first.
func (r *deskRig) bookBoth(caseID string) *vw.Booking {
	r.t.Helper()
	c := r.as(store.RoleReception)
	held, err := c.Planner.GetCase(r.t.Context(), &vw.GetCaseRequest{Name: r.practice + "/cases/" + caseID})
	if err != nil {
		r.t.Fatal(err)
	}
	part := func(n int32) *vw.VisitToPlace {
		return &vw.VisitToPlace{Parts: []*vw.VisitPart{{Plan: held.GetLatestPlan(), Option: "two-visits", Visit: n}}}
	}
	offers, err := c.Diary.FindOffers(r.t.Context(), &vw.FindOffersRequest{Parent: r.practice, Patient: held.GetPatient(), Visits: []*vw.VisitToPlace{part(1), part(2)}})
	if err != nil || len(offers.GetOffers()) == 0 {
		r.t.Fatalf("no offers: %v %v", offers.GetBinding(), err)
	}
	booking, err := c.Diary.BookOffer(r.t.Context(), &vw.BookOfferRequest{Parent: r.practice, Patient: held.GetPatient(), OfferToken: offers.GetOffers()[0].GetToken()})
	if err != nil {
		r.t.Fatal(err)
	}
	r.clock.move(booking.GetAppointments()[0].GetPlace().GetStart().GetInstantTime().AsTime().Sub(r.clock.read()))
	return booking
}
