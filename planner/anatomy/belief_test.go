package anatomy

import (
	"errors"
	"math"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"github.com/visitwright/visitwright/planner/provenance"
	"github.com/visitwright/visitwright/planner/tooth"
)

// of24 is a lower first premolar with a second canal in 24 per cent, the share
// from which the published worked values start.
func of24(evidence ...Evidence) Question {
	return Question{
		Kind:     tooth.MandibularFirstPremolar,
		Prior:    &Row{P: []float64{0, 0.76, 0.24, 0, 0, 0}, Mark: provenance.Mark{Kind: provenance.Published, Source: "Cleghorn 2007: 24.2 per cent, rounded"}},
		Evidence: evidence,
	}
}

func believe(t *testing.T, q Question) Belief {
	t.Helper()
	b, err := Believe(q)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// Worked from sensitivity 94.7 and specificity 70.5 of an interrupted canal,
// 73.7 and 93.2 of a visible bifurcation: 82 lower first premolars in Taiwan,
// PMC6395179; the arithmetic to whole per cent was made apart from this code.
func TestALowerPremolarWithADisappearingCanalAgreesWithThePublishedPairs(t *testing.T) {
	for _, c := range []struct {
		name string
		e    Evidence
		want float64
	}{
		{"the canal disappears", Evidence{Sign: FastBreak}, 0.50},
		{"the canal can be followed", Evidence{Sign: FastBreak, Absent: true}, 0.02},
		{"a division is seen", Evidence{Sign: Bifurcation}, 0.77},
		{"no division is seen", Evidence{Sign: Bifurcation, Absent: true}, 0.08},
	} {
		b := believe(t, of24(c.e))
		if got := b.AtLeast(2); !near(got, c.want, 0.005) {
			t.Errorf("%s: a second canal in %.3f, want %.2f from 0.24", c.name, got, c.want)
		}
		if b.Mark.Kind != provenance.Published {
			t.Errorf("%s: all figures were published, yet the answer is marked %s", c.name, b.Mark.Kind)
		}
	}
	for sign, want := range map[Sign][2]float64{FastBreak: {3.2, 0.075}, Bifurcation: {10.8, 0.28}} {
		r, ok := RatioOf(sign, tooth.MandibularFirstPremolar)
		if !ok || !near(r.Positive(), want[0], 0.05) || !near(r.Negative(), want[1], 0.005) {
			t.Errorf("%s: ratios %.2f and %.3f, want %v", sign, r.Positive(), r.Negative(), want)
		}
	}
}

// PMC5911295: sensitivity 0.88, specificity 0.88 for the second mesiobuccal canal.
func TestCBCTOfAnUpperMolarKeepsItsPublishedSensitivityAndSpecificity(t *testing.T) {
	p, _ := Prior(tooth.MaxillaryFirstMolar)
	f := frame{prior: p.P, routine: 3, most: 5}
	row, _ := signFor(CBCTCount, tooth.MaxillaryFirstMolar)
	sens, spec := 0.0, 0.0
	for k := 1; k <= 5; k++ {
		if k >= 4 {
			sens += row.shows(k, 4, f)
		} else {
			spec += row.shows(k, 3, f)
		}
	}
	if !near(sens, 0.88, 1e-9) || !near(spec, 0.88, 1e-9) {
		t.Errorf("sensitivity %.4f, specificity %.4f; want 0.88 and 0.88", sens, spec)
	}
	// from 7 in 10 before, by hand: 0.7*0.88/(0.7*0.88+0.3*0.12) = 0.945 and 0.7*0.12/(0.7*0.12+0.3*0.88) = 0.241;
	// counts that miss by two take a hundredth
	for count, want := range map[int]float64{4: 0.945, 3: 0.241} {
		b := believe(t, Question{Kind: tooth.MaxillaryFirstMolar, Evidence: []Evidence{{Sign: CBCTCount, Count: count}}})
		if got := b.AtLeast(4); !near(got, want, 0.012) {
			t.Errorf("%d canals on CBCT: MB2 in %.3f, want about %.3f", count, got, want)
		}
	}
}

func TestACountOnAnImageIsNeverCertain(t *testing.T) {
	for _, kind := range tooth.Kinds() {
		p, _ := Prior(kind)
		f := frame{prior: p.P, routine: Routine(kind, Usual), most: p.MostOf()}
		for _, sign := range []Sign{FilmCount, AngledFilmCount, CBCTCount, FilledCount} {
			row, _ := signFor(sign, kind)
			for n := 1; n <= f.most; n++ {
				sum := 0.0
				for k := 1; k <= f.most; k++ {
					sum += row.shows(k, n, f)
				}
				if !near(sum, 1, 1e-12) {
					t.Errorf("%s of %s with %d canals: shares sum to %g", sign, kind, n, sum)
				}
				if n > f.routine && row.shows(n, n, f) > 0.99 {
					t.Errorf("%s of %s: %d canals are shown for certain", sign, kind, n)
				}
			}
		}
	}
}

func TestEverySignHasOneRowForEveryKind(t *testing.T) {
	for _, sign := range Signs() {
		for _, kind := range tooth.Kinds() {
			rows := 0
			for _, row := range shipped().signs {
				for _, k := range row.kinds {
					if row.sign == sign && k == kind {
						rows++
					}
				}
			}
			if rows != 1 {
				t.Errorf("%s of the %s has %d rows, want 1", sign, kind, rows)
			}
		}
	}
	for _, row := range shipped().signs {
		known := false
		for _, s := range Signs() {
			known = known || s == row.sign
		}
		if !known {
			t.Errorf("the data file has a sign %q that is not known", row.sign)
		}
	}
}

func TestASignWithoutAPublishedRatioIsMarkedAssumedForThatTooth(t *testing.T) {
	published := map[string]bool{
		"canal-disappears-mid-root mandibular-first-premolar": true,
		"visible-bifurcation mandibular-first-premolar":       true,
		"cbct-count maxillary-first-molar":                    true,
	}
	for _, row := range shipped().signs {
		if row.form == formLocated {
			continue
		}
		for _, k := range row.kinds {
			if name := string(row.sign) + " " + string(k); (row.mark().Kind == provenance.Published) != published[name] {
				t.Errorf("%s is marked %s", name, row.mark().Kind)
			}
		}
	}
}

func TestAFurtherLookAtTheSameFilmDoesNotCountTwice(t *testing.T) {
	alone := believe(t, of24(Evidence{Sign: Bifurcation}))
	both := believe(t, of24(Evidence{Sign: Bifurcation}, Evidence{Sign: FastBreak}))
	if !reflect.DeepEqual(alone.P, both.P) {
		t.Errorf("a division says so much alone: %v; with the vanishing canal on the same film: %v", alone.P, both.P)
	}
	multiplied := 0.24 * 0.737 * 0.947 / (0.24*0.737*0.947 + 0.76*0.068*0.295)
	if both.AtLeast(2) > multiplied-0.05 {
		t.Errorf("%.3f comes near what multiplying the two would give, %.3f", both.AtLeast(2), multiplied)
	}
	aside := 0
	for _, w := range both.Weighed {
		if !w.Counted {
			aside++
			if w.Sign != FastBreak || !strings.Contains(w.Text, "same thing") {
				t.Errorf("set aside: %s", w.Text)
			}
		}
	}
	if aside != 1 {
		t.Errorf("%d pieces were set aside, want 1", aside)
	}

	molar := func(e ...Evidence) float64 {
		return believe(t, Question{Kind: tooth.MandibularFirstMolar, Evidence: e}).AtLeast(4)
	}
	one := molar(Evidence{Sign: FilmCount, Count: 3})
	if two := molar(Evidence{Sign: FilmCount, Count: 3}, Evidence{Sign: AngledFilmCount, Count: 3}); two < molar(Evidence{Sign: AngledFilmCount, Count: 3})-1e-12 || two > one {
		t.Errorf("two films showing three canals: %.3f; one straight %.3f", two, one)
	}
	volume := molar(Evidence{Sign: CBCTCount, Count: 4})
	if with := molar(Evidence{Sign: CBCTCount, Count: 4}, Evidence{Sign: AngledFilmCount, Count: 4}); !near(with, volume, 1e-12) {
		t.Errorf("a film that shows what the volume shows changed %.3f to %.3f", volume, with)
	}
	if with := molar(Evidence{Sign: CBCTCount, Count: 4}, Evidence{Sign: FilmCount, Count: 3}); !near(with, volume, 1e-12) {
		t.Errorf("what a straight film misses changed the volume's %.3f to %.3f", volume, with)
	}
	search := molar(Evidence{Sign: SearchTrough, Count: 3})
	if with := molar(Evidence{Sign: SearchTrough, Count: 3}, Evidence{Sign: SearchEye, Count: 3}); !near(with, search, 1e-12) {
		t.Errorf("the same search with less light changed %.3f to %.3f", search, with)
	}
}

// If every division also interrupts the canal, the published pairs split into
// three findings: division 0.737 and 0.068, interruption alone 0.210 and 0.227,
// neither 0.053 and 0.705. The middle one is worth 0.210/0.227 = 0.93.
func TestADisappearingCanalWithoutAVisibleDivisionIsNearlyNeutral(t *testing.T) {
	b := believe(t, of24(Evidence{Sign: FastBreak}, Evidence{Sign: Bifurcation, Absent: true}))
	nested := 0.24 * 0.210 / (0.24*0.210 + 0.76*0.227)
	if got := b.AtLeast(2); !near(got, nested, 0.01) {
		t.Errorf("%.3f, want near %.3f", got, nested)
	}
	strongest := believe(t, of24(Evidence{Sign: Bifurcation, Absent: true}))
	if b.AtLeast(2) < strongest.AtLeast(2) {
		t.Error("a sign for a further canal lowered its odds")
	}
}

func TestContradictoryEvidenceIsRefusedAndBothAreNamed(t *testing.T) {
	pm := tooth.MandibularFirstPremolar
	for _, c := range []struct {
		name  string
		kind  tooth.Kind
		shape Shape
		e     []Evidence
		want  []string
	}{
		{"one canal on CBCT and a further orifice", pm, Usual, []Evidence{{Sign: CBCTCount, Count: 1}, {Sign: FurtherOrifice}}, []string{"1 canal counted on CBCT", "a further orifice is seen (2 in all)", "probe"}},
		{"the other way round", pm, Usual, []Evidence{{Sign: FurtherOrifice}, {Sign: CBCTCount, Count: 1}}, []string{"CBCT", "orifice"}},
		{"three on CBCT and a fourth orifice", tooth.MandibularFirstMolar, Usual, []Evidence{{Sign: CBCTCount, Count: 3}, {Sign: FurtherOrifice}}, []string{"3 canals counted on CBCT", "(4 in all)"}},
		{"a sign that is there and is not", pm, Usual, []Evidence{{Sign: FastBreak}, {Sign: FastBreak, Absent: true}}, []string{"disappears", "followed", "leave one out"}},
		{"two volumes that differ", pm, Usual, []Evidence{{Sign: CBCTCount, Count: 1}, {Sign: CBCTCount, Count: 2}}, []string{"1 canal", "2 canals", "better reading"}},
		{"two straight films that differ", tooth.MandibularFirstMolar, Usual, []Evidence{{Sign: FilmCount, Count: 2}, {Sign: FilmCount, Count: 4}}, []string{"2 canals on a straight film", "4 canals on a straight film", "better reading"}},
		{"two shifted films that differ", pm, Usual, []Evidence{{Sign: AngledFilmCount, Count: 2}, {Sign: AngledFilmCount, Count: 1}}, []string{"2 canals on a shifted film", "1 canal on a shifted film"}},
		{"two numbers of filled canals", pm, Usual, []Evidence{{Sign: FilledCount, Count: 2}, {Sign: FilledCount, Count: 1}}, []string{"1 canal filled", "2 canals filled"}},
		{"one search that ended twice", pm, Usual, []Evidence{{Sign: SearchLoupes, Count: 1}, {Sign: SearchLoupes, Count: 2}}, []string{"ended with 1", "ended with 2", "later one"}},
		{"two numbers for the other side", pm, Usual, []Evidence{{Sign: ContralateralCount, Count: 1}, {Sign: ContralateralCount, Count: 2}}, []string{"1 canal in the same tooth", "2 canals"}},
		{"four filled and three on CBCT", tooth.MaxillaryFirstMolar, Usual, []Evidence{{Sign: FilledCount, Count: 4}, {Sign: CBCTCount, Count: 3}}, []string{"4 canals filled", "3 canals counted on CBCT"}},
		{"a search that found three and a fourth orifice", tooth.MaxillaryFirstMolar, Usual, []Evidence{{Sign: SearchMicroscope, Count: 3}, {Sign: FurtherOrifice}}, []string{"search under the microscope", "4 in all"}},
		{"a third root and two canals on CBCT", tooth.MandibularFirstMolar, DistolingualRoot, []Evidence{{Sign: CBCTCount, Count: 2}}, []string{"distolingual root", "2 canals counted on CBCT", "at least 3 canals"}},
	} {
		_, err := Believe(Question{Kind: c.kind, Shape: c.shape, Evidence: c.e})
		if !errors.Is(err, ErrContradiction) {
			t.Errorf("%s: %v, want a contradiction", c.name, err)
			continue
		}
		for _, part := range c.want {
			if !strings.Contains(err.Error(), part) {
				t.Errorf("%s: %q does not mention %q", c.name, err, part)
			}
		}
	}
}

func TestACountThatTheToothCannotHaveIsRefused(t *testing.T) {
	for _, c := range []Question{
		{Kind: tooth.MaxillaryCentralIncisor, Evidence: []Evidence{{Sign: FilmCount, Count: 4}}},
		{Kind: tooth.MandibularFirstMolar, Evidence: []Evidence{{Sign: CBCTCount, Count: 6}}},
		{Kind: tooth.MandibularFirstMolar, Evidence: []Evidence{{Sign: CBCTCount, Count: 0}}},
		{Kind: tooth.MandibularFirstMolar, Evidence: []Evidence{{Sign: CanalsLocated, Count: -1}}},
		{Kind: tooth.MandibularCanine, Evidence: []Evidence{{Sign: FurtherOrifice, Count: 3}}},
		{Kind: tooth.MandibularSecondMolar, Shape: CShaped, Evidence: []Evidence{{Sign: FilledCount, Count: 5}}},
	} {
		_, err := Believe(c)
		if !errors.Is(err, ErrImpossible) || !strings.Contains(err.Error(), "want 1 to ") {
			t.Errorf("%s %v: %v, want a refusal that says what is possible", c.Kind, c.Evidence, err)
		}
	}
}

func TestEvidenceThatCannotBeReadIsRefused(t *testing.T) {
	many := make([]Evidence, MostEvidence+1)
	for i := range many {
		many[i] = Evidence{Sign: FastBreak}
	}
	for name, e := range map[string][]Evidence{
		"an unknown sign":             {{Sign: "shadow"}},
		"a count on a yes-or-no sign": {{Sign: FastBreak, Count: 2}},
		"a count that is absent":      {{Sign: CBCTCount, Count: 3, Absent: true}},
		"no further orifice":          {{Sign: FurtherOrifice, Absent: true}},
		"too much":                    many,
	} {
		if _, err := Believe(Question{Kind: tooth.MandibularFirstMolar, Evidence: e}); !errors.Is(err, ErrEvidence) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := Believe(Question{Kind: tooth.MaxillaryCanine, Shape: CShaped}); err == nil || !strings.Contains(err.Error(), "want usual") {
		t.Errorf("a C-shaped canine: %v", err)
	}
	if _, err := Believe(Question{Kind: "wisdom"}); err == nil {
		t.Error("an unknown kind of tooth")
	}
}

func TestAfterASearchThatFoundNothingAFurtherCanalStaysPossible(t *testing.T) {
	before := believe(t, Question{Kind: tooth.MaxillaryFirstMolar}).AtLeast(4)
	last := before
	for _, s := range []Sign{SearchEye, SearchLoupes, SearchMicroscope, SearchTrough} {
		b := believe(t, Question{Kind: tooth.MaxillaryFirstMolar, Evidence: []Evidence{{Sign: s, Count: 3}}})
		now := b.AtLeast(4)
		if now >= last || now < 0.1 {
			t.Errorf("%s: MB2 in %.3f after %.3f; want less, and never next to nothing", s, now, last)
		}
		if b.Expected != 3 || b.Located != 3 {
			t.Errorf("%s: %d expected, %d located; want the three that were found", s, b.Expected, b.Located)
		}
		last = now
	}
}

func TestAFileInACanalOverrulesEveryImage(t *testing.T) {
	b := believe(t, Question{Kind: tooth.MandibularFirstMolar, Evidence: []Evidence{
		{Sign: CBCTCount, Count: 3}, {Sign: FilmCount, Count: 3}, {Sign: SearchMicroscope, Count: 3}, {Sign: FurtherOrifice, Count: 4}, {Sign: CanalsLocated, Count: 4}}})
	if !near(b.AtLeast(4), 1, 1e-12) || b.P[3] != 0 {
		t.Errorf("four canals are located, yet the shares are %v", b.P)
	}
	if b.AtLeast(5) <= 0 {
		t.Error("a fifth canal became impossible")
	}
	for _, w := range b.Weighed {
		if w.Counted != (w.Sign == CanalsLocated) {
			t.Errorf("%s", w.Text)
		}
	}
	if b.Further[0].Canals != 5 || b.Further[0].Name != "MM" {
		t.Errorf("the next further canal is %+v, want the middle mesial", b.Further[0])
	}
	all := believe(t, Question{Kind: tooth.MandibularCanine, Evidence: []Evidence{{Sign: CanalsLocated, Count: 2}}})
	if len(all.Further) != 0 || !near(all.P[2], 1, 1e-12) {
		t.Errorf("both canals of a canine are located, yet %+v", all.Further)
	}
}

func TestACanalThatNoTableHasStandsOnceAFileIsInIt(t *testing.T) {
	b := believe(t, Question{Kind: tooth.MandibularCentralIncisor, Evidence: []Evidence{{Sign: CanalsLocated, Count: 3}, {Sign: FastBreak}, {Sign: CBCTCount, Count: 2}}})
	if !near(b.P[3], 1, 1e-12) || len(b.Names) != 3 || b.Expected != 3 || len(b.Before) != len(b.P) {
		t.Errorf("%v, %v, %d expected", b.P, b.Names, b.Expected)
	}
	if !strings.Contains(b.Lines[0].Text, "perforation") {
		t.Errorf("nobody asks whether it is a perforation: %q", b.Lines[0].Text)
	}
	for _, e := range []Evidence{{Sign: CanalsLocated, Count: 4}, {Sign: CBCTCount, Count: 3}, {Sign: SearchMicroscope, Count: 3}} {
		if _, err := Believe(Question{Kind: tooth.MandibularCentralIncisor, Evidence: []Evidence{e}}); !errors.Is(err, ErrImpossible) {
			t.Errorf("%+v: %v", e, err)
		}
	}
	if _, err := Believe(Question{Kind: tooth.MandibularFirstMolar, Evidence: []Evidence{{Sign: CanalsLocated, Count: 6}}}); !errors.Is(err, ErrImpossible) {
		t.Errorf("six canals in a molar: %v", err)
	}
}

func TestTheExplanationNamesTheCanalTheOddsTheReasonAndTheCount(t *testing.T) {
	b := believe(t, Question{Kind: tooth.MandibularFirstMolar, Evidence: []Evidence{{Sign: OffCentreOrifice}, {Sign: FastBreak}}})
	first := b.Lines[0].Text
	for _, part := range []string{"Second distal canal", "canal to treat", "4 in 10 before", "8 in 10 now", "disappears mid-root", "off-centre"} {
		if !strings.Contains(first, part) {
			t.Errorf("%q does not say %q", first, part)
		}
	}
	if b.Count != CanalsToTreat || b.Count.Words() != "canals to treat" {
		t.Errorf("the count is %q", b.Count.Words())
	}
	for _, l := range b.Lines {
		if l.Mark.Validate() != nil || l.Text == "" {
			t.Errorf("a line without a standing: %+v", l)
		}
		for _, word := range []string{"posterior", "theta", "likelihood", "chain"} {
			if strings.Contains(strings.ToLower(l.Text), word) {
				t.Errorf("%q speaks to statisticians", l.Text)
			}
		}
	}
	if last := b.Lines[len(b.Lines)-1].Text; !strings.Contains(last, "Distolingual root") {
		t.Errorf("the possible third root is not mentioned: %q", last)
	}
}

func TestOffCentreOrificesSayNothingInUpperMolars(t *testing.T) {
	// Krasner and Rankow 2004: symmetry about the midline, except in upper molars
	plain := believe(t, Question{Kind: tooth.MaxillaryFirstMolar})
	b := believe(t, Question{Kind: tooth.MaxillaryFirstMolar, Evidence: []Evidence{{Sign: OffCentreOrifice}}})
	if !reflect.DeepEqual(plain.P, b.P) || b.Weighed[0].Counted {
		t.Errorf("%v became %v", plain.P, b.P)
	}
}

func TestAThirdRootAltersNamesAndWhatIsExpected(t *testing.T) {
	b := believe(t, Question{Kind: tooth.MandibularFirstMolar, Shape: DistolingualRoot})
	if b.Expected != 4 || strings.Join(b.Names, " ") != "MB ML DB DL MM" {
		t.Errorf("%d expected, %v", b.Expected, b.Names)
	}
	c := believe(t, Question{Kind: tooth.MandibularSecondMolar, Shape: CShaped})
	if c.Expected != 2 || c.Names[0] != "C" {
		t.Errorf("%d expected, %v", c.Expected, c.Names)
	}
	for _, s := range Shapes(tooth.MandibularSecondMolar) {
		if s.Shape == CShaped && (!near(s.Share, 0.139, 1e-9) || !near(s.Low, 0.027, 1e-9) || !near(s.High, 0.455, 1e-9)) {
			t.Errorf("C-shape %+v; von Zuben 2017 has 13.9 per cent, later series 2.7 to 45.5", s)
		}
	}
}

func TestWhatWasSeenIsExpectedAtAccess(t *testing.T) {
	b := believe(t, Question{Kind: tooth.MaxillaryFirstMolar, Evidence: []Evidence{{Sign: CBCTCount, Count: 4}}})
	if b.Expected != 4 || b.Names[3] != "MB2" {
		t.Errorf("four canals on CBCT: %d expected, %v", b.Expected, b.Names)
	}
	after := believe(t, Question{Kind: tooth.MaxillaryFirstMolar, Evidence: []Evidence{{Sign: CBCTCount, Count: 4}, {Sign: SearchMicroscope, Count: 3}}})
	if after.Expected != 3 {
		t.Errorf("a search ended with three of them: %d expected, want the rest to need another search", after.Expected)
	}
}

func TestAPracticeMayUseItsOwnShares(t *testing.T) {
	own := &Row{P: []float64{0, 0, 0, 0.5, 0.5, 0}, Mark: provenance.Mark{Kind: provenance.Local, Source: "own records"}}
	b := believe(t, Question{Kind: tooth.MandibularFirstMolar, Prior: own})
	if !near(b.AtLeast(4), 0.5, 1e-12) || b.Mark.Kind != provenance.Local {
		t.Errorf("%v, marked %s", b.P, b.Mark.Kind)
	}
	for name, bad := range map[string]Row{
		"a sum of two":       {P: []float64{0, 0, 0, 1, 1, 0}, Mark: own.Mark},
		"a negative share":   {P: []float64{0, 0, -0.5, 1, 0.5, 0}, Mark: own.Mark},
		"not a number":       {P: []float64{0, math.NaN(), 0, 0.5, 0.5, 0}, Mark: own.Mark},
		"no standing":        {P: own.P},
		"too few":            {P: []float64{0, 1}, Mark: own.Mark},
		"a tooth of nothing": {P: []float64{1, 0, 0, 0, 0, 0}, Mark: own.Mark},
	} {
		if _, err := Believe(Question{Kind: tooth.MandibularFirstMolar, Prior: &bad}); err == nil {
			t.Errorf("%s was taken as shares", name)
		}
	}
}

// anyQuestion draws evidence that does not contradict itself.
func anyQuestion(t *rapid.T) Question {
	kind := rapid.SampledFrom(tooth.Kinds()).Draw(t, "kind")
	shapes := []Shape{Usual}
	for _, s := range Shapes(kind) {
		shapes = append(shapes, s.Shape)
	}
	q := Question{Kind: kind, Shape: rapid.SampledFrom(shapes).Draw(t, "shape")}
	p, _ := PriorOf(kind, q.Shape)
	for i := rapid.IntRange(0, 6).Draw(t, "pieces"); i > 0; i-- {
		e := Evidence{Sign: rapid.SampledFrom(Signs()).Draw(t, "sign")}
		switch signForm(e.Sign, kind) {
		case formYesNo:
			e.Absent = rapid.Bool().Draw(t, "absent")
		default:
			e.Count = rapid.IntRange(1, p.MostOf()).Draw(t, "count")
		}
		q.Evidence = append(q.Evidence, e)
	}
	return q
}

func TestSharesAlwaysSumToOneAndEveryCanalIsNamed(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := anyQuestion(t)
		b, err := Believe(q)
		if err != nil {
			if !errors.Is(err, ErrContradiction) {
				t.Fatalf("%v", err)
			}
			return
		}
		sum := 0.0
		for _, p := range b.P {
			if p < 0 || math.IsNaN(p) {
				t.Fatalf("shares %v", b.P)
			}
			sum += p
		}
		if !near(sum, 1, 1e-12) || b.P[0] != 0 || len(b.Names) != len(b.P)-1 || repeated(b.Names) {
			t.Fatalf("shares %v, names %v", b.P, b.Names)
		}
		if b.Expected < 1 || b.Expected > len(b.Names) || len(b.Lines) == 0 {
			t.Fatalf("%d expected of %v", b.Expected, b.Names)
		}
	})
}

func TestTheOrderInWhichEvidenceIsEnteredDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := anyQuestion(t)
		a, errA := Believe(q)
		q.Evidence = rapid.Permutation(q.Evidence).Draw(t, "order")
		b, errB := Believe(q)
		if (errA == nil) != (errB == nil) || !reflect.DeepEqual(a, b) {
			t.Fatalf("%v and %v (%v, %v)", a.P, b.P, errA, errB)
		}
	})
}

// A sign for a further canal never lowers its odds, one against never raises
// them, whatever else is known of the tooth.
func TestMoreEvidenceMovesTheOddsItsOwnWay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := anyQuestion(t)
		before, err := Believe(q)
		if err != nil || len(before.Further) == 0 {
			return
		}
		e := Evidence{Sign: rapid.SampledFrom([]Sign{FastBreak, Bifurcation, OffCentreOrifice, FurtherOrifice}).Draw(t, "added")}
		if e.Sign != FurtherOrifice {
			e.Absent = rapid.Bool().Draw(t, "added absent")
		}
		q.Evidence = append(append([]Evidence(nil), q.Evidence...), e)
		after, err := Believe(q)
		if err != nil {
			return
		}
		n := before.Further[0].Canals
		was, is := before.AtLeast(n), after.AtLeast(n)
		if !e.Absent && is < was-1e-12 || e.Absent && is > was+1e-12 {
			t.Fatalf("%+v moved the odds of canal %d from %.6f to %.6f", e, n, was, is)
		}
	})
}

func TestOddsAreSaidAsPeopleCount(t *testing.T) {
	for share, want := range map[float64]string{
		0: "none", 1: "all", 0.36: "4 in 10", 0.5: "5 in 10", 0.05: "1 in 20", 0.02: "1 in 50", 0.001: "fewer than 1 in 200",
		0.95: "19 in 20", 0.98: "49 in 50", 0.9999: "more than 199 in 200", 0.93: "9 in 10", 0.07: "1 in 10",
	} {
		if got := odds(share); got != want {
			t.Errorf("%g is said as %q, want %q", share, got, want)
		}
	}
}

func TestTheListOfSignsSaysWhichWantACount(t *testing.T) {
	if len(Catalogue()) != len(Signs()) {
		t.Fatalf("%d signs are listed, want %d", len(Catalogue()), len(Signs()))
	}
	for _, s := range Catalogue() {
		e := Evidence{Sign: s.Sign}
		if s.Counts {
			e.Count = 3
		}
		if _, err := Believe(Question{Kind: tooth.MandibularFirstMolar, Evidence: []Evidence{e}}); err != nil || s.Words == "" {
			t.Errorf("%s (%s), taken as listed: %v", s.Sign, s.Words, err)
		}
	}
}
