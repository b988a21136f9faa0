package main

import (
	"os"
	"strings"
	"testing"
	"time"
)

func TestWhatFallsDueAfterTheFillingIsListedDoneAndReviewed(t *testing.T) {
	h := newHome(t)
	id := h.furnish()
	on := func(day string, name string, args ...string) string {
		t.Helper()
		now, err := time.Parse(time.DateOnly, day)
		if err != nil {
			t.Fatal(err)
		}
		out := h.mustAt(now.Add(9*time.Hour), args...)
		if name != "" {
			golden(t, name, out)
		}
		return out
	}
	on("2027-03-01", "care-filled", "care", "filled", id, "--core", "--coverage", "--index", "4")
	on("2027-03-20", "due", "due")
	on("2027-04-02", "care-restored", "care", "restored", id, "--by-referrer")
	on("2027-05-03", "care-call-questions", "care", "call", id, "crown-off")
	on("2027-05-03", "care-call", "care", "call", id, "crown-off", "--no-flags")
	on("2027-09-01", "due-review", "due", "next-14-days")
	on("2027-09-01", "due-offers", "due", "offers", id, "--most", "2")
	on("2027-09-03", "care-review", "care", "review", id, "--index", "3", "--because", "six months after the filling of a tooth with a lesion")
	on("2027-09-03", "due-case", "due", "--case", id)
	on("2027-09-03", "care-events", "care", "events", id)
	on("2027-09-03", "care-report", "care", "report", id, "review")
	letter := t.TempDir() + "/letter.html"
	on("2027-09-03", "", "care", "report", id, "review", "--print", letter)
	if page, err := os.ReadFile(letter); err != nil || !strings.Contains(string(page), "Report after review") {
		t.Errorf("the letter for print: %v", err)
	}
	on("2027-09-03", "care-report-consultation", "care", "report", id, "consultation")
	on("2027-09-03", "outcomes", "outcomes")
	on("2027-09-03", "message-policy", "message", "policy", "--on", "--lead", "2@10:00", "--quiet", "20:00-08:00")
	on("2027-09-03", "message-wishes", "message", "wishes", "INVENTED-0046", "--channel", "none", "--language", "de")
	on("2027-09-03", "message-list", "message", "list")
	wording := writeFile(t, "See you on [day] at [time].\n\n[practice]\n")
	on("2027-09-03", "message-template", "message", "template", "upcoming", "--subject", "Until [day]", "--file", wording, "--language", "de", "--keep")
	if out := on("2027-09-03", "", "message", "template", "upcoming", "--language", "de"); !strings.Contains(out, "See you on Monday 1 June at 09:00.") {
		t.Errorf("the wording in force is\n%s", out)
	}
	on("2027-09-03", "message-policy-own", "message", "policy", "--invite", "28", "--again", "7", "--at", "09:30")
	on("2027-09-03", "message-template-dropped", "message", "template", "upcoming", "--language", "de", "--drop")
	if out := on("2027-09-03", "", "message", "policy"); !strings.Contains(out, "none: the neutral ones that ship") {
		t.Errorf("after dropping it:\n%s", out)
	}
	unknown := h.at(monday, "message", "template", "upcoming", "--subject", "s", "--file", writeFile(t, "[tooth]"), "--keep")
	if unknown.code != exitRefused || !strings.Contains(unknown.err, "template.body") {
		t.Errorf("a wording with an unknown field: exit %d, %s", unknown.code, unknown.err)
	}
	refused := h.at(monday.AddDate(0, 7, 0), "care", "review", id, "--index", "6", "--because", "x")
	if refused.code != exitRefused || !strings.Contains(refused.err, "index_now") {
		t.Errorf("an index of 6: exit %d, %s", refused.code, refused.err)
	}
}

func TestAServingProcessRunsTheJobsAndStopsWithThem(t *testing.T) {
	h := newHome(t)
	s := h.serve()
	deadline := time.Now().Add(30 * time.Second)
	for {
		out := h.must("jobs", "--server", s.address)
		if strings.Contains(out, "follow ups") && strings.Contains(out, "provisional") && strings.Contains(out, "replans") && strings.Contains(out, "messages") && strings.Contains(out, "retention") {
			break
		}
		if time.Now().After(deadline) {
			t.Fatalf("after 30 s the jobs are\n%s\n%s", out, s.log)
		}
	}
	if err := s.cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if code := s.ended(t); code != exitDone {
		t.Errorf("exit %d\n%s", code, s.log)
	}
}

func TestMessagesThatCouldNotBeSentSafelyKeepTheServiceFromStarting(t *testing.T) {
	secret := writeFile(t, "whsec_"+strings.Repeat("QUFB", 8)+"\n")
	for _, args := range []string{
		"serve --smtp-host relay.example --smtp-from nobody", "serve --smtp-host relay.example --smtp-from a@b.example --smtp-plain",
		"serve --webhook-url http://gateway.example/x --webhook-secret-file SECRET", "serve --webhook-url https://10.0.0.1/x --webhook-secret-file SECRET",
		"serve --webhook-url https://gateway.example/x",
	} {
		h := newHome(t)
		a := h.program(strings.Fields(strings.ReplaceAll(args, "SECRET", secret))...)
		if a.code != exitUsage || a.err == "" {
			t.Errorf("visitwright %s: exit %d: %s", args, a.code, a.err)
		}
	}
}
