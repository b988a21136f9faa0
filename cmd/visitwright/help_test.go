package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/visitwright/visitwright/clients/cli"
)

func inside(args ...string) answer {
	var out, err bytes.Buffer
	code := run(context.Background(), args, world{out: &out, err: &err, now: time.Now})
	return answer{out.String(), err.String(), code}
}

// Every command and what it takes; the golden file is the whole of it.
var everyCommand = []string{
	"", "demo", "plan", "patient", "patient add", "patient show", "patient list", "patient change",
	"case", "case open", "case show", "case list", "case change", "assess", "propose", "accept", "assessments", "revisions", "compare", "sheet", "together", "stop", "chair", "chair begin", "chair show", "chair step", "chair event", "chair canal", "chair check", "chair inject", "chair end", "chair replan", "chair stop", "speed list", "speed report",
	"offers", "book", "place", "booking show", "booking confirm", "appointment show", "appointment move", "appointment cancel", "appointment note",
	"diary", "diary day", "diary week", "diary conflicts", "diary watch", "diary settings show", "diary settings change", "diary export", "take-in", "emergency",
	"short-notice", "short-notice add", "short-notice list", "short-notice remove", "short-notice match",
	"resource", "resource add", "resource list", "resource change", "hours show", "hours list", "hours set",
	"closure", "closure add", "closure list", "closure remove", "closure holidays", "due", "due list", "due put-off", "due done", "due offers", "care", "care open", "care filled", "care restored", "care review", "care call", "care report",
	"message", "message list", "message wishes", "message policy", "message template", "message claim", "message letter", "message sent", "message fail", "outcomes", "jobs",
	"settings", "settings show", "settings change", "clinician", "clinician add", "clinician list", "clinician change",
	"person", "person add", "person list", "person change", "person passphrase",
	"catalogue", "figures", "audit", "audit list", "audit verify", "serve", "token", "token create", "token list", "token revoke", "version",
}

func TestEveryCommandSaysWhatItDoes(t *testing.T) {
	var all strings.Builder
	for _, command := range everyCommand {
		a := inside(append(strings.Fields(command), "--help")...)
		if a.code != exitDone || a.err != "" {
			t.Fatalf("%q --help: exit %d, %s", command, a.code, a.err)
		}
		text := a.out
		if command != "" {
			// What is the same for every command stands once, at the top.
			text, _, _ = strings.Cut(text, "\nWhere\n")
		}
		for line := range strings.SplitSeq(text, "\n") {
			if utf8.RuneCountInString(line) > cli.Width {
				t.Errorf("%q --help is wider than %d columns: %s", command, cli.Width, line)
			}
		}
		all.WriteString("==== visitwright " + command + " --help\n" + text + "\n")
	}
	golden(t, "help", all.String())
}

func TestAMistakeInTheCommandLineIsExitCodeTwo(t *testing.T) {
	for _, args := range []string{
		"paln", "plan --toth 46", "plan", "plan --tooth 46 --file x.json", "plan --tooth 99", "plan --tooth 55", "plan --file nothing-there.json",
		"plan --tooth 46 --radiograph-count three", "plan --tooth 46 --answer crown-form", "case open", "accept", "compare c1 0 1", "serve --log-level loud",
		"token create dentist", "settings change", "stop c1", "plan --tooth 46 -o yaml", "accept c1 --option one-visit --guardian",
	} {
		h := newHome(t)
		t.Setenv("VISITWRIGHT_DATA", h.dir)
		a := inside(strings.Fields(args)...)
		if a.code != exitUsage || a.err == "" {
			t.Errorf("visitwright %s: exit %d, want 2: %s", args, a.code, a.err)
		}
	}
}

// The words of the trade only; these belong to the workings.
func TestNoScreenUsesTheWordsOfTheWorkings(t *testing.T) {
	kept, err := filepath.Glob("testdata/*.golden")
	if err != nil || len(kept) < 40 {
		t.Fatalf("%d golden files, %v", len(kept), err)
	}
	for _, name := range kept {
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if found := regexp.MustCompile(`(?i)\b(theta|posterior|shared factor|chain)\b`).FindString(string(text)); found != "" {
			t.Errorf("%s says %q", name, found)
		}
	}
}
