package difficulty

import (
	"bytes"
	"encoding/csv"
	"flag"
	"os"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"github.com/visitwright/visitwright/planner/provenance"
	"github.com/visitwright/visitwright/planner/tooth"
)

var update = flag.Bool("update", false, "write golden files anew")

func TestEveryAnswerIsShownWithItsStandingInTheGoldenTables(t *testing.T) {
	for _, e := range Editions() {
		var got bytes.Buffer
		if err := Table(&got, e); err != nil {
			t.Fatal(err)
		}
		name := "testdata/form-" + string(e) + ".golden"
		if *update {
			if err := os.WriteFile(name, got.Bytes(), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got.Bytes(), want) {
			t.Errorf("%s differs; look at the change, then run go test -update", name)
		}
	}
}

func criteria(t *testing.T, e Edition) []Criterion {
	t.Helper()
	cs, err := Criteria(e)
	if err != nil {
		t.Fatal(err)
	}
	return cs
}

// minimal answers every part with its mildest answer.
func minimal(t *testing.T, e Edition) Answers {
	t.Helper()
	out := Answers{}
	for _, c := range criteria(t, e) {
		for _, p := range c.Parts {
			for _, a := range p.Answers {
				if a.Level == Minimal {
					out[p.ID] = a.ID
					break
				}
			}
			if out[p.ID] == "" {
				t.Fatalf("%s of the %s has no minimal answer", p.ID, e)
			}
		}
	}
	return out
}

func with(a Answers, pairs ...string) Answers {
	out := Answers{}
	for k, v := range a {
		out[k] = v
	}
	for ; len(pairs) >= 2; pairs = pairs[2:] {
		out[pairs[0]] = pairs[1]
	}
	return out
}

func assess(t *testing.T, e Edition, a Answers) Result {
	t.Helper()
	r, err := Assess(e, a)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestEveryCellOfTheOlderFormHasItsPublishedLevel(t *testing.T) {
	text, err := os.ReadFile("testdata/form-2005-2010.csv")
	if err != nil {
		t.Fatal(err)
	}
	reader := csv.NewReader(bytes.NewReader(text))
	reader.Comment = '#'
	rows, err := reader.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	listed := map[string]bool{}
	for _, row := range rows[1:] {
		listed[row[1]+" "+row[2]] = true
		r := assess(t, Edition2005, with(nil, row[1], row[2]))
		if got := r.Levels[row[0]]; string(got) != row[3] {
			t.Errorf("%s, %s: %s, want %s", row[1], row[2], got, row[3])
		}
	}
	// what the check does not list was not on the form, and says so
	for _, c := range criteria(t, Edition2005) {
		for _, p := range c.Parts {
			for _, a := range p.Answers {
				if !listed[p.ID+" "+a.ID] && a.Mark.Kind != provenance.Assumed {
					t.Errorf("%s, %s is in no copy of the form that was read, yet marked %s", p.ID, a.ID, a.Mark.Kind)
				}
				if listed[p.ID+" "+a.ID] && a.Mark.Kind != provenance.Published {
					t.Errorf("%s, %s was read, yet marked %s", p.ID, a.ID, a.Mark.Kind)
				}
			}
		}
	}
}

func TestTheEditionsAreKeptApart(t *testing.T) {
	older, newer := criteria(t, Edition2005), criteria(t, Edition2022)
	if len(older) != 17 || len(newer) != 18 {
		t.Errorf("%d and %d criteria, want 17 and, with vital structures, 18", len(older), len(newer))
	}
	if _, err := Assess(Edition2005, Answers{"vital-structures": "over-5"}); err == nil || !strings.Contains(err.Error(), "2005") {
		t.Errorf("the older form has no vital structures: %v", err)
	}
	// ASA 2: moderate in 2005/2010, low in 2022; ASA 3: high, then between 2 and 4
	for answer, want := range map[string][2]Level{"asa-1": {Minimal, Minimal}, "asa-2": {Moderate, Minimal}, "asa-3": {High, Moderate}, "asa-4": {High, High}} {
		for i, e := range Editions() {
			if got := assess(t, e, Answers{"medical-history": answer}).Levels["medical-history"]; got != want[i] {
				t.Errorf("%s in %s: %s, want %s", answer, e, got, want[i])
			}
		}
	}
}

func TestCellsOfTheNewerFormThatWereNotReadAreMarkedAssumed(t *testing.T) {
	read := map[string]bool{ // the cells that were read, second-hand
		"medical-history asa-1": true, "medical-history asa-2": true, "medical-history asa-4": true,
		"anaesthesia-history no-vasoconstrictor": true, "cooperation does-not-cooperate": true, "mouth-opening slightly-limited": true,
		"arch-position front-or-premolar": true, "tilt under-10": true, "rotation under-10": true, "isolation routine": true, "crown-form normal": true,
		"root-curvature under-10": true, "apex-width closed": true, "canal-appearance visible": true, "vital-structures over-5": true,
	}
	for _, c := range criteria(t, Edition2022) {
		for _, p := range c.Parts {
			for _, a := range p.Answers {
				if got := a.Mark.Kind == provenance.Published; got != read[p.ID+" "+a.ID] {
					t.Errorf("%s, %s is marked %s", p.ID, a.ID, a.Mark.Kind)
				}
			}
		}
	}
}

func TestEveryFigureHasAProvenance(t *testing.T) {
	for _, e := range Editions() {
		f, err := formOf(e)
		if err != nil {
			t.Fatal(err)
		}
		marks := []provenance.Mark{f.Rule.Mark, f.PartsRule, f.TiedToTime}
		if f.VolumeMark != nil {
			marks = append(marks, *f.VolumeMark)
		}
		for _, c := range f.Criteria {
			for _, p := range c.Parts {
				for _, a := range p.Answers {
					marks = append(marks, a.Mark)
				}
			}
		}
		if len(marks) < 80 {
			t.Errorf("%s: only %d figures were looked at", e, len(marks))
		}
		for _, m := range marks {
			if err := m.Validate(); err != nil {
				t.Errorf("%s: %v", e, err)
			}
		}
	}
	bad := `{"edition":"x","title":"x","rule":{"moderate_criteria_for_high":3,"mark":{"kind":"assumed","source":"x"}},"criteria":[{"id":"a","group":"history","ask":"?","parts":[{"id":"a","topic":"A","ask":"?","answers":[{"id":"b","text":"b","level":"high","mark":{"kind":"published","source":""}}]}]}]}`
	if _, err := readForm([]byte(bad)); err == nil {
		t.Error("an answer without a source was taken")
	}
}

func TestTheQuestionsComeInTheOrderOfAVisit(t *testing.T) {
	for _, e := range Editions() {
		at := 0
		for _, c := range criteria(t, e) {
			g := groupAt(c.Group)
			if g < at {
				t.Errorf("%s: %s of the %s is asked too late", e, c.ID, c.Group)
			}
			at = g
		}
		if at != len(Groups())-1 {
			t.Errorf("%s does not ask about earlier treatment last", e)
		}
	}
}

func TestTheLevelRules(t *testing.T) {
	for _, e := range Editions() {
		low := minimal(t, e)
		for _, c := range []struct {
			name  string
			pairs []string
			want  Level
		}{
			{"only minimal", nil, Minimal},
			{"one moderate", []string{"gag-reflex", "at-times"}, Moderate},
			{"two moderate", []string{"gag-reflex", "at-times", "isolation", "simple-pretreatment"}, Moderate},
			{"three moderate", []string{"gag-reflex", "at-times", "isolation", "simple-pretreatment", "crown-form", "crowned"}, High},
			{"one high", []string{"canal-appearance", "not-visible"}, High},
			{"a retreatment", []string{"endodontic-history", "completed"}, High},
			// one row of the form counts once, whatever it asks
			{"one row moderate in three ways", []string{"arch-position", "first-molar", "tilt", "10-to-30", "rotation", "10-to-30"}, Moderate},
		} {
			if r := assess(t, e, with(low, c.pairs...)); r.Level != c.want || r.Could != c.want || len(r.Unknown) != 0 {
				t.Errorf("%s, %s: %s (could be %s), want %s", e, c.name, r.Level, r.Could, c.want)
			}
		}
	}
	older, _ := formOf(Edition2005)
	newer, _ := formOf(Edition2022)
	if older.Rule.Mark.Kind != provenance.Assumed || newer.Rule.Mark.Kind != provenance.Published {
		t.Error("'several' of the older form is our reading; 'three' of the newer one is printed")
	}
}

func TestReasonsComeFirstAndTheWeightiestLeads(t *testing.T) {
	r := assess(t, Edition2022, with(minimal(t, Edition2022), "gag-reflex", "at-times", "root-curvature", "over-30", "apex-width", "1-to-1-5"))
	if len(r.Reasons) != 2 || r.Reasons[0].Criterion != "root-form" || r.Reasons[0].Level != High || r.Reasons[1].Criterion != "gag-reflex" {
		t.Fatalf("%+v", r.Reasons)
	}
	if r.Reasons[0].Text != "Root curvature: more than 30 degrees" {
		t.Errorf("%q", r.Reasons[0].Text)
	}
	if !strings.HasPrefix(r.Summary[0].Text, "High by the") || !strings.Contains(r.Summary[0].Text, "one high criterion is enough") {
		t.Errorf("%q", r.Summary[0].Text)
	}
}

func TestWhatNobodyAnsweredIsUnknownAndNotMinimal(t *testing.T) {
	none := assess(t, Edition2022, nil)
	if none.Level != NotAssessed || none.Could != High || len(none.Unknown) != none.Asked || none.ConsiderVolume {
		t.Errorf("without an answer: %s, could be %s, %d of %d unknown", none.Level, none.Could, len(none.Unknown), none.Asked)
	}
	a := minimal(t, Edition2022)
	a["canal-appearance"] = Unknown
	delete(a, "axis")
	r := assess(t, Edition2022, a)
	if r.Level != Minimal || r.Could != High || len(r.Unknown) != 2 {
		t.Fatalf("%s, could be %s, unknown %+v", r.Level, r.Could, r.Unknown)
	}
	// canals not visible would be high by itself; an axis out of line moderate
	for _, g := range r.Unknown {
		want := map[string]Level{"axis": Moderate, "canal-appearance": High}[g.Part]
		if g.Alone != want {
			t.Errorf("%s alone would make it %s, want %s", g.Part, g.Alone, want)
		}
	}
	if !strings.Contains(r.Summary[1].Text, "could become high") || !strings.Contains(r.Summary[1].Text, "canals on the film") {
		t.Errorf("%q", r.Summary[1].Text)
	}
	high := assess(t, Edition2022, Answers{"endodontic-history": "completed"})
	if high.Level != High || !strings.Contains(high.Summary[1].Text, "cannot lift it further") {
		t.Errorf("%+v", high.Summary)
	}
}

func TestUnknownAnswersCanAddUpToAHigherLevel(t *testing.T) {
	a := with(minimal(t, Edition2022), "gag-reflex", "at-times", "isolation", "simple-pretreatment")
	delete(a, "axis") // at worst moderate: the third
	r := assess(t, Edition2022, a)
	if r.Level != Moderate || r.Could != High || r.Unknown[0].Alone != High {
		t.Errorf("%s, could be %s, %+v", r.Level, r.Could, r.Unknown)
	}
}

func TestReferralShowsOnlyFromTheLevelTheClinicianWantsItFrom(t *testing.T) {
	for level, want := range map[Level]map[ReferralSetting]bool{
		NotAssessed: {ReferNever: false, ReferFromModerate: false, ReferFromHigh: false},
		Minimal:     {ReferNever: false, ReferFromModerate: false, ReferFromHigh: false},
		Moderate:    {ReferNever: false, ReferFromModerate: true, ReferFromHigh: false},
		High:        {ReferNever: false, ReferFromModerate: true, ReferFromHigh: true},
	} {
		for setting, shows := range want {
			if got, err := (Result{Level: level}).ConsiderReferral(setting); err != nil || got != shows {
				t.Errorf("%s with %s: %v, %v; want %v", level, setting, got, err, shows)
			}
		}
	}
	if _, err := (Result{}).ConsiderReferral("always"); err == nil {
		t.Error("'always' was taken as a setting")
	}
}

func TestTheNewerFormAdvisesAVolumeFromModerate(t *testing.T) {
	low := minimal(t, Edition2022)
	if assess(t, Edition2022, low).ConsiderVolume || !assess(t, Edition2022, with(low, "isolation", "simple-pretreatment")).ConsiderVolume {
		t.Error("a volume is to be considered in moderate and high cases only")
	}
	if assess(t, Edition2005, with(minimal(t, Edition2005), "isolation", "extensive-pretreatment")).ConsiderVolume {
		t.Error("the older form does not speak of volumes")
	}
}

func TestTheToothAnswersForItsOwnPlace(t *testing.T) {
	for code, want := range map[tooth.Code]Level{11: Minimal, 43: Minimal, 25: Minimal, 46: Moderate, 26: Moderate, 37: High, 18: High} {
		r, err := AssessTooth(Edition2022, code, nil)
		if err != nil || r.Levels["arch-position"] != want {
			t.Errorf("%s: %s, %v; want %s", code.Label(tooth.ISO), r.Levels["arch-position"], err, want)
		}
	}
	if len(Known(0)) != 0 {
		t.Error("a tooth not identified knows its place")
	}
	for _, c := range []struct {
		code tooth.Code
		a    Answers
	}{
		{46, Answers{"arch-position": "front-or-premolar"}},
		{46, Answers{"root-division": "two-rooted-lower"}},
		{34, Answers{"root-division": "three-rooted-upper-premolar"}},
	} {
		if _, err := AssessTooth(Edition2022, c.code, c.a); err == nil || !strings.Contains(err.Error(), c.code.Words()) {
			t.Errorf("%v of %s: %v", c.a, c.code, err)
		}
	}
	if r, err := AssessTooth(Edition2022, 34, Answers{"root-division": "two-rooted-lower", "arch-position": Unknown}); err != nil || r.Level != High {
		t.Errorf("a lower premolar with two roots: %s, %v", r.Level, err)
	}
}

func TestWhatTheFormDoesNotHaveIsRefused(t *testing.T) {
	for _, c := range []struct {
		e    Edition
		a    Answers
		want string
	}{
		{"1999", nil, "want 2005-2010 or 2022"},
		{Edition2022, Answers{"patience": "low"}, "no such question"},
		{Edition2022, Answers{"gag-reflex": "sometimes"}, "want one of none, at-times, extreme, unknown"},
	} {
		if _, err := Assess(c.e, c.a); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s %v: %v, want %q", c.e, c.a, err, c.want)
		}
	}
}

// Chung 2021 tied five items to treatment time.
func TestTheCriteriaTiedToTimeAreTheFivePublishedOnes(t *testing.T) {
	want := []string{"arch-position", "canal-appearance", "crown-form", "periodontal-condition", "root-form"}
	for _, e := range Editions() {
		tied := map[string]bool{}
		for _, c := range criteria(t, e) {
			if c.TiedToTime {
				tied[c.ID] = true
			}
		}
		for _, id := range want {
			if !tied[id] {
				t.Errorf("%s: %s is not tied to time", e, id)
			}
		}
		if len(tied) != len(want) {
			t.Errorf("%s: %v", e, tied)
		}
	}
}

func anyAnswers(t *rapid.T, e Edition) Answers {
	cs, _ := Criteria(e)
	a := Answers{}
	for _, c := range cs {
		for _, p := range c.Parts {
			i := rapid.IntRange(-1, len(p.Answers)-1).Draw(t, p.ID)
			if i >= 0 {
				a[p.ID] = p.Answers[i].ID
			}
		}
	}
	return a
}

func TestAWorseAnswerNeverMakesAnEasierTooth(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := rapid.SampledFrom(Editions()).Draw(t, "edition")
		a := anyAnswers(t, e)
		before, err := Assess(e, a)
		if err != nil {
			t.Fatal(err)
		}
		if before.Level.Over(before.Could) {
			t.Fatalf("%s is over what it could become, %s", before.Level, before.Could)
		}
		cs, _ := Criteria(e)
		c := rapid.SampledFrom(cs).Draw(t, "criterion")
		p := rapid.SampledFrom(c.Parts).Draw(t, "part")
		from, answered := p.answer(a[p.ID])
		to := rapid.SampledFrom(p.Answers).Draw(t, "worse")
		if answered && from.Level.Over(to.Level) {
			return
		}
		a[p.ID] = to.ID
		after, err := Assess(e, a)
		if err != nil {
			t.Fatal(err)
		}
		if before.Level.Over(after.Level) {
			t.Fatalf("%s to %s took it from %s to %s", p.ID, to.ID, before.Level, after.Level)
		}
		if after.Could.Over(before.Could) && !answered {
			t.Fatalf("answering %s lifted what it could become from %s to %s", p.ID, before.Could, after.Could)
		}
	})
}

func TestTheSameAnswersGiveTheSameResult(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := rapid.SampledFrom(Editions()).Draw(t, "edition")
		a := anyAnswers(t, e)
		one, _ := Assess(e, a)
		two, _ := Assess(e, a)
		if !reflect.DeepEqual(one, two) {
			t.Fatalf("%+v\n%+v", one, two)
		}
	})
}
