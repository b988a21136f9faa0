package protocol

import (
	"encoding/json"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"github.com/visitwright/visitwright/planner/tooth"
	"github.com/visitwright/visitwright/planner/visits"
)

func lowerMolar() CaseInput {
	return CaseInput{
		Protocol: "primary-treatment", Tooth: 46, Diagnosis: "necrotic-lesion",
		Canals:     visits.CanalBelief{P: []float64{0, 0, .02, .62, .36}, Expected: 3, Names: []string{"MB", "ML", "D", "DL"}},
		Difficulty: map[string]Level{"arch-position": Moderate, "crown-form": Minimal, "root-form": Minimal, "canal-appearance": Moderate, "periodontal-condition": Minimal},
		Cost:       visits.Cost{Work: 1, Overrun: 2, Idle: 1, Visit: 30, Unused: 20}, Grid: visits.Grid{Least: 30, Most: 150, Step: 10},
		Bear: visits.Bear{Minutes: 90, Chance: .1}, Horizon: 4, Cap: 480, Microscope: true,
	}
}

func upperMolar() CaseInput {
	in := lowerMolar()
	in.Tooth, in.Diagnosis = 16, "irreversible-pulpitis"
	in.Canals.Names = []string{"MB", "DB", "P", "MB2"}
	return in
}

func compiled(t *testing.T, in CaseInput) (visits.Model, Trace) {
	t.Helper()
	m, tr, err := catalogue(t).Compile(in)
	if err != nil {
		t.Fatal(err)
	}
	return m, tr
}

func stepIn(b visits.Block, id string) bool { return has(b, id) }

func canalStepOf(t *testing.T, b visits.Block, id string) visits.CanalStep {
	t.Helper()
	i := slices.IndexFunc(b.PerCanal, func(s visits.CanalStep) bool { return s.ID == id })
	if i < 0 {
		t.Fatalf("no step %s", id)
	}
	return b.PerCanal[i]
}

func TestASecondMesiobuccalCanalTakesLongerThanThePalatal(t *testing.T) {
	m, _ := compiled(t, upperMolar())
	for _, id := range []string{"glide-path", "shape"} {
		s := canalStepOf(t, m.Stages[1].Work, id)
		if mb2, p := s.Medians[3], s.Medians[2]; mb2 <= p {
			t.Errorf("%s: MB2 %.2f, P %.2f", id, mb2, p)
		}
	}
	low, _ := compiled(t, lowerMolar())
	s := canalStepOf(t, low.Stages[1].Work, "shape")
	if s.Medians[0] <= s.Medians[2] {
		t.Errorf("a narrow mesial canal takes no longer than the distal: %v", s.Medians)
	}
}

func TestOnlyCriteriaThatThePublishedStudyTiesToTimeChangeMinutes(t *testing.T) {
	base, _ := compiled(t, lowerMolar())
	in := lowerMolar()
	in.Difficulty["gag-reflex"], in.Difficulty["medical-history"], in.Difficulty["radiographs"] = High, High, High
	same, _ := compiled(t, in)
	if !reflect.DeepEqual(base, same) {
		t.Error("a criterion without a published tie to time changed the model")
	}
	// Chung 2021: tooth position, crown form, root form, canal appearance, periodontal condition.
	for _, c := range []string{"arch-position", "crown-form", "root-form", "canal-appearance", "periodontal-condition"} {
		in := lowerMolar()
		in.Difficulty[c] = High
		harder, _ := compiled(t, in)
		if reflect.DeepEqual(base, harder) {
			t.Errorf("%s high changed nothing", c)
		}
	}
}

func TestATimedRinseAndAWaitAreNotStretchedByDifficultyOrThePace(t *testing.T) {
	in := lowerMolar()
	for k := range in.Difficulty {
		in.Difficulty[k] = High
	}
	m, _ := compiled(t, in)
	for _, b := range append([]visits.Block{m.Start}, m.Stages[1].Work, m.Stages[2].Work) {
		for _, s := range b.Once {
			if f, _ := catalogue(t).Figure("steps." + s.ID + ".median"); !s.Scaled && s.Median != f.Value {
				t.Errorf("%s: %g, not %g", s.ID, s.Median, f.Value)
			}
		}
		for _, s := range b.PerCanal {
			if f, _ := catalogue(t).Figure("steps." + s.ID + ".median"); !s.Scaled && s.Medians[0] != f.Value {
				t.Errorf("%s: %v, not %g", s.ID, s.Medians, f.Value)
			}
		}
	}
}

func TestALowerMolarIsBlockedAndAnUpperOneIsInfiltrated(t *testing.T) {
	low, _ := compiled(t, lowerMolar())
	up, _ := compiled(t, upperMolar())
	if !stepIn(low.Start, "onset-block") || stepIn(low.Start, "onset-infiltration") {
		t.Error("the lower molar waits for the wrong injection")
	}
	if stepIn(up.Start, "onset-block") || !stepIn(up.Start, "onset-infiltration") {
		t.Error("the upper molar waits for the wrong injection")
	}
}

func TestABlockBesideAnInflamedLowerPulpFailsAsOftenAsPublished(t *testing.T) {
	in := lowerMolar()
	in.Diagnosis = "irreversible-pulpitis"
	m, _ := compiled(t, in)
	e := m.Stages[0].Work.Events[0]
	// PMC5911284: 42.5 % success of the inferior alveolar block, n = 80.
	if e.ID != "block-failed-lower-inflamed" || e.Probability != 1-.425 {
		t.Errorf("%+v", e)
	}
}

func TestEveryStopSaysWhatTheToothIsLikeThere(t *testing.T) {
	vital, _ := compiled(t, upperMolar())
	infected, _ := compiled(t, lowerMolar())
	ids := func(m visits.Model) (out []string) {
		for _, s := range m.Stops {
			out = append(out, s.ID)
		}
		return out
	}
	if got := ids(vital); !slices.Equal(got, []string{"before-access", "vital-pulpotomy", "shaped-and-dressed", "complete"}) {
		t.Errorf("vital: %v", got)
	}
	if got := ids(infected); !slices.Equal(got, []string{"before-access", "partly-treated-infected", "shaped-and-dressed", "complete"}) {
		t.Errorf("infected: %v", got)
	}
	in := lowerMolar()
	in.Conditions = []string{WithCore}
	core, _ := compiled(t, in)
	if got := ids(core); !slices.Equal(got, []string{"before-access", "partly-treated-infected", "shaped-and-dressed", "filled-without-core", "complete-with-core"}) {
		t.Errorf("with core: %v", got)
	}
}

func TestBeforeAccessNothingIsDressed(t *testing.T) {
	m, _ := compiled(t, lowerMolar())
	if m.Stops[0].Allowed || stepIn(m.Stops[0].End, "dress") || stepIn(m.Stops[0].End, "seal") {
		t.Errorf("%+v", m.Stops[0])
	}
}

func TestAPartlyTreatedNecroticToothIsLeftOnlyWhenForced(t *testing.T) {
	m, _ := compiled(t, lowerMolar())
	if m.Stops[1].Allowed || m.Stages[1].StopAfterCanal {
		t.Error("the plan may stop in the middle of an infected tooth")
	}
	if !stepIn(m.Stops[1].End, "dress") || !stepIn(m.Stops[1].End, "dress-chamber") {
		t.Error("when forced, every entered canal and the chamber are dressed")
	}
	in := lowerMolar()
	in.Conditions = []string{PartlyStops}
	forced, _ := compiled(t, in)
	if !forced.Stops[1].Allowed || !forced.Stages[1].StopAfterCanal {
		t.Error("a clinician who allows it gets no stop between canals")
	}
	vital, _ := compiled(t, upperMolar())
	if !vital.Stops[1].Allowed {
		t.Error("a vital pulpotomy is a sound stop")
	}
}

func TestAToothOpenedElsewhereIsNotOpenedAgain(t *testing.T) {
	in := lowerMolar()
	in.Diagnosis, in.Conditions = "previously-initiated", []string{Opened}
	m, _ := compiled(t, in)
	if stepIn(m.Stages[0].Work, "access") || !stepIn(m.Stages[0].Work, "remove-temporary") || !stepIn(m.Stages[0].Work, "remove-dressing") {
		t.Errorf("%+v", m.Stages[0].Work)
	}
}

func TestIrrigantContactOverlapsShapingAndIsSharedBetweenPortions(t *testing.T) {
	m, _ := compiled(t, lowerMolar())
	w := m.Stages[1].Work
	if w.Contact <= 0 || !slices.Contains(w.Overlaps, "shape") {
		t.Errorf("%+v", w)
	}
	in := lowerMolar()
	in.Conditions = []string{PartlyStops}
	part, _ := compiled(t, in)
	if got := part.Stages[1].Work.Contact; got*3 != w.Contact {
		t.Errorf("a portion of one of three canals keeps %g of %g minutes", got, w.Contact)
	}
}

func TestWithoutAMicroscopeAFurtherCanalIsFoundLessOften(t *testing.T) {
	c := catalogue(t)
	off, err := c.With(Overrides{Off: []string{"microscope"}})
	if err != nil {
		t.Fatal(err)
	}
	with, _ := compiled(t, lowerMolar())
	without, _, err := off.Compile(lowerMolar())
	if err != nil {
		t.Fatal(err)
	}
	for i := range with.Stages {
		if without.Stages[i].Discovery >= with.Stages[i].Discovery {
			t.Errorf("stage %s: %g with, %g without", with.Stages[i].ID, with.Stages[i].Discovery, without.Stages[i].Discovery)
		}
	}
	if stepIn(without.Start, "microscope") {
		t.Error("a microscope that is not used is still set")
	}
}

func TestAPracticesOwnIrrigationSequenceTakesThePlaceOfTheShippedOne(t *testing.T) {
	c, err := catalogue(t).With(Overrides{Sequences: map[string][]OwnStep{"irrigation": {
		{ID: "long-soak", Name: "long soak", Median: 4}, {ID: "last-rinse", Name: "last rinse", Median: 1}}}})
	if err != nil {
		t.Fatal(err)
	}
	m, tr, err := c.Compile(lowerMolar())
	if err != nil {
		t.Fatal(err)
	}
	soaks := 0
	for _, s := range m.Stages {
		if stepIn(s.Work, "activate") || stepIn(s.Work, "chelate") {
			t.Errorf("stage %s still holds the shipped sequence", s.ID)
		}
		if stepIn(s.Work, "long-soak") {
			soaks++
		}
	}
	if soaks != 1 {
		t.Errorf("the own sequence stands in %d stages", soaks)
	}
	if l, ok := tr.Find("stages/shape/work/per_canal/long-soak/medians/MB"); !ok || l.Base.Mark.Flag() != "local" {
		t.Errorf("%+v", l)
	}
}

func TestASecondToothOfTheSameVisitDoesNotOpenTheVisitAgain(t *testing.T) {
	in := lowerMolar()
	in.SharesVisit = true
	m, _ := compiled(t, in)
	if stepIn(m.Start, "identify") || stepIn(m.Start, "onset-block") || !stepIn(m.Start, "dam") || !stepIn(m.Start, "anaesthetise") {
		t.Errorf("%+v", m.Start.Once)
	}
}

// numbers walks a model's JSON and yields every number under the path that the
// trace uses.
func numbers(at string, node any, names []string, yield func(path string, v float64)) {
	join := func(k string) string { return strings.TrimPrefix(at+"/"+k, "/") }
	switch n := node.(type) {
	case float64:
		yield(at, n)
	case map[string]any:
		for k, v := range n {
			numbers(join(k), v, names, yield)
		}
	case []any:
		for i, v := range n {
			key := fmt.Sprint(i)
			if m, ok := v.(map[string]any); ok {
				key = fmt.Sprint(m["id"])
			}
			if strings.HasSuffix(at, "/medians") {
				key = names[i]
			}
			numbers(join(key), v, names, yield)
		}
	}
}

func TestTheTraceSaysForEveryNumberOfTheModelWhereItCameFrom(t *testing.T) {
	for _, in := range []CaseInput{lowerMolar(), upperMolar()} {
		m, tr := compiled(t, in)
		b, err := json.Marshal(m)
		if err != nil {
			t.Fatal(err)
		}
		var tree any
		if err := json.Unmarshal(b, &tree); err != nil {
			t.Fatal(err)
		}
		seen := 0
		numbers("", tree, in.Canals.Names, func(path string, v float64) {
			if v == 0 { // no search, no contact, no limit: nothing to explain
				return
			}
			seen++
			l, ok := tr.Find(path)
			if !ok {
				t.Errorf("%s = %g has no line", path, v)
				return
			}
			if l.Value != v {
				t.Errorf("%s is %g, the trace says %g", path, v, l.Value)
			}
			if err := l.Base.Mark.Validate(); err != nil {
				t.Errorf("%s: %v", path, err)
			}
			product := l.Base.Value
			for _, a := range l.Times {
				product *= a.Figure.Value
			}
			if l.Note == "" && product != v {
				t.Errorf("%s: base and factors give %g, not %g", path, product, v)
			}
		})
		if seen < 100 {
			t.Errorf("only %d numbers seen", seen)
		}
	}
}

func TestACriterionThatWasNotAssessedIsNamedAndCountsAsMinimal(t *testing.T) {
	in := lowerMolar()
	in.Difficulty["root-form"] = Minimal
	minimal, _ := compiled(t, in)
	delete(in.Difficulty, "root-form")
	unknown, tr := compiled(t, in)
	if !reflect.DeepEqual(minimal, unknown) {
		t.Error("an unknown criterion changed minutes")
	}
	if !slices.Contains(tr.Unknown, "root-form") {
		t.Errorf("unknown: %v", tr.Unknown)
	}
}

func TestEveryProtocolCompilesForEveryDiagnosisItSuitsAndEveryTooth(t *testing.T) {
	c := catalogue(t)
	for _, p := range c.Protocols() {
		for _, d := range c.Diagnoses() {
			if !p.Suits(d.ID) {
				continue
			}
			for _, code := range tooth.All() {
				in := lowerMolar()
				in.Protocol, in.Diagnosis, in.Tooth = p.ID, d.ID, code
				m, _, err := c.Compile(in)
				if err != nil {
					t.Fatalf("%s %s %s: %v", p.ID, d.ID, code, err)
				}
				if len(m.Stops) != len(m.Stages)+1 || !slices.ContainsFunc(m.Stages, func(s visits.Stage) bool { return s.Locates }) {
					t.Fatalf("%s: %d stages, %d stops", p.ID, len(m.Stages), len(m.Stops))
				}
			}
		}
	}
}

func TestMediansNeverFallWhenACriterionGetsHarder(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		in := lowerMolar()
		levels := []Level{Minimal, Moderate, High}
		criterion := rapid.SampledFrom([]string{"arch-position", "crown-form", "root-form", "canal-appearance", "periodontal-condition"}).Draw(rt, "criterion")
		i := rapid.IntRange(0, 1).Draw(rt, "from")
		in.Tooth = rapid.SampledFrom(tooth.All()).Draw(rt, "tooth")
		in.Difficulty[criterion] = levels[i]
		easy, _, err := catalogue(t).Compile(in)
		if err != nil {
			rt.Fatal(err)
		}
		in.Difficulty[criterion] = levels[i+1]
		hard, _, err := catalogue(t).Compile(in)
		if err != nil {
			rt.Fatal(err)
		}
		for k := range easy.Stages {
			for j, s := range easy.Stages[k].Work.Once {
				if hard.Stages[k].Work.Once[j].Median < s.Median {
					rt.Fatalf("%s fell", s.ID)
				}
			}
			for j, s := range easy.Stages[k].Work.PerCanal {
				for n := range s.Medians {
					if hard.Stages[k].Work.PerCanal[j].Medians[n] < s.Medians[n] {
						rt.Fatalf("%s fell", s.ID)
					}
				}
			}
		}
	})
}

func TestAWrongCaseIsRefusedWithTheFieldAndWhatWouldBeRight(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*CaseInput)
		want   []string
	}{
		"unknown protocol":               {func(in *CaseInput) { in.Protocol = "whitening" }, []string{"protocol", "primary-treatment"}},
		"unknown diagnosis":              {func(in *CaseInput) { in.Diagnosis = "sore" }, []string{"diagnosis", "necrotic-lesion"}},
		"pulpotomy of a necrotic tooth":  {func(in *CaseInput) { in.Protocol = "vital-pulp" }, []string{"diagnosis", "vital-pulp", "reversible-pulpitis"}},
		"no tooth":                       {func(in *CaseInput) { in.Tooth = 0 }, []string{"tooth", "11 to 48"}},
		"a count that does not add up":   {func(in *CaseInput) { in.Canals.P = []float64{0, .5, .4, 0, 0} }, []string{"canals.p", "adds up"}},
		"a tooth without canals":         {func(in *CaseInput) { in.Canals.P = []float64{.1, .4, .5, 0, 0} }, []string{"canals.p[0]"}},
		"more expected than possible":    {func(in *CaseInput) { in.Canals.Expected = 5 }, []string{"canals.expected", "1 to 4"}},
		"too few names":                  {func(in *CaseInput) { in.Canals.Names = []string{"MB"} }, []string{"canals.names", "4"}},
		"a level that is not one":        {func(in *CaseInput) { in.Difficulty = map[string]Level{"root-form": "awful"} }, []string{"difficulty.root-form", "minimal, moderate or high"}},
		"a condition that cannot be set": {func(in *CaseInput) { in.Conditions = []string{"vital"} }, []string{"conditions", "crowned"}},
	} {
		t.Run(name, func(t *testing.T) {
			in := lowerMolar()
			c.change(&in)
			_, _, err := catalogue(t).Compile(in)
			var input *InputError
			if !errors.As(err, &input) {
				t.Fatalf("got %v", err)
			}
			for _, w := range c.want {
				if !strings.Contains(err.Error(), w) {
					t.Errorf("%q does not say %q", err, w)
				}
			}
		})
	}
}

func TestNarrowMesialCanalsSlowTheMesialCanalsAndNoOther(t *testing.T) {
	plain, _ := compiled(t, lowerMolar())
	in := lowerMolar()
	in.Conditions = []string{NarrowMesial}
	narrow, _ := compiled(t, in)
	for i, name := range in.Canals.Names {
		was := canalStepOf(t, plain.Stages[1].Work, "glide-path").Medians[i]
		is := canalStepOf(t, narrow.Stages[1].Work, "glide-path").Medians[i]
		if mesial := name[0] == 'M'; mesial != (is > was) {
			t.Errorf("%s: %.2f, was %.2f", name, is, was)
		}
	}
}

func TestAPulpalAndAnApicalTermGiveTheDiagnosisThatFiguresAreTabledBy(t *testing.T) {
	c := catalogue(t)
	for _, want := range []struct {
		pulpal, apical string
		open           bool
		id, protocol   string
	}{
		{"necrosis", "asymptomatic-apical-periodontitis", false, "necrotic-lesion", "primary-treatment"},
		{"necrosis", "", false, "necrotic", "primary-treatment"},
		{"necrosis", "acute-apical-abscess", false, "acute-abscess", "primary-treatment"},
		{"necrosis", "asymptomatic-apical-periodontitis", true, "immature-necrotic", "apical-plug"},
		{"symptomatic-irreversible-pulpitis", "symptomatic-apical-periodontitis", false, "irreversible-pulpitis", "primary-treatment"},
		{"necrotic-lesion", "", false, "necrotic-lesion", "primary-treatment"},
		{"replanted", "", false, "replanted", "replanted"},
		{"previously-treated", "asymptomatic-apical-periodontitis", false, "previously-treated-lesion", "retreatment"},
		{"reversible-pulpitis", "", true, "reversible-pulpitis", "vital-pulp"},
	} {
		d, err := c.Combine(want.pulpal, want.apical, want.open)
		if err != nil || d.ID != want.id || c.Suggest(d) != want.protocol {
			t.Errorf("%s, %s: %s, %s, %v", want.pulpal, want.apical, d.ID, c.Suggest(d), err)
		}
	}
	if _, err := c.Combine("tired", "", false); err == nil {
		t.Error("an unknown pulpal term passed")
	}
	for _, p := range c.PulpalDiagnoses() {
		for _, a := range c.ApicalDiagnoses() {
			d, err := c.Combine(p.ID, a.ID, false)
			if err != nil {
				t.Fatal(err)
			}
			proto, err := c.Protocol(c.Suggest(d))
			if err != nil || !proto.Suits(d.ID) {
				t.Errorf("%s, %s: %s does not suit %s", p.ID, a.ID, proto.ID, d.ID)
			}
		}
	}
}

func TestAPatientWhoWasHardToNumbNeedsATopUpMoreOften(t *testing.T) {
	usual, tr := compiled(t, upperMolar())
	if !slices.Contains(tr.Unknown, "anaesthesia-history") {
		t.Errorf("unknown: %v", tr.Unknown)
	}
	in := upperMolar()
	in.Difficulty["anaesthesia-history"] = High
	hard, _ := compiled(t, in)
	if a, b := usual.Stages[0].Work.Events[0], hard.Stages[0].Work.Events[0]; b.Probability <= a.Probability {
		t.Errorf("%+v, %+v", a, b)
	}
	// It changes a chance and no minutes: the study ties no time to it.
	for i, s := range usual.Stages[0].Work.Once {
		if hard.Stages[0].Work.Once[i] != s {
			t.Errorf("%s changed", s.ID)
		}
	}
}
