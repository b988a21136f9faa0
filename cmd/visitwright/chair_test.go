package main

import (
	"strings"
	"testing"
	"time"
)

// The demo's case in the chair: a mesial canal blocked in its apical third, and
// a further distal canal found at minute 50 that joins the first short of the
// apex. The golden files are what the chair is told at each moment.
func TestTheDemoCaseIsPlayedThroughInTheChair(t *testing.T) {
	h := newHome(t)
	id := h.furnish()
	at := func(minute int, name string, args ...string) string {
		t.Helper()
		out := h.mustAt(monday.Add(time.Duration(minute)*time.Minute), append([]string{"chair"}, args...)...)
		if name != "" {
			golden(t, name, out)
		}
		return out
	}
	at(0, "chair-begin", "begin", id, "--confirmed", "--minutes", "90")
	at(2, "chair-inject", "inject", id, "lidocaine", "2", "2")
	at(22, "chair-opened", "stage", id, "open")
	at(40, "", "canal", id, "D", "--zero", "20.5", "--reference", "D cusp", "--patent", "--file", "35", "--taper", "0.04")
	at(45, "chair-blocked", "event", id, "blocked-canal", "--canal", "MB", "--third", "apical")
	at(50, "chair-further-canal", "event", id, "further-canal", "--canal", "DL")
	at(55, "chair-joins", "event", id, "canals-join", "--canal", "DL", "--joins", "D", "--third", "apical")
	at(56, "chair-check", "check", id, "--numb", "--quiet", "--no-dry")
	at(57, "chair-undo", "undo", id)
	ended := at(80, "chair-end", "end", id, "--dressing", "calcium-hydroxide", "--temporary", "double-seal", "--seal", "4", "--forced", "no time left")
	at(81, "chair-replan", "replan", id)
	at(82, "chair-list", "list", id)
	if !strings.Contains(ended, "Return window") {
		t.Errorf("a tooth that was dressed has no return window:\n%s", ended)
	}
	golden(t, "speed", h.mustAt(monday.Add(24*time.Hour), "speed"))
	golden(t, "speed-report", h.mustAt(monday.Add(24*time.Hour), "speed", "report", "2027-03-01", "2027-03-31"))
}

func TestAVisitBeginsOnlyOnceIdentityAndAlertsAreConfirmed(t *testing.T) {
	h := newHome(t)
	id := h.furnish()
	a := h.at(monday, "chair", "begin", id)
	if a.code != exitRefused || !strings.Contains(a.err, "IDENTITY_NOT_CONFIRMED") {
		t.Errorf("exit %d: %s", a.code, a.err)
	}
	if out := h.mustAt(monday, "chair", "list", id); !strings.Contains(out, "No visits.") {
		t.Errorf("a visit was begun:\n%s", out)
	}
}

func TestMarksThatCannotBeAreRefusedAndNotKept(t *testing.T) {
	h := newHome(t)
	id := h.furnish()
	h.mustAt(monday, "chair", "begin", id, "--confirmed", "--minutes", "90")
	now := monday.Add(30 * time.Minute)
	before := h.mustAt(now, "chair", "show", id)
	for _, args := range []string{
		"chair step ID access --minute=-5", "chair step ID no-such-step", "chair event ID no-such-event", "chair stage ID no-such-stage",
		"chair inject ID lidocaine 2 40", "chair event ID ledge --canal XX",
	} {
		if a := h.at(now, strings.Fields(strings.ReplaceAll(args, "ID", id))...); a.code != exitRefused || a.out != "" {
			t.Errorf("visitwright %s: exit %d: %s%s", args, a.code, a.out, a.err)
		}
	}
	if after := h.mustAt(now, "chair", "show", id); after != before {
		t.Errorf("something was kept:\n%s", difference(before, after))
	}
	if a := h.at(now, "chair", "check", id); a.code != exitUsage {
		t.Errorf("a check without an answer: exit %d", a.code)
	}
}
