package main

import (
	"strings"
	"testing"
	"time"
)

// Treatment is stopped for a tooth that cannot be restored, and nobody has
// decided yet what becomes of it: the case stays open and on the list, what was
// booked is cancelled, and the patient is not called back to go on.
func TestATreatmentThatWasStoppedWaitsForADecisionAndForNoReturnVisit(t *testing.T) {
	h := newHome(t)
	id := h.furnish()
	h.mustAt(monday, "offers", id, "--visit", "1", "--visit", "2", "--not-before", "2027-03-03")
	h.mustAt(monday, "book", "1")
	at := func(minute int, args ...string) string {
		t.Helper()
		return h.mustAt(monday.Add(time.Duration(minute)*time.Minute), args...)
	}
	at(0, "chair", "begin", id, "--confirmed", "--minutes", "60")
	at(20, "chair", "stage", id, "open")
	page := at(30, "chair", "stop", id, "not-restorable", "--dressing", "calcium-hydroxide", "--temporary", "double-seal")
	golden(t, "chair-stop", page)
	for _, want := range []string{"2 appointments", "The case stays open", "left as            partly treated infected"} {
		if !strings.Contains(page, want) {
			t.Errorf("stopping does not say %q:\n%s", want, page)
		}
	}
	list := h.mustAt(monday.AddDate(0, 0, 3), "due", "--case", id)
	if strings.Contains(list, "return visit") || !strings.Contains(list, "decision") || !strings.Contains(list, "not restorable") {
		t.Errorf("three days later the list says\n%s", list)
	}
	golden(t, "due-stopped", list)
	if late := h.mustAt(monday.AddDate(0, 0, 40), "due"); !strings.Contains(late, "decision") || strings.Contains(late, "return visit") {
		t.Errorf("after what was placed has run out:\n%s", late)
	}
	h.mustAt(monday.AddDate(0, 0, 41), "stop", id, "--reason", "extracted")
	if done := h.mustAt(monday.AddDate(0, 0, 41), "due"); strings.Contains(done, "decision") {
		t.Errorf("after the case was closed:\n%s", done)
	}
}
