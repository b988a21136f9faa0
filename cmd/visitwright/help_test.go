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

// named finds the commands that a help page lists.
func named(help string) []string {
	_, list, _ := strings.Cut(help, "\nCommands:\n")
	list, _, _ = strings.Cut(list, "\n\n")
	var commands []string
	for line := range strings.SplitSeq(list, "\n") {
		if name, _, _ := strings.Cut(strings.TrimPrefix(line, "  "), "  "); name != "" { // else the sentence of the one above goes on
			commands = append(commands, name)
		}
	}
	return commands
}

// Every command that a help page names, and what it takes; the golden file is the
// whole of it.
func TestEveryCommandSaysWhatItDoes(t *testing.T) {
	var all strings.Builder
	commands := []string{""}
	for i := 0; i < len(commands); i++ {
		command := commands[i]
		a := inside(append(strings.Fields(command), "--help")...)
		if a.code != exitDone || a.err != "" {
			t.Fatalf("%q --help: exit %d, %s", command, a.code, a.err)
		}
		commands = append(commands, named(a.out)...)
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
	if len(commands) < 120 {
		t.Errorf("only %d commands were found: %v", len(commands), commands)
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
