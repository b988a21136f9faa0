package main

import (
	"strings"
	"testing"
)

// A patient without a plan is booked for a consultation, another in need from
// the day's next places once the instruction was read out, and one who comes late
// hears what is left.
func TestAVisitWithoutAPlanIsArrangedAndALatePatientHearsWhatIsLeft(t *testing.T) {
	h := newHome(t)
	id := h.furnish()
	page := h.mustAt(monday, "arrange", "INVENTED-0046", "--at", "2027-03-01 10:00", "--minutes", "30", "--as", "reception")
	golden(t, "arrange", page)
	first := h.id(page, "Appointment")
	golden(t, "appointment-late", h.mustAt(monday, "appointment", "note", first, "arrived", "--late", "10"))
	flagged := h.mustAt(monday, "emergency", "--yes", "swallowing", "--no-flags")
	if !strings.Contains(flagged, "Urgent care first") || strings.Contains(flagged, "Next places") {
		t.Errorf("a raised flag shows\n%s", flagged)
	}
	golden(t, "emergency-read", h.mustAt(monday, "emergency", "--yes", "swallowing", "--no-flags", "--read"))
	golden(t, "emergency-book", h.mustAt(monday, "emergency", "--no-flags", "--trouble", "filling", "--words", "it fell out at lunch", "--for", "INVENTED-0046", "--book", "2"))
	if page := h.mustAt(monday, "diary", "day", "2027-03-01"); !strings.Contains(page, "urgent call, lost or broken filling or crown") || strings.Contains(page, "lunch") {
		t.Errorf("the day shows\n%s", page)
	}
	golden(t, "offers-other-days", h.mustAt(monday, "offers", id, "--most", "3", "--other-days"))
	for _, args := range [][]string{
		{"arrange", "INVENTED-0046", "--at", "2027-03-06 10:00", "--minutes", "30"}, // a Saturday
		{"arrange", "INVENTED-0046", "--at", "2027-03-01 10:00", "--minutes", "31"}, // off the grid
		{"arrange", "INVENTED-0046", "--at", "2027-03-28 02:30", "--minutes", "30"}, // the clock skips it
		{"emergency", "--no-flags", "--for", "INVENTED-0046", "--book", "9"},        // no such place
		{"emergency", "--no-flags", "--trouble", "tea"},
		{"emergency", "--no-flags", "--words", strings.Repeat("o", 201)},
		{"emergency", "--no-flags", "--book", "1"},                                                       // for whom?
		{"arrange", "nobody", "--at", "2027-03-01 10:00", "--minutes", "30"},                             // no such patient
		{"arrange", "INVENTED-0046", "--at", "2027-03-01 14:00", "--minutes", "30", "--protocol", "tea"}, // no such protocol
	} {
		if a := h.at(monday, args...); a.code == exitDone || a.err == "" {
			t.Errorf("visitwright %s succeeded:\n%s", strings.Join(args, " "), a.out)
		}
	}
}
