package main

import (
	"regexp"
	"strings"
	"testing"
	"time"
)

// bad is a command that cannot be meant, and why it is refused: the reason of
// the contract, or "usage" for what the command line itself refuses.
type bad struct{ args, reason string }

func (h *home) refuses(now time.Time, with *strings.Replacer, list []bad) {
	h.t.Helper()
	for _, c := range list {
		a := h.at(now, strings.Fields(with.Replace(c.args))...)
		code := exitRefused
		if c.reason == "usage" {
			code = exitUsage
		}
		if a.code != code || !strings.Contains(a.err, c.reason) || a.out != "" {
			h.t.Errorf("visitwright %s: exit %d, want a refusal with %s:\n%s%s", c.args, a.code, c.reason, a.out, a.err)
		}
	}
}

func TestWhatTheDiaryIsAskedWronglyIsRefusedOnTheCommandLine(t *testing.T) {
	h := newHome(t)
	id := h.furnish()
	h.mustAt(monday, "closure", "add", "2027-03-10")
	room := h.id(h.mustAt(monday, "resource", "list"), `held[-\s]+`)
	kept := func() string {
		return h.mustAt(monday, "closure", "list") + h.mustAt(monday, "resource", "list") + h.mustAt(monday, "diary", "feed", "list") + h.mustAt(monday, "diary", "week", "2027-03-01")
	}
	before := kept()
	h.refuses(monday, strings.NewReplacer("ID", id, "ROOM", room), []bad{
		// Lengths, starts and ends.
		{"place ID --at 2027-03-02T09:00 --minutes 61 --book", "LENGTH_OFF_GRID"},
		{"place ID --at 2027-03-02T09:00 --minutes 3 --book", "LENGTH_OFF_GRID"},
		{"place ID --at 2027-03-02T09:00 --minutes 2000 --book", "INVALID_FIELD"},
		{"place ID --at 2020-03-02T09:00 --book", "INVALID_FIELD"},
		{"place ID --at 2037-03-02T09:00 --book", "RANGE_TOO_LONG"},
		{"place ID --at 2027-13-40T09:00", "usage"},
		{"offers ID --not-before 2027-04-01 --not-after 2027-03-15", "END_BEFORE_START"},
		{"arrange INVENTED-0046 --at 2027-03-10T09:00 --minutes 30", "CLOSED"},
		{"arrange INVENTED-0046 --at 2027-03-02T12:30 --minutes 30", "OUTSIDE_HOURS"},
		// Ten years.
		{"closure add 2027-01-01 2037-01-01", "RANGE_TOO_LONG"},
		{"offers ID --not-after 2037-01-01", "RANGE_TOO_LONG"},
		{"diary export resources/ROOM --from 2027-01-01 --to 2037-01-01", "RANGE_TOO_LONG"},
		{"diary conflicts --days 5000", "usage"},
		// What is not there.
		{"appointment move 01hzzzzzzzzzzzzzzzzzzzzzzz --to 2027-03-02T09:00", "APPOINTMENT_NOT_FOUND"},
		{"appointment cancel 01hzzzzzzzzzzzzzzzzzzzzzzz", "APPOINTMENT_NOT_FOUND"},
		{"booking show 01hzzzzzzzzzzzzzzzzzzzzzzz", "BOOKING_NOT_FOUND"},
		{"book 1", "usage"},
		{"diary export resources/01hzzzzzzzzzzzzzzzzzzzzzzz", "RESOURCE_NOT_FOUND"},
		{"resource add room Room9 --clean-up 500", "INVALID_FIELD"},
		// Feeds.
		{"diary feed add practice", "INVALID_NAME"},
		{"diary feed add resources/01hzzzzzzzzzzzzzzzzzzzzzzz", "RESOURCE_NOT_FOUND"},
		{"diary feed add clinicians/x!", "INVALID_NAME"},
		{"diary feed add resources/ROOM --at nowhere", "usage"},
		{"diary feed add resources/ROOM --as reception", "ROLE_NOT_ALLOWED"},
		{"diary feed remove 01hzzzzzzzzzzzzzzzzzzzzzzz", "CALENDAR_FEED_NOT_FOUND"},
	})
	if after := kept(); after != before {
		t.Errorf("something was kept:\n%s", difference(before, after))
	}
}

func TestWhatTheChairIsToldWronglyIsRefusedOnTheCommandLine(t *testing.T) {
	h := newHome(t)
	id := h.furnish()
	with := strings.NewReplacer("ID", id)
	now := monday.Add(60 * time.Minute)
	h.mustAt(monday, "chair", "begin", id, "--confirmed", "--minutes", "90")
	h.mustAt(now, "chair", "stage", id, "open", "--minute", "25")
	h.mustAt(now, "chair", "step", id, "glide-path", "--canal", "MB", "--begun", "--minute", "30")
	h.mustAt(now, "chair", "canal", id, "ML", "--state", "given-up", "--minute", "42")
	before := h.mustAt(now, "chair", "show", id)
	h.refuses(now, with, []bad{
		{"chair begin ID", "IDENTITY_NOT_CONFIRMED"},
		{"chair begin ID --confirmed", "VISIT_RUNNING"},
		{"chair step ID glide-path --canal MB --minute 28 --late", "done before it begins"},
		{"chair step ID glide-path --canal D --minute 20", "times that do not run backwards"},
		{"chair step ID glide-path --canal D --minute 90", "lies in the future"},
		{"chair canal ID MB --length 60", "60 mm is the length of no tooth"},
		{"chair canal ID MB --length 0", "0 mm is the length of no tooth"},
		{"chair canal ID QQ --length 20", "is not a canal of this visit"},
		{"chair canal ID ML --state filled", "ML was given up and cannot be filled"},
		{"chair step ID fill --canal ML", "ML was given up"},
		{"chair end ID --dressing tea", "UNKNOWN_CATALOGUE_ID"},
		{"chair end ID --dressing calcium-hydroxide --temporary double-seal --seal 55", "INVALID_FIELD"},
		{"chair stop ID ledge --dressing calcium-hydroxide", "an event about the whole tooth"},
		{"chair stop ID not-restorable --reason nothing", "UNKNOWN_CATALOGUE_ID"},
		{"chair radiograph ID", "usage"},
		{"chair check ID", "usage"},
		{"chair log ID --minutes 70 --because late", "the visit has not ended"},
		{"chair show ID --visit 9", "VISIT_NOT_FOUND"},
	})
	if after := h.mustAt(now, "chair", "show", id); after != before {
		t.Errorf("something was kept:\n%s", difference(before, after))
	}
	if page := h.mustAt(now, "chair", "canal", id, "MB", "--length", "30.5", "--minute", "45"); !strings.Contains(page, "mind:") {
		t.Errorf("a length that such a tooth hardly has is no warning:\n%s", page)
	}
	h.mustAt(now, "chair", "end", id, "--dressing", "calcium-hydroxide", "--temporary", "double-seal")
	ended := h.mustAt(now, "chair", "show", id)
	h.refuses(now.Add(time.Minute), with, []bad{
		{"chair event ID ledge --canal MB --third apical", "the visit has ended"},
		{"chair step ID glide-path --canal MB", "the visit has ended"},
		{"chair end ID --dressing calcium-hydroxide", "the visit has ended"},
		{"chair undo ID", "the visit has ended"},
		{"chair stop ID not-restorable", "the visit has ended"},
		{"chair log ID --because late", "empty"},
		{"chair log ID --minutes 2000 --because late", "INVALID_FIELD"},
	})
	if after := h.mustAt(now, "chair", "show", id); after != ended {
		t.Errorf("something was kept after the end:\n%s", difference(ended, after))
	}
}

// What reception is refused is read to a patient on the telephone: it names
// what people call things, and neither ids nor fields.
func TestARefusalAtTheFrontDeskCanBeReadAloud(t *testing.T) {
	h := newHome(t)
	id := h.furnish()
	h.mustAt(monday, "closure", "add", "2027-03-10")
	h.mustAt(monday, "patient", "add", "INVENTED-7")
	h.mustAt(monday, "arrange", "INVENTED-0046", "--at", "2027-03-02 09:00", "--minutes", "30")
	machine := regexp.MustCompile(`practices/|\[\d+\]|\b[0-9a-hjkmnp-tv-z]{26}\b|_[a-z]+:|want `)
	for args, want := range map[string]string{
		"arrange INVENTED-7 --at 2027-03-10T09:00 --minutes 30":    "the practice is closed on 2027-03-10",
		"arrange INVENTED-7 --at 2027-03-01T06:00 --minutes 30":    "that time has passed: choose a later one",
		"arrange INVENTED-7 --at 2027-03-02T09:10 --minutes 30":    "is no longer free at that time, somebody else was faster: nothing was booked; choose another time",
		"arrange INVENTED-0046 --at 2027-03-02T09:10 --minutes 30": "nothing was booked",
		"arrange INVENTED-7 --at 2027-03-02T12:30 --minutes 30":    "is not there for",
		"arrange INVENTED-7 --at 2037-03-02T09:00 --minutes 30":    "the diary is kept from",
	} {
		a := h.at(monday, strings.Fields(args)...)
		first, _, _ := strings.Cut(a.err, "\nreason:")
		if a.code != exitRefused || !strings.Contains(first, want) || machine.MatchString(first) {
			t.Errorf("visitwright %s: exit %d, %q; want %q", args, a.code, first, want)
		}
	}
	gone := h.at(monday, "appointment", "cancel", "01hzzzzzzzzzzzzzzzzzzzzzzz")
	if !strings.Contains(gone.err, "there is no appointment 01hzzzzzzzzzzzzzzzzzzzzzzz in this practice") {
		t.Errorf("an appointment that is not there: %s", gone.err)
	}
	h.mustAt(monday, "stop", id, "--reason", "declined")
	if closed := h.at(monday, "offers", id); !strings.Contains(closed.err, "the case is closed: nothing is booked for it any more") {
		t.Errorf("a closed case: %s", closed.err)
	}
}
