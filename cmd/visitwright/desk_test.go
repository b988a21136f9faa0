package main

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"
)

// tuesday9 is when the tests of the desk begin: a working day.
var tuesday9 = time.Date(2026, 11, 24, 8, 0, 0, 0, time.UTC)

func TestWhoIsNotSignedInSeesTheSignInPageAndComesBackToWhereTheyWere(t *testing.T) {
	r := openDeskRig(t, nil, tuesday9)
	v := r.stranger()
	p := v.get("/due?view=today")
	if !strings.HasPrefix(p.at, "/sign-in?back=") || p.Find("input[name=passphrase]").Length() != 1 {
		t.Fatalf("got %s", p.at)
	}
	p = v.send(p, "form", url.Values{"name": {"Reception"}, "passphrase": {deskPassphrase}}, "")
	if p.at != "/due?view=today" {
		t.Errorf("after signing in one is at %s", p.at)
	}
}

func TestSignInSaysTheSameOfAWrongNameAndAWrongPassphraseAndKeepsTheName(t *testing.T) {
	r := openDeskRig(t, nil, tuesday9)
	v := r.stranger()
	wrongName := v.post("/sign-in", url.Values{"name": {"nobody"}, "passphrase": {deskPassphrase}})
	wrongPhrase := v.post("/sign-in", url.Values{"name": {"reception"}, "passphrase": {"another four words"}})
	for _, p := range []*deskPage{wrongName, wrongPhrase} {
		if p.status != http.StatusUnprocessableEntity || !p.has("do not go together") {
			t.Errorf("status %d: %s", p.status, p.text())
		}
		if value := p.Find("input[name=passphrase]").AttrOr("value", ""); value != "" {
			t.Error("the passphrase was sent back")
		}
	}
	if got := wrongPhrase.Find("input[name=name]").AttrOr("value", ""); got != "reception" {
		t.Errorf("the name typed became %q", got)
	}
}

func TestAWriteFromAnotherOriginIsRefused(t *testing.T) {
	r := openDeskRig(t, nil, tuesday9)
	v := r.signIn("reception")
	request, err := http.NewRequestWithContext(t.Context(), http.MethodPost, r.url+"/sign-out", nil)
	if err != nil {
		t.Fatal(err)
	}
	request.Header.Set("Origin", "https://elsewhere.example")
	request.Header.Set("Sec-Fetch-Site", "cross-site")
	if p := v.do(request); p.status != http.StatusForbidden {
		t.Errorf("status %d", p.status)
	}
	v.mustGet("/")
}

func TestEveryPageHasAStrictContentPolicyAndTheCookieIsKeptFromScript(t *testing.T) {
	r := openDeskRig(t, nil, tuesday9)
	v := r.signIn("reception")
	p := v.mustGet("/")
	policy := p.header.Get("Content-Security-Policy")
	for _, want := range []string{"default-src 'none'", "script-src 'self'", "frame-ancestors 'none'"} {
		if !strings.Contains(policy, want) {
			t.Errorf("the policy %q lacks %s", policy, want)
		}
	}
	if strings.Contains(policy, "unsafe") {
		t.Errorf("the policy is %q", policy)
	}
	request, _ := http.NewRequestWithContext(t.Context(), http.MethodPost, r.url+"/sign-in", strings.NewReader(url.Values{"name": {"nurse"}, "passphrase": {deskPassphrase}}.Encode()))
	request.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	answer, err := http.DefaultTransport.RoundTrip(request)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	if cookie := answer.Header.Get("Set-Cookie"); !strings.Contains(cookie, "HttpOnly") || !strings.Contains(cookie, "SameSite=") {
		t.Errorf("the cookie is %q", cookie[:strings.IndexByte(cookie, '=')])
	}
}

func TestAfterSigningOutTheOldCookieOpensNothing(t *testing.T) {
	r := openDeskRig(t, nil, tuesday9)
	v := r.signIn("clinician")
	at, _ := url.Parse(r.url)
	old := v.http.Jar.Cookies(at)
	v.post("/sign-out", nil)
	v.http.Jar.SetCookies(at, old)
	if p := v.get("/"); !strings.HasPrefix(p.at, "/sign-in") {
		t.Errorf("the old cookie opened %s", p.at)
	}
}

func TestAScreenThatNobodyUsesIsLockedEvenWhileItsPageRefreshesItself(t *testing.T) {
	r := openDeskRig(t, nil, tuesday9)
	v := r.signIn("reception")
	for range 20 {
		r.clock.move(time.Minute)
		request, _ := http.NewRequestWithContext(t.Context(), http.MethodGet, r.url+"/", nil)
		request.Header.Set("X-Desk-Live", "1")
		v.do(request)
	}
	if p := v.get("/"); !strings.HasPrefix(p.at, "/sign-in") || !p.has("nobody used it") {
		t.Errorf("after twenty minutes the page is %s: %s", p.at, p.text())
	}
}

func TestDaysAndWeeksAreWrittenAsThePracticeSets(t *testing.T) {
	r := openDeskRig(t, nil, tuesday9)
	manager, v := r.signIn("manager"), r.signIn("reception")
	if p := v.mustGet("/week/2026-11-24"); !strings.Contains(p.Find("thead th").Eq(1).Text(), "Mon 23 Nov") {
		t.Errorf("as shipped the week begins with %q", p.Find("thead").Text())
	}
	p := manager.send(manager.mustGet("/practice/estimates"), "main form", url.Values{"week": {"sunday"}, "order": {"month_day"}, "notation": {"universal"}}, "")
	if !p.has("The change is kept") {
		t.Fatalf("status %d: %s", p.status, p.text())
	}
	if p := v.mustGet("/week/2026-11-24"); !strings.Contains(p.Find("thead th").Eq(1).Text(), "Sun, Nov 22") {
		t.Errorf("the week begins with %q", p.Find("thead").Text())
	}
	if p := v.mustGet("/day/2026-11-24"); !p.has("Tuesday, November 24, 2026") {
		t.Errorf("the day is headed %q", p.Find("h1").Text())
	}
}

func TestAnIrrigationOfOurOwnIsWrittenOnTheDeskAStepALine(t *testing.T) {
	r := openDeskRig(t, nil, tuesday9)
	manager := r.signIn("manager")
	write := func(lines string) *deskPage {
		return manager.send(manager.mustGet("/practice/estimates"), "main form", url.Values{"irrigation": {lines}}, "")
	}
	if p := write("our-rinse=2~0.2:hypochlorite 3 %, warmed\r\n\r\nour-brush=1.5,scaled:brushed by hand\r\n"); !p.has("The change is kept") {
		t.Fatalf("status %d: %s", p.status, p.text())
	}
	want := "our-rinse=2~0.2:hypochlorite 3 %, warmed\nour-brush=1.5~0.35,scaled:brushed by hand"
	if got := manager.mustGet("/practice/estimates").Find("textarea[name=irrigation]").Text(); got != want {
		t.Errorf("the irrigation reads %q, want %q", got, want)
	}
	for lines, want := range map[string]string{"our-rinse=61:rinse": "0 to 60", "shape=2:rinse": "not the id of another step"} {
		if p := write(lines); p.status != http.StatusUnprocessableEntity || !strings.Contains(p.Find("#irrigation-wrong, .say-wrong").Text(), want) || p.Find("textarea[name=irrigation]").Text() != lines {
			t.Errorf("%q: status %d: %s", lines, p.status, p.text())
		}
	}
	if p := write(""); !p.has("The change is kept") || manager.mustGet("/practice/estimates").Find("textarea[name=irrigation]").Text() != "" {
		t.Errorf("the own irrigation was not taken back: %s", p.text())
	}
}
