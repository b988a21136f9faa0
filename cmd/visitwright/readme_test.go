package main

import (
	"os"
	"strings"
	"testing"
)

// The parts of the demo that the README shows: from the line that begins so to
// before the line that begins so.
var readmeParts = [][2]string{
	{"Plan, revision 1", "Difficulty:"},
	{"Canals: how many", "  - "},
	{"Options side by side", "For and against"},
	{"Visit 1 of ", "It ends with"},
	{"Return window", "  - later than"},
	{"If a further canal", "Mind"},
	{"Visit sheet, visit 1", "Set out"},
}

// What the README shows must be what the program prints; -update writes it
// anew from the golden file of the demo.
func TestTheReadmeShowsWhatTheDemoPrints(t *testing.T) {
	printed, err := os.ReadFile("testdata/demo.golden")
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(string(printed), "\n")
	var block strings.Builder
	at := 0
	for _, part := range readmeParts {
		for at < len(lines) && !strings.HasPrefix(lines[at], part[0]) {
			at++
		}
		if at == len(lines) {
			t.Fatalf("the demo has no line that begins with %q there", part[0])
		}
		if block.Len() > 0 {
			block.WriteString("\n...\n\n")
		}
		var shown []string
		for first := at; at < len(lines) && (at == first || !strings.HasPrefix(lines[at], part[1])); at++ {
			shown = append(shown, lines[at])
		}
		block.WriteString(strings.TrimSpace(strings.Join(shown, "\n")) + "\n")
	}
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	before, after, found := strings.Cut(string(readme), "what the program prints -->\n```\n")
	shown, rest, closed := strings.Cut(after, "```")
	if !found || !closed {
		t.Fatal("the README has no block for the demo")
	}
	if shown == block.String() {
		return
	}
	if *update {
		text := before + "what the program prints -->\n```\n" + block.String() + "```" + rest
		if err := os.WriteFile("../../README.md", []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	t.Errorf("the README shows an older demo; look at it, then `go test ./cmd/visitwright -update`\n%s", difference(shown, block.String()))
}
