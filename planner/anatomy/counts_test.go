package anatomy

import (
	"bytes"
	"encoding/csv"
	"errors"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/visitwright/visitwright/planner/provenance"
	"github.com/visitwright/visitwright/planner/tooth"
)

func checkRows(t *testing.T, name string) [][]string {
	t.Helper()
	text, err := os.ReadFile("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	r := csv.NewReader(bytes.NewReader(text))
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows[1:]
}

func num(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func near(a, b, tolerance float64) bool { return math.Abs(a-b) <= tolerance }

func TestEachFigureHasAProvenanceAndAssumedOnesGiveAReason(t *testing.T) {
	tables := shipped()
	marks := map[string]provenance.Mark{}
	for _, r := range tables.counts {
		marks["counts "+string(r.Kind)+" "+string(r.Count)+" "+r.Mark.Source] = r.Mark
	}
	for _, r := range tables.types {
		marks["types "+string(r.kind)+" "+r.root] = r.mark
	}
	for _, r := range tables.shapes {
		marks["shape "+string(r.Kind)+" "+string(r.Shape)] = r.Mark
	}
	for i, r := range tables.canals {
		marks["names "+strconv.Itoa(i)] = r.mark
	}
	for k, r := range tables.routine {
		marks["routine "+string(k)] = r.mark
	}
	for k, r := range tables.lengths {
		marks["length "+string(k)] = r.Mark
	}
	for k, r := range tables.lengthRules {
		marks["length rule "+k] = r.mark
	}
	for _, s := range tables.signs {
		marks["sensitivity "+string(s.sign)+" "+string(s.kinds[0])] = s.sensMark
		marks["specificity "+string(s.sign)+" "+string(s.kinds[0])] = s.specMark
	}
	for k, r := range tables.signRules {
		marks["sign rule "+k] = r.mark
	}
	if len(marks) < 150 {
		t.Fatalf("only %d figures were looked at", len(marks))
	}
	for name, m := range marks {
		if err := m.Validate(); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if m.Kind == provenance.Invented {
			t.Errorf("%s is invented, which is for the demo only", name)
		}
		for _, path := range []string{"facts", "[SEEN", "[MEMORY"} {
			if strings.Contains(m.Source, path) {
				t.Errorf("%s names %q instead of a publication", name, m.Source)
			}
		}
	}
}

func TestAFileWithoutAMarkIsRefused(t *testing.T) {
	r := &record{file: "counts.csv", cell: map[string]string{"mark": "", "source": "somewhere"}}
	if r.mark("mark", "source"); r.err == nil {
		t.Error("a row without a standing was taken")
	}
	r = &record{file: "counts.csv", cell: map[string]string{"mark": "assumed", "source": ""}}
	if r.mark("mark", "source"); r.err == nil {
		t.Error("an assumption without its reason was taken")
	}
}

func TestPublishedRowsAreKeptAsTheirSourcesGiveThem(t *testing.T) {
	for _, want := range checkRows(t, "published-counts.csv") {
		found := false
		for _, row := range Published(tooth.Kind(want[1]), CanalsToTreat) {
			if !strings.Contains(row.Mark.Source, want[0]) {
				continue
			}
			found = true
			if row.Mark.Kind != provenance.Published {
				t.Errorf("%s of %s was read, yet is marked %s", want[1], want[0], row.Mark.Kind)
			}
			for n := 1; n <= Most; n++ {
				if !near(row.P[n]*100, num(t, want[1+n]), 1e-9) {
					t.Errorf("%s, %d canals after %s: %.2f %%, want %s", want[1], n, want[0], row.P[n]*100, want[1+n])
				}
			}
		}
		if !found {
			t.Errorf("no row of %s for the %s", want[0], want[1])
		}
	}
}

func TestEachPublishedRowSumsToOneHundredWithinItsRounding(t *testing.T) {
	for _, row := range shipped().counts {
		sum := 0.0
		for _, p := range row.P {
			sum += p
		}
		tolerance := 1e-9
		if !row.Planned {
			tolerance = 0.0285 // Weine 1988 leaves 2.7 per cent C-shaped teeth out
		}
		if !near(sum, 1, tolerance) {
			t.Errorf("%s %s (%s) sums to %.4f", row.Kind, row.Count, row.Mark.Source, sum)
		}
	}
}

func TestThePlanningRowsAreTheSynthesisAndLieInThePublishedRanges(t *testing.T) {
	rows := checkRows(t, "planning-ranges.csv")
	if len(rows) != 16 {
		t.Fatalf("%d rows, want one for each kind", len(rows))
	}
	for _, want := range rows {
		kind := tooth.Kind(want[0])
		p, err := Prior(kind)
		if err != nil {
			t.Fatal(err)
		}
		if p.Mark.Kind != provenance.Assumed {
			t.Errorf("%s: the planning row is our synthesis, yet marked %s", kind, p.Mark.Kind)
		}
		if p.Count != CanalsToTreat {
			t.Errorf("%s plans by %s, want canals to treat", kind, p.Count)
		}
		got := []float64{p.P[1], p.P[2], p.P[3], p.AtLeast(4)}
		for i, share := range got {
			if !near(share*100, num(t, want[1+i]), 1e-9) {
				t.Errorf("%s, %d canals: %.2f %%, want %s", kind, i+1, share*100, want[1+i])
			}
		}
		if p.RangeFrom != int(num(t, want[7])) || !near(p.Low*100, num(t, want[5]), 1e-9) || !near(p.High*100, num(t, want[6]), 1e-9) {
			t.Errorf("%s: range of %d or more %.3f to %.3f, want %s or more %s to %s %%", kind, p.RangeFrom, p.Low, p.High, want[7], want[5], want[6])
		}
		further := p.AtLeast(p.RangeFrom) * 100
		if low, high := num(t, want[5]), num(t, want[6]); further < low-1e-9 || further > high+1e-9 {
			t.Errorf("%s: a further canal in %.1f %%, outside the published %g to %g", kind, further, low, high)
		}
	}
}

func TestOneStudyGivesThreeDifferentCounts(t *testing.T) {
	for _, want := range checkRows(t, "three-counts.csv") {
		for i, count := range []Count{CanalsToTreat, Orifices, Foramina} {
			var got []float64
			for _, row := range shipped().types {
				if string(row.kind) == want[0] && row.root == want[1] {
					got = row.distribution(count)
				}
			}
			for n, cell := range strings.Fields(want[2+i]) {
				if got == nil || !near(got[n+1]*100, num(t, cell), 1e-9) {
					t.Errorf("%s, %s root, %d %s: %v, want %s %%", want[0], want[1], n+1, count.Words(), got, cell)
				}
			}
		}
	}
	// the published apex rows that were read agree with the mapping
	for _, kind := range []tooth.Kind{tooth.MandibularFirstPremolar, tooth.MandibularSecondPremolar} {
		row, _ := FromTypes(kind, Foramina)
		for n := 1; n <= 3; n++ {
			if read := Published(kind, Foramina)[0]; !near(row.P[n], read.P[n], 1e-9) {
				t.Errorf("%s, %d foramina: %.3f by mapping, %.3f read", kind, n, row.P[n], read.P[n])
			}
		}
	}
}

func TestEachCanalCourseRowAddsUpToAllRoots(t *testing.T) {
	teeth := 0
	for _, row := range shipped().types {
		sum := 0.0
		for _, s := range row.share {
			sum += s
		}
		if !near(sum, 1, 1e-9) {
			t.Errorf("%s %s sums to %.3f", row.kind, row.root, sum)
		}
		if row.root != "single" && row.root != "distal" {
			teeth += row.teeth
		}
	}
	// Vertucci 1984 examined 2,400 teeth; the two upper and two lower molars are counted once each
	if teeth != 2400 {
		t.Errorf("the rows stand for %d teeth, the study had 2,400", teeth)
	}
}

func TestRootsCombinedAgreeWithTeethCountedWhole(t *testing.T) {
	first, _ := FromTypes(tooth.MandibularFirstMolar, CanalsToTreat)
	for n, want := range map[int]float64{2: 8.4, 3: 64.5, 4: 26.8, 5: 0.3} { // worked by hand from 12/87/1 and 70/30
		if !near(first.P[n]*100, want, 0.05) {
			t.Errorf("lower first molar, %d canals: %.2f %%, want %.1f", n, first.P[n]*100, want)
		}
	}
	for n, want := range map[int]float64{2: 6.7, 3: 64.4, 4: 28.9} { // Skidmore and Bjorndal 1971, teeth counted whole
		if !near(first.P[n]*100, want, 2.2) {
			t.Errorf("lower first molar, %d canals: %.2f %% by roots, Skidmore and Bjorndal counted %.1f", n, first.P[n]*100, want)
		}
	}
	second, _ := FromTypes(tooth.MandibularSecondMolar, CanalsToTreat)
	for n, want := range map[int]float64{2: 24.8, 3: 69.3, 4: 5.8} { // worked by hand from 27/73 and 92/8
		if !near(second.P[n]*100, want, 0.05) {
			t.Errorf("lower second molar, %d canals: %.2f %%, want %.1f", n, second.P[n]*100, want)
		}
	}
	upper, _ := FromTypes(tooth.MaxillaryFirstMolar, CanalsToTreat)
	if !near(upper.P[4]*100, 55, 1e-9) || upper.Mark.Kind != provenance.Memory {
		t.Errorf("upper first molar: %.1f %% with four canals, marked %s; want 55, from memory", upper.P[4]*100, upper.Mark.Kind)
	}
	if _, ok := FromTypes(tooth.MaxillaryThirdMolar, CanalsToTreat); ok {
		t.Error("the study has no third molars")
	}
}

func TestEveryKindHasNamesForEveryCountItMayHave(t *testing.T) {
	for _, kind := range tooth.Kinds() {
		shapes := []Shape{Usual}
		for _, s := range Shapes(kind) {
			shapes = append(shapes, s.Shape)
		}
		for _, shape := range shapes {
			p, err := PriorOf(kind, shape)
			if err != nil {
				t.Fatal(err)
			}
			for n := 1; n <= p.MostOf(); n++ {
				names, err := Names(kind, n, shape)
				if err != nil || len(names) != n {
					t.Errorf("%s, %s, %d canals: %v, %v", kind, shape, n, names, err)
				}
				for expected := 1; expected <= n; expected++ {
					seq, err := Sequence(kind, shape, expected, n)
					if err != nil || len(seq) != n || repeated(seq) {
						t.Errorf("%s, %s, %d expected of %d: %v, %v", kind, shape, expected, n, seq, err)
					}
				}
			}
			if _, err := Names(kind, p.MostOf()+1, shape); !errors.Is(err, ErrImpossible) {
				t.Errorf("%s, %s: %d canals are named: %v", kind, shape, p.MostOf()+1, err)
			}
			if r := Routine(kind, shape); r < 1 || r > p.MostOf() {
				t.Errorf("%s, %s: %d routine canals", kind, shape, r)
			}
		}
	}
}

func repeated(names []string) bool {
	seen := map[string]bool{}
	for _, n := range names {
		if seen[n] {
			return true
		}
		seen[n] = true
	}
	return false
}

func TestCanalsAreNamedInTheOrderOfTreatment(t *testing.T) {
	for _, c := range []struct {
		kind  tooth.Kind
		shape Shape
		n     int
		want  string
	}{
		{tooth.MandibularFirstMolar, Usual, 3, "MB ML D"},
		{tooth.MandibularFirstMolar, Usual, 4, "MB ML D DL"},
		{tooth.MandibularFirstMolar, Usual, 5, "MB ML D DL MM"},
		{tooth.MandibularFirstMolar, DistolingualRoot, 4, "MB ML DB DL"}, // the third root's canal is DL, so the distal one is DB
		{tooth.MaxillaryFirstMolar, Usual, 4, "MB DB P MB2"},
		{tooth.MandibularSecondMolar, CShaped, 1, "C"},
		{tooth.MaxillaryFirstPremolar, Usual, 2, "B P"},
		{tooth.MandibularCanine, Usual, 2, "B L"},
	} {
		names, err := Names(c.kind, c.n, c.shape)
		if err != nil || strings.Join(names, " ") != c.want {
			t.Errorf("%s, %s, %d canals: %v, %v; want %s", c.kind, c.shape, c.n, names, err, c.want)
		}
	}
	if _, err := Names(tooth.MaxillaryCanine, 1, CShaped); err == nil {
		t.Error("a C-shaped upper canine was named")
	}
}

func TestWhatIsNoKindOfToothHasNoFigures(t *testing.T) {
	if _, err := Prior("lower-wisdom"); err == nil || !strings.Contains(err.Error(), "16 kinds") {
		t.Errorf("%v", err)
	}
	if _, err := WorkingLength(""); err == nil {
		t.Error("no kind has a working length")
	}
	if Routine("", Usual) != 0 || len(Published("", CanalsToTreat)) != 0 {
		t.Error("no kind has figures")
	}
}

func TestAPriorHandedOutCannotChangeTheTables(t *testing.T) {
	p, _ := Prior(tooth.MandibularFirstMolar)
	p.P[4] = 99
	again, _ := Prior(tooth.MandibularFirstMolar)
	if again.P[4] == 99 {
		t.Error("the tables can be changed from outside")
	}
}
