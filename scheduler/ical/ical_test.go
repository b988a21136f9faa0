package ical_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/visitwright/visitwright/scheduler/ical"
)

var update = flag.Bool("update", false, "write the golden files anew")

func at(s string) time.Time {
	t, err := time.Parse(time.RFC3339, s)
	if err != nil {
		panic(err)
	}
	return t
}

func booking() ical.Event {
	return ical.Event{
		UID: "booking-7@visitwright.invalid", Stamp: at("2026-06-01T08:00:00Z"),
		Start: at("2026-06-15T09:05:00+01:00"), End: at("2026-06-15T10:35:00+01:00"),
		Status: ical.Confirmed, Summary: "46, lower right first molar: visit 1 of 2", Location: "Room 2; ground floor",
		Description: "Reference K-1042\nSet out: rubber dam, microscope, 17 % EDTA\\NaOCl", Organizer: "mailto:desk@practice.invalid",
	}
}

func feed(events ...ical.Event) ical.Calendar {
	return ical.Calendar{Product: "-//Visitwright//Diary 1//EN", Name: "Room 2", Refresh: 15 * time.Minute, Events: events}
}

func encode(t testing.TB, c ical.Calendar) string {
	t.Helper()
	b, err := c.Encode()
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestAFeedAndACancellationAreWrittenAsTheGoldenFilesSay(t *testing.T) {
	cancelled := booking()
	cancelled.Status = ical.Cancelled
	cancelled = ical.Revise(booking(), cancelled)
	tentative := booking()
	tentative.UID, tentative.Status, tentative.Summary = "booking-8@visitwright.invalid", ical.Tentative, "Überweisung, 根管治療: "+strings.Repeat("größer ", 12)
	for name, c := range map[string]ical.Calendar{
		"feed.ics":   feed(booking(), tentative),
		"cancel.ics": {Product: "-//Visitwright//Diary 1//EN", Method: ical.Cancel, Events: []ical.Event{cancelled}},
	} {
		got := encode(t, c)
		path := filepath.Join("testdata", name)
		if *update {
			if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if got != string(want) {
			t.Errorf("%s:\n%s\nwant\n%s", name, got, want)
		}
	}
}

// RFC 5545 section 3.1: CRLF, at most 75 octets, no character parted.
func TestLinesEndInCRLFAndHaveAtMostSeventyFiveOctets(t *testing.T) {
	e := booking()
	e.Description = strings.Repeat("根管", 100) + strings.Repeat("é", 101) + strings.Repeat("x", 75)
	text := encode(t, feed(e))
	if strings.Count(text, "\n") != strings.Count(text, "\r\n") || !strings.HasSuffix(text, "END:VCALENDAR\r\n") {
		t.Error("a line does not end in CRLF")
	}
	longest := 0
	for _, line := range strings.Split(text, "\r\n") {
		longest = max(longest, len(line))
		if !utf8.ValidString(line) {
			t.Errorf("%q parts a character", line)
		}
	}
	if longest > 75 || longest < 73 {
		t.Errorf("the longest line has %d octets", longest)
	}
}

// RFC 5546 section 2.1.4.
func TestTheSequenceRisesWhenTimesOrStatusChangeAndStaysWhenOnlyTextsDo(t *testing.T) {
	for name, row := range map[string]struct {
		change func(*ical.Event)
		want   int
	}{
		"moved":            {func(e *ical.Event) { e.Start, e.End = e.Start.Add(time.Hour), e.End.Add(time.Hour) }, 4},
		"longer":           {func(e *ical.Event) { e.End = e.End.Add(time.Minute) }, 4},
		"cancelled":        {func(e *ical.Event) { e.Status = ical.Cancelled }, 4},
		"another room":     {func(e *ical.Event) { e.Location = "Room 3" }, 3},
		"same in UTC":      {func(e *ical.Event) { e.Start = e.Start.UTC() }, 3},
		"another identity": {func(e *ical.Event) { e.UID, e.Sequence = "x", 0 }, 3},
	} {
		before := booking()
		before.Sequence = 3
		after := before
		row.change(&after)
		got := ical.Revise(before, after)
		if got.Sequence != row.want || got.UID != before.UID {
			t.Errorf("%s: sequence %d, want %d", name, got.Sequence, row.want)
		}
	}
}

func TestWhatCannotBeWrittenNamesTheFieldAndNotTheValue(t *testing.T) {
	for field, change := range map[string]func(*ical.Calendar){
		"product":             func(c *ical.Calendar) { c.Product = "" },
		"method":              func(c *ical.Calendar) { c.Method = "REPLY" },
		"refresh":             func(c *ical.Calendar) { c.Refresh = time.Second },
		"name":                func(c *ical.Calendar) { c.Name = "secret\x00" },
		"events[0].uid":       func(c *ical.Calendar) { c.Events[0].UID = "" },
		"events[1].uid":       func(c *ical.Calendar) { c.Events = append(c.Events, c.Events[0]) },
		"events[0].end":       func(c *ical.Calendar) { c.Events[0].End = c.Events[0].Start },
		"events[0].status":    func(c *ical.Calendar) { c.Method = ical.Cancel },
		"events[0].sequence":  func(c *ical.Calendar) { c.Events[0].Sequence = -1 },
		"events[0].stamp":     func(c *ical.Calendar) { c.Events[0].Stamp = time.Time{} },
		"events[0].summary":   func(c *ical.Calendar) { c.Events[0].Summary = "secret\x07" },
		"events[0].location":  func(c *ical.Calendar) { c.Events[0].Location = "secret\xff" },
		"events[0].organizer": func(c *ical.Calendar) { c.Method, c.Events[0].Organizer = ical.Publish, "" },
		"events":              func(c *ical.Calendar) { c.Method, c.Events = ical.Publish, nil },
	} {
		c := feed(booking())
		change(&c)
		b, err := c.Encode()
		var wrong *ical.FieldError
		if !errors.As(err, &wrong) || wrong.Field != field || b != nil || strings.Contains(err.Error(), "secret") {
			t.Errorf("%s: got %v", field, err)
		}
	}
	for _, organizer := range []string{"desk@practice.invalid", "mailto:a\r\nX:1", "mailto:a b"} {
		c := feed(booking())
		c.Events[0].Organizer = organizer
		if _, err := c.Encode(); err == nil {
			t.Errorf("%q was taken as a URI", organizer)
		}
	}
}

// read is a second, simple reader for the fuzz test: property name to value, in
// order, unfolded and unescaped.
func read(text string) [][2]string {
	var out [][2]string
	for _, line := range strings.Split(strings.ReplaceAll(text, "\r\n ", ""), "\r\n") {
		name, value, _ := strings.Cut(line, ":")
		var b strings.Builder
		for i := 0; i < len(value); i++ {
			if value[i] == '\\' && i+1 < len(value) {
				i++
				if value[i] == 'n' {
					b.WriteByte('\n')
					continue
				}
			}
			b.WriteByte(value[i])
		}
		out = append(out, [2]string{name, b.String()})
	}
	return out
}

func FuzzTextsSurviveBeingWrittenAndRead(f *testing.F) {
	f.Add("a, b; c\\n \\ \r\n d", "BEGIN:VEVENT", "x@y")
	f.Add(strings.Repeat("根", 200), "\n\n", "\\;,")
	f.Add("\x00", "\xff", "")
	f.Fuzz(func(t *testing.T, summary, description, uid string) {
		e := booking()
		e.Summary, e.Description, e.UID = summary, description, uid
		b, err := feed(e).Encode()
		if err != nil {
			return
		}
		for _, line := range bytes.Split(b, []byte("\r\n")) {
			if len(line) > 75 || !utf8.Valid(line) || bytes.ContainsAny(line, "\r\n") {
				t.Fatalf("line %q", line)
			}
		}
		want := map[string]string{"UID": uid, "SUMMARY": summary, "DESCRIPTION": description}
		seen := map[string]int{}
		for _, p := range read(string(b)) {
			seen[p[0]]++
			if w, ok := want[p[0]]; ok && p[1] != strings.ReplaceAll(w, "\r\n", "\n") {
				t.Fatalf("%s: %q, want %q", p[0], p[1], w)
			}
		}
		if seen["BEGIN"] != 2 || seen["UID"] != 1 || seen["SUMMARY"] != 1 {
			t.Fatalf("texts became properties: %v", seen)
		}
	})
}

type readBack struct {
	Method, Version, Product, Name string
	Events                         []struct {
		UID, Summary, Description, Location, Start, End, Zone, Status, Stamp, Organizer, Transp string
		Sequence                                                                                int
	}
}

// independent reads a calendar with ical.js.
func independent(t *testing.T, reader, text string) readBack {
	t.Helper()
	cmd := exec.Command("node", filepath.Join(reader, "read.mjs"))
	cmd.Stdin = strings.NewReader(text)
	var fault bytes.Buffer
	cmd.Stderr = &fault
	b, err := cmd.Output()
	if err != nil {
		t.Fatalf("ical.js cannot read it: %v\n%s\n%s", err, fault.String(), text)
	}
	var out readBack
	if err := json.Unmarshal(b, &out); err != nil {
		t.Fatal(err)
	}
	return out
}

func installReader(t *testing.T) string {
	t.Helper()
	for _, tool := range []string{"node", "npm"} {
		if _, err := exec.LookPath(tool); err != nil {
			t.Fatalf("%s is missing, and calendars cannot be read back by an independent parser: apt-get install nodejs npm", tool)
		}
	}
	dir := t.TempDir()
	for _, name := range []string{"package.json", "package-lock.json", "read.mjs"} {
		b, err := os.ReadFile(filepath.Join("testdata", "reader", name))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	cmd := exec.Command("npm", "ci", "--ignore-scripts", "--no-audit", "--no-fund", "--prefer-offline")
	cmd.Dir = dir
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("npm ci: %v\n%s", err, out)
	}
	return dir
}

func TestAnIndependentParserReadsBackWhatWasWritten(t *testing.T) {
	reader := installReader(t)
	provisional := booking()
	provisional.UID, provisional.Status, provisional.Sequence = "booking-8@visitwright.invalid", ical.Tentative, 3
	provisional.Summary = "a,b;c:d\\e \"f\"\nsecond line " + strings.Repeat("根管治療 ", 30)
	provisional.Description, provisional.Location, provisional.Organizer = "", "", ""
	// The hour that a clock change repeats: UTC tells the two apart.
	first, second := booking(), booking()
	first.UID, first.Start, first.End = "first", at("2026-10-25T01:30:00+01:00"), at("2026-10-25T01:30:00Z")
	second.UID, second.Start, second.End = "second", at("2026-10-25T01:30:00Z"), at("2026-10-25T02:00:00Z")
	c := feed(booking(), provisional, first, second)
	got := independent(t, reader, encode(t, c))
	if got.Version != "2.0" || got.Method != "" || got.Name != "Room 2" || got.Product != c.Product || len(got.Events) != 4 {
		t.Fatalf("%+v", got)
	}
	iso := func(t time.Time) string { return t.UTC().Format("2006-01-02T15:04:05.000Z") }
	for i, want := range c.Events {
		e := got.Events[i]
		if e.UID != want.UID || e.Summary != want.Summary || e.Description != want.Description || e.Location != want.Location ||
			e.Start != iso(want.Start) || e.End != iso(want.End) || e.Stamp != iso(want.Stamp) || e.Zone != "UTC" ||
			e.Status != string(want.Status) || e.Sequence != want.Sequence || e.Organizer != want.Organizer || e.Transp != "OPAQUE" {
			t.Errorf("event %d:\n got %+v\nwant %+v", i, e, want)
		}
	}
	gone := booking()
	gone.Status = ical.Cancelled
	gone = ical.Revise(booking(), gone)
	back := independent(t, reader, encode(t, ical.Calendar{Product: c.Product, Method: ical.Cancel, Events: []ical.Event{gone}}))
	if e := back.Events[0]; back.Method != "CANCEL" || e.Status != "CANCELLED" || e.Sequence != 1 || e.UID != gone.UID || e.Transp != "TRANSPARENT" {
		t.Errorf("%s", fmt.Sprintf("%+v", back))
	}
}
