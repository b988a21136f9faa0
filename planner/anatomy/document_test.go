package anatomy

import (
	"fmt"
	"strings"
	"testing"

	"github.com/visitwright/visitwright/planner/tooth"
)

// The page is written by this test from the tables, so that it cannot go stale.
func TestThePageOnCanalFiguresIsCurrent(t *testing.T) {
	var w strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&w, format+"\n", args...) }

	line(`# Canals: the figures, and how evidence moves them

This page is written by a test from the tables in planner/anatomy/data:
%[1]sgo test ./planner/anatomy -run PageOnCanalFigures -update%[1]s writes it anew, and the
ordinary test run fails when a figure has moved. All figures with their sources
stand in planner/anatomy/testdata/figures.golden.

Every figure here counts **canals to treat**: the most separate canals at any
level of the root. Orifices and foramina are other counts of the same teeth; the
last table shows how far apart the three lie in one study.

## What is expected before the tooth is opened

The planning row is our synthesis and marked as assumed everywhere. It lies
inside the published range of the share that matters most for planning. "Read" means that the row was read in the source or in a page quoting
it; "recalled" rows wait to be checked against the paper and count as no check.
`, "`")
	line("| Tooth | Planning row, %% with 1/2/3/4/5 | Found without a search | Published range, %% | Published rows, %% |")
	line("| --- | --- | --- | --- | --- |")
	for _, k := range tooth.Kinds() {
		p, err := Prior(k)
		if err != nil {
			t.Fatal(err)
		}
		var anchors []string
		for _, r := range Published(k, CanalsToTreat) {
			how := "read"
			if r.Mark.Flag() != "" {
				how = "recalled"
			}
			more := ""
			if r.MoreFrom > 0 {
				more = fmt.Sprintf(" (%d or more in one)", r.MoreFrom)
			}
			source, _, _ := strings.Cut(r.Mark.Source, ": ")
			anchors = append(anchors, fmt.Sprintf("%s%s, %s, %s", slashed(r), more, source, how))
		}
		line("| %s | %s | %d | %d or more: %s to %s | %s |", k.Words(), slashed(p), Routine(k, Usual), p.RangeFrom, percentText(p.Low), percentText(p.High), strings.Join(anchors, "; "))
	}

	line(`
## How a sign moves the odds

A sign is weighed by how often it is seen in teeth that have the canal and in
teeth that have not. Both shares are published for three pairs of sign and
tooth only: the disappearing canal and the visible division in the lower first
premolar, and CBCT for the second mesiobuccal canal. All others are assumed,
each with its reason, and say so wherever they appear.

From a share of 24 %% of a second canal in the lower first premolar:
`)
	line("| Finding | Second canal |")
	line("| --- | --- |")
	for _, c := range []struct {
		words string
		e     []Evidence
	}{
		{"a canal disappears mid-root", []Evidence{{Sign: FastBreak}}},
		{"it can be followed to its end", []Evidence{{Sign: FastBreak, Absent: true}}},
		{"a division is seen", []Evidence{{Sign: Bifurcation}}},
		{"no division is seen", []Evidence{{Sign: Bifurcation, Absent: true}}},
		{"a division is seen and the canal disappears (same film: not more than the division alone)", []Evidence{{Sign: Bifurcation}, {Sign: FastBreak}}},
		{"the canal disappears, no division is seen (they pull against each other)", []Evidence{{Sign: FastBreak}, {Sign: Bifurcation, Absent: true}}},
	} {
		line("| %s | %.0f %% |", c.words, believe(t, of24(c.e...)).AtLeast(2)*100)
	}
	line(`
**Signs that look at the same thing are never multiplied.** Films and volumes
are one group, the chamber floor is one, searches are one, the other side and
the earlier filling are one each. In a group at most two signs count: the one
that speaks most strongly for a further canal and the one that speaks most
strongly against it. What a better image shows sets aside what a worse one
misses. A sign for a further canal therefore never lowers its odds, and one
against it never raises them; a property test holds that.

**Evidence that cannot both hold is refused** and both are named, with what to
do: one canal counted on CBCT and a further orifice seen, a search that ended
with three and a fourth orifice, more canals filled than CBCT counts. A file in
a canal is a fact and overrules every image.

**After a search something stays possible.** Upper first molar, three canals
located and no more found:
`)
	line("| Search | MB2 still there |")
	line("| --- | --- |")
	line("| none yet | %.0f %% |", believe(t, Question{Kind: tooth.MaxillaryFirstMolar}).AtLeast(4)*100)
	for _, s := range []struct {
		sign  Sign
		words string
	}{{SearchEye, "mirror and probe"}, {SearchLoupes, "loupes"}, {SearchMicroscope, "microscope"}, {SearchTrough, "microscope, dentine ledge cut back"}} {
		b := believe(t, Question{Kind: tooth.MaxillaryFirstMolar, Evidence: []Evidence{{Sign: s.sign, Count: 3}}})
		line("| %s | %.0f %% |", s.words, b.AtLeast(4)*100)
	}

	line(`
## The case of tooth 46

What the explanation says for a lower first molar whose distal canal disappears
mid-root on the film and whose distal orifice lies off-centre:
`)
	for _, l := range believe(t, Question{Kind: tooth.MandibularFirstMolar, Evidence: []Evidence{{Sign: FilmCount, Count: 3}, {Sign: FastBreak}, {Sign: OffCentreOrifice}}}).Lines {
		line("- %s (%s)", l.Text, l.Mark.Kind)
	}

	line(`
## Kinds of anatomy that are not counts
`)
	line("| Tooth | Shape | Share of teeth, %% (range) | Canals expected, %% with 1/2/3/4/5 | Names |")
	line("| --- | --- | --- | --- | --- |")
	for _, k := range tooth.Kinds() {
		for _, s := range Shapes(k) {
			p, err := PriorOf(k, s.Shape)
			if err != nil {
				t.Fatal(err)
			}
			names, err := Sequence(k, s.Shape, s.Routine, p.MostOf())
			if err != nil {
				t.Fatal(err)
			}
			line("| %s | %s | %s (%s to %s), %s | %s, assumed | %s |", k.Words(), s.Shape.Words(), percentText(s.Share), percentText(s.Low), percentText(s.High), s.Mark.Kind, slashed(p), strings.Join(names, ", "))
		}
	}

	line(`
## One study, three counts

Worked from the courses of the canals in Vertucci 1984 (mostly recalled):
`)
	line("| Tooth | Canals to treat | Orifices | Foramina |")
	line("| --- | --- | --- | --- |")
	for _, k := range tooth.Kinds() {
		canals, ok := FromTypes(k, CanalsToTreat)
		if !ok {
			continue
		}
		orifices, _ := FromTypes(k, Orifices)
		foramina, _ := FromTypes(k, Foramina)
		line("| %s | %s | %s | %s |", k.Words(), slashed(canals), slashed(orifices), slashed(foramina))
	}

	line(`
## What is not used, and what is open

- A patient's ethnicity is not asked. Published shares differ between
  populations, but they describe the patients of particular clinics and would
  put a guess about somebody's descent into a plan. Ranges between regions are
  shown, and a practice may set its own row.
- Age and sex are not used: their published directions conflict.
- Roots are combined as if independent. That reproduces whole-tooth counts of
  the lower first molar well and those of the lower second molar badly.
- The lower second molar with two canals runs from 4 %% (counted by canals) to
  25 %% (by orifices); the planning row of 14 %% is a compromise.
- No canal counts within C-shaped teeth or teeth with a third root were at hand;
  those rows are assumed.
- Lengths rest on a century-old table recalled from memory; the bands are wide
  for that reason.`)
	golden(t, "../../docs/figures-anatomy.md", []byte(w.String()))
}

func slashed(r Row) string {
	var cells []string
	for n := 1; n <= r.MostOf(); n++ {
		cells = append(cells, percentText(r.P[n]))
	}
	return strings.Join(cells, "/")
}
