package main

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"
)

// calendarEvent is an event as ical.js reads it.
type calendarEvent struct {
	UID      string `json:"uid"`
	Sequence int    `json:"sequence"`
	Status   string `json:"status"`
	Start    string `json:"start"`
	Summary  string `json:"summary"`
	Location string `json:"location"`
}

// calendarReader installs the independent parser, ical.js at the version of the
// lock file beside the pure package's tests, and reads calendars with it.
func calendarReader(t *testing.T) func(text []byte) []calendarEvent {
	t.Helper()
	dir := t.TempDir()
	for _, name := range []string{"package.json", "package-lock.json", "read.mjs"} {
		b, err := os.ReadFile(filepath.Join("..", "..", "scheduler", "ical", "testdata", "reader", name))
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
	return func(text []byte) []calendarEvent {
		t.Helper()
		cmd := exec.CommandContext(t.Context(), "node", filepath.Join(dir, "read.mjs"))
		cmd.Stdin = bytes.NewReader(text)
		out, err := cmd.Output()
		if err != nil {
			t.Fatalf("ical.js cannot read it: %v\n%s", err, text)
		}
		var got struct {
			Events []calendarEvent `json:"events"`
		}
		if err := json.Unmarshal(out, &got); err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		return got.Events
	}
}

// fetched is one answer over HTTP.
type fetched struct {
	code   int
	header http.Header
	body   []byte
}

func fetch(t *testing.T, c *http.Client, method, url, etag string) fetched {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), method, url, nil)
	if err != nil {
		t.Fatal(err)
	}
	if etag != "" {
		r.Header.Set("If-None-Match", etag)
	}
	reply, err := c.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer reply.Body.Close()
	body, err := io.ReadAll(reply.Body)
	if err != nil {
		t.Fatal(err)
	}
	return fetched{reply.StatusCode, reply.Header, body}
}

// workday is a coming weekday on which the furnished practice works all day.
func workday() time.Time {
	day := time.Now().UTC().AddDate(0, 0, 3)
	for day.Weekday() != time.Wednesday {
		day = day.AddDate(0, 0, 1)
	}
	return day
}

func TestACalendarProgramFollowsARoomOverHTTPUntilItsAddressIsEnded(t *testing.T) {
	read := calendarReader(t)
	h := newHome(t)
	h.furnish()
	h.mustAt(monday, "patient", "add", "INVENTED-7", "--label", "Greta Planted", "--phone", "0555-987654")
	s := h.serve("--feed", "127.0.0.1:0")
	served := []string{"--server", s.address}
	must := func(args ...string) string { t.Helper(); return h.must(append(args, served...)...) }
	day := workday().Format(time.DateOnly)
	page := must("arrange", "INVENTED-7", "--at", day+" 10:00", "--minutes", "30")
	appointment := h.id(page, "Appointment")
	room := regexp.MustCompile(`(?m)^(\S{26})\s+room`).FindStringSubmatch(must("resource", "list"))[1]

	made := must("diary", "feed", "add", "resources/"+room, "--label", "tablet", "--at", s.feeds)
	url := regexp.MustCompile(`http://\S+`).FindString(made)
	secret := regexp.MustCompile(`\.([A-Za-z0-9_-]{43})\.ics$`).FindStringSubmatch(url)[1]
	feed := h.id(made, "Feed")
	if list := must("diary", "feed", "list"); !strings.Contains(list, feed) || !strings.Contains(list, "tablet") || strings.Contains(list, secret) {
		t.Errorf("the list of feeds:\n%s", list)
	}

	plain := &http.Client{Timeout: 20 * time.Second}
	get := func(etag string) fetched { t.Helper(); return fetch(t, plain, http.MethodGet, url, etag) }
	first := get("")
	if first.code != http.StatusOK || first.header.Get("Content-Type") != "text/calendar; charset=utf-8" || first.header.Get("ETag") == "" ||
		!strings.HasPrefix(first.header.Get("Cache-Control"), "private") || first.header.Get("Referrer-Policy") != "no-referrer" {
		t.Fatalf("%d %v\n%s", first.code, first.header, first.body)
	}
	for _, planted := range []string{"Greta", "Planted", "0555", "necrotic", "consultation", "46"} {
		if bytes.Contains(first.body, []byte(planted)) {
			t.Errorf("%q stands in the feed:\n%s", planted, first.body)
		}
	}
	events := read(first.body)
	if len(events) != 1 || events[0].Status != "CONFIRMED" || events[0].Summary != "Appointment INVENTED-7" || events[0].Location != "Room 1" {
		t.Fatalf("%+v", events)
	}
	if again := get(first.header.Get("ETag")); again.code != http.StatusNotModified || len(again.body) != 0 {
		t.Errorf("asked again: %d, %d bytes", again.code, len(again.body))
	}
	if again := get(`W/"other", W/` + first.header.Get("ETag")); again.code != http.StatusNotModified {
		t.Errorf("asked again with a list: %d", again.code)
	}
	if head := fetch(t, plain, http.MethodHead, url, ""); head.code != http.StatusOK || len(head.body) != 0 || head.header.Get("ETag") != first.header.Get("ETag") {
		t.Errorf("HEAD: %d %v", head.code, head.header)
	}

	must("appointment", "move", appointment, "--to", day+" 14:00")
	moved := get(first.header.Get("ETag"))
	if moved.code != http.StatusOK {
		t.Fatalf("after the move: %d", moved.code)
	}
	after := read(moved.body)
	if len(after) != 1 || after[0].UID != events[0].UID || after[0].Sequence <= events[0].Sequence || after[0].Start == events[0].Start || after[0].Status != "CONFIRMED" {
		t.Errorf("moved: %+v, before %+v", after, events)
	}
	must("appointment", "cancel", appointment)
	gone := read(get(moved.header.Get("ETag")).body)
	if len(gone) != 1 || gone[0].UID != events[0].UID || gone[0].Sequence <= after[0].Sequence || gone[0].Status != "CANCELLED" {
		t.Errorf("cancelled: %+v", gone)
	}

	var answer string
	for name, address := range map[string]string{
		"another secret":   strings.Replace(url, secret, strings.Repeat("A", len(secret)), 1),
		"a cut secret":     strings.Replace(url, secret, secret[:42], 1),
		"another practice": strings.Replace(url, "my-practice", "elm-street", 1),
		"another feed":     strings.Replace(url, feed, strings.Repeat("0", 26), 1),
		"an access token":  s.feeds + "/calendars/vw1.my-practice." + secret + ".ics",
		"nothing":          s.feeds + "/calendars/.ics",
		"a long one":       s.feeds + "/calendars/" + strings.Repeat("x", 4000),
	} {
		got := fetch(t, plain, http.MethodGet, address, "")
		if answer == "" {
			answer = string(got.body)
		}
		if got.code != http.StatusNotFound || string(got.body) != answer || got.header.Get("ETag") != "" {
			t.Errorf("%s: %d %s", name, got.code, got.body)
		}
	}
	if post := fetch(t, plain, http.MethodPost, url, ""); post.code != http.StatusMethodNotAllowed {
		t.Errorf("POST: %d", post.code)
	}
	// The secret is in the answer to the maker alone.
	kept, err := filepath.Glob(filepath.Join(h.dir, "visitwright.db*"))
	if err != nil || len(kept) == 0 {
		t.Fatal(kept, err)
	}
	for _, file := range kept {
		if b, err := os.ReadFile(file); err != nil || bytes.Contains(b, []byte(secret)) {
			t.Errorf("%s holds the secret (%v)", file, err)
		}
	}
	if trail := must("audit", "list", "--most", "1000"); !strings.Contains(trail, "calendarFeeds/"+feed) || strings.Contains(trail, secret) {
		t.Errorf("the audit trail:\n%s", trail)
	}

	must("diary", "feed", "remove", feed)
	if ended := get(""); ended.code != http.StatusNotFound || string(ended.body) != answer {
		t.Errorf("after it was ended: %d %s", ended.code, ended.body)
	}
	if err := s.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if code := s.ended(t); code != exitDone {
		t.Errorf("exit %d", code)
	}
	if strings.Contains(s.log.String(), secret) {
		t.Error("the log holds the secret")
	}
}

func TestTheDeskServesFeedsBesideItsPages(t *testing.T) {
	h := newHome(t)
	h.furnish()
	s := h.serve("--desk", "127.0.0.1:0")
	clinician := regexp.MustCompile(`[0-9a-z]{26}`).FindString(h.must("clinician", "list"))
	path := regexp.MustCompile(`/calendars/\S+`).FindString(h.must("diary", "feed", "add", "clinicians/"+clinician))
	c := &http.Client{Timeout: 20 * time.Second, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	if got := fetch(t, c, http.MethodGet, s.pages+path, ""); got.code != http.StatusOK || got.header.Get("ETag") == "" || got.header.Get("Set-Cookie") != "" {
		t.Errorf("%d %v %s", got.code, got.header, got.body)
	}
	if got := fetch(t, c, http.MethodGet, s.pages+path+"x", ""); got.code != http.StatusNotFound || got.header.Get("ETag") != "" {
		t.Errorf("another address: %d", got.code)
	}
	if got := fetch(t, c, http.MethodGet, s.pages+"/", ""); got.code == http.StatusOK || strings.Contains(string(got.body), "VCALENDAR") {
		t.Errorf("a page without signing in: %d", got.code)
	}
}

func TestAFeedOutsideThisMachineNeedsTLSAndIsServedWithIt(t *testing.T) {
	h := newHome(t)
	if a := h.program("serve", "--feed", "0.0.0.0:0"); a.code != exitRefused || !strings.Contains(a.err, "--tls-cert") {
		t.Errorf("exit %d: %s", a.code, a.err)
	}
	h.furnish()
	cert, key := certificate(t)
	s := h.serve("--feed", "127.0.0.1:0", "--tls-cert", cert, "--tls-key", key, "--client-ca", cert)
	clinician := regexp.MustCompile(`[0-9a-z]{26}`).FindString(h.must("clinician", "list"))
	url := s.feeds + regexp.MustCompile(`/calendars/\S+`).FindString(h.must("diary", "feed", "add", "clinicians/"+clinician))
	pem, err := os.ReadFile(cert)
	if err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AppendCertsFromPEM(pem)
	// A calendar program has no certificate of its own.
	c := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{MinVersion: tls.VersionTLS13, RootCAs: pool}, ForceAttemptHTTP2: true}, Timeout: 20 * time.Second}
	if got := fetch(t, c, http.MethodGet, url, ""); got.code != http.StatusOK || !strings.HasPrefix(string(got.body), "BEGIN:VCALENDAR") {
		t.Errorf("%d %s", got.code, got.body)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, "http"+strings.TrimPrefix(url, "https"), nil)
	if err != nil {
		t.Fatal(err)
	}
	if reply, err := http.DefaultClient.Do(r); err == nil {
		if reply.StatusCode == http.StatusOK {
			t.Error("the feed is served in the clear too")
		}
		_ = reply.Body.Close()
	}
}
