package main

import (
	"os"
	"strings"
	"testing"
)

// What the README shows must be what the program prints: each line in its
// order, "..." for what is left out.
func TestTheReadmeShowsWhatTheDemoPrints(t *testing.T) {
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, after, found := strings.Cut(string(readme), "<!-- from the demo")
	if !found {
		t.Fatal("the README has no mark for the demo")
	}
	block := strings.Split(after, "```")[1]
	printed, err := os.ReadFile("testdata/demo.golden")
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(string(printed), "\n")
	at, shown := 0, 0
	for line := range strings.SplitSeq(block, "\n") {
		if line == "" || line == "..." {
			continue
		}
		shown++
		for at < len(lines) && lines[at] != line {
			at++
		}
		if at == len(lines) {
			t.Fatalf("the demo does not print this line there: %q\nthe README is not up to date with testdata/demo.golden", line)
		}
		at++
	}
	if shown < 40 {
		t.Errorf("the README shows %d lines of the demo, want the main parts", shown)
	}
}
