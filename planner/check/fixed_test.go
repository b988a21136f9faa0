package check

import (
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"

	"github.com/visitwright/visitwright/planner/check/obtain"
)

var update = flag.Bool("update", false, "write the table of fixed thresholds in docs/mathematics.md anew")

const (
	mathematics = "../../docs/mathematics.md"
	fixedBegins = "<!-- fixed thresholds: a test compares these lines with what the planner says -->\n"
	fixedEnds   = "<!-- end of fixed thresholds -->\n"
)

// A table that asks for other minutes at other states costs no more than the
// best rule that asks for the same minutes everywhere; the page on the
// mathematics shows both side by side.
func TestATableCostsNoMoreThanTheBestFixedThresholdBesideIt(t *testing.T) {
	var page strings.Builder
	page.WriteString("| treatment | filled from visit | cost with the table | with the best fixed threshold | it goes on | dearer by |\n| --- | --- | --- | --- | --- | --- |\n")
	for _, c := range []struct {
		what, protocol, diagnosis, tooth string
		canals                           int
	}{
		{"lower first molar, necrotic with a lesion, 3 canals", "primary-treatment", "necrotic-lesion", "46", 3},
		{"the same with 4 canals", "primary-treatment", "necrotic-lesion", "46", 4},
		{"upper first molar, inflamed, 4 canals", "primary-treatment", "irreversible-pulpitis", "16", 4},
		{"lower first premolar, necrotic, 1 canal", "primary-treatment", "necrotic", "34", 1},
		{"upper first molar treated again, 3 canals", "retreatment", "previously-treated-lesion", "26", 3},
	} {
		for from := 1; from <= 2; from++ {
			b, err := obtain.BesideFixed(c.protocol, c.diagnosis, c.tooth, c.canals, from)
			if err != nil {
				t.Fatalf("%s, filled from visit %d: %v", c.what, from, err)
			}
			if b.Table > b.Fixed+1e-5 { // costs are compared in millionths; ten of them are noise
				t.Errorf("%s, filled from visit %d: the table costs %.6f, going on whenever %d minutes are left %.6f", c.what, from, b.Table, b.LeastLeft, b.Fixed)
			}
			goesOn := "always"
			if b.LeastLeft > 0 {
				goesOn = fmt.Sprintf("%d min left", b.LeastLeft)
			}
			fmt.Fprintf(&page, "| %s | %d | %.1f | %.1f | %s | %.1f %% |\n", c.what, from, b.Table, b.Fixed, goesOn, 100*(b.Fixed/b.Table-1))
		}
	}
	document, err := os.ReadFile(mathematics)
	if err != nil {
		t.Fatal(err)
	}
	before, rest, begins := strings.Cut(string(document), fixedBegins)
	shown, after, ends := strings.Cut(rest, fixedEnds)
	if !begins || !ends {
		t.Fatalf("%s has no place for the table", mathematics)
	}
	want := "\n" + page.String() + "\n"
	if *update {
		if err := os.WriteFile(mathematics, []byte(before+fixedBegins+want+fixedEnds+after), 0o600); err != nil {
			t.Fatal(err)
		}
	} else if shown != want {
		t.Errorf("%s shows\n%s\nthe planner says\n%s\nlook at the change, then run go test ./planner/check -run FixedThreshold -update", mathematics, shown, want)
	}
}
