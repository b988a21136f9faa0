package protocol

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"pgregory.net/rapid"

	"github.com/visitwright/visitwright/planner/provenance"
)

func catalogue(t testing.TB) *Catalogue {
	t.Helper()
	c, err := Shipped()
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// copyOf gives the embedded files as a changeable file system.
func copyOf(t *testing.T) fstest.MapFS {
	t.Helper()
	m := fstest.MapFS{}
	err := fs.WalkDir(files, ".", func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := fs.ReadFile(files, p)
		m[p] = &fstest.MapFile{Data: b}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func TestEveryShippedFigureHasAProvenanceAndNoneIsInvented(t *testing.T) {
	all := catalogue(t).Figures()
	if len(all) < 300 {
		t.Fatalf("%d figures: the walk missed some", len(all))
	}
	for _, f := range all {
		if err := f.Mark.Validate(); err != nil {
			t.Errorf("%s: %v", f.Path, err)
		}
		if f.Mark.Kind == provenance.Invented || f.Mark.Kind == provenance.Local {
			t.Errorf("%s is %s: demo and local figures do not ship", f.Path, f.Mark.Kind)
		}
	}
}

func TestANumberWithoutProvenanceIsRefusedWhereverItStands(t *testing.T) {
	for name, change := range map[string]struct{ file, old, new string }{
		"a bare number in place of a figure": {"data/steps.json", `{"v": 2.5, "src": "rotary"}`, `2.5`},
		"a figure without a source":          {"data/steps.json", `{"v": 2.5, "src": "rotary"}`, `{"v": 2.5}`},
		"a source that is not listed":        {"data/factors.json", `"src": "pace-fit"`, `"src": "somewhere"`},
		"a bare number in a protocol":        {"data/protocols/review.json", `"kind": "visit"`, `"kind": "visit", "weeks": 6`},
		"a mark without a reason":            {"data/marks.json", `"kind": "practice", "source": "usual chairside`, `"kind": "practice", "source": "", "x": "usual chairside`},
	} {
		t.Run(name, func(t *testing.T) {
			m := copyOf(t)
			was := string(m[change.file].Data)
			now := strings.Replace(was, change.old, change.new, 1)
			if was == now {
				t.Fatalf("%q does not stand in %s", change.old, change.file)
			}
			m[change.file] = &fstest.MapFile{Data: []byte(now)}
			if _, err := load(m); err == nil {
				t.Fatal("the catalogue loaded")
			}
		})
	}
}

func TestABrokenReferenceInTheDataIsNoticedOnLoading(t *testing.T) {
	for name, change := range map[string]struct{ file, old, new string }{
		"a step nobody defines":    {"data/protocols/review.json", `"review-tests"`, `"revue"`},
		"a stop nobody defines":    {"data/protocols/review.json", `"answered"`, `"replied"`},
		"a condition nobody sets":  {"data/protocols/primary-treatment.json", `"crowned"`, `"crwoned"`},
		"a factor nobody sized":    {"data/steps.json", `"factors": ["arch-position", "periodontal-condition"]`, `"factors": ["gag-reflex"]`},
		"a diagnosis nobody lists": {"data/protocols/retreatment.json", `"previously-treated"`, `"treated"`},
		"no usual dressing":        {"data/materials.json", `"usual": true`, `"usual": false`},
		"an alert against it":      {"data/materials.json", `"usual": true, "alerts": []`, `"usual": true, "alerts": ["latex"]`},
	} {
		t.Run(name, func(t *testing.T) {
			m := copyOf(t)
			was := string(m[change.file].Data)
			now := strings.Replace(was, change.old, change.new, 1)
			if was == now {
				t.Fatalf("%q does not stand in %s", change.old, change.file)
			}
			m[change.file] = &fstest.MapFile{Data: []byte(now)}
			if _, err := load(m); err == nil {
				t.Fatal("the catalogue loaded")
			}
		})
	}
}

func TestEveryKindOfVisitThatAPracticeKnowsIsThere(t *testing.T) {
	want := []string{"apexification", "apical-plug", "build-up", "consultation", "core", "emergency-relief", "investigate", "primary-treatment", "re-dress", "regenerative", "replanted", "retreatment", "review", "temporary-repair", "vital-pulp"}
	var got []string
	for _, p := range catalogue(t).Protocols() {
		got = append(got, p.ID)
		if p.Name == "" || len(p.SetOut) == 0 || len(p.Cautions) == 0 {
			t.Errorf("%s: the visit sheet needs a name, what to set out, and cautions", p.ID)
		}
	}
	if !slices.Equal(got, want) {
		t.Errorf("got %v", got)
	}
}

func TestEveryVisitForWhichHypochloriteIsSetOutCautionsAboutIt(t *testing.T) {
	for _, p := range catalogue(t).Protocols() {
		setOut := slices.ContainsFunc(p.SetOut, func(l SetLine) bool { return strings.Contains(strings.ToLower(l.What), "hypochlorite") })
		cautioned := slices.ContainsFunc(p.Cautions, func(text string) bool {
			return strings.Contains(text, "Hypochlorite: dam on") && strings.Contains(text, "chlorhexidine")
		})
		if setOut && !cautioned {
			t.Errorf("%s sets out hypochlorite and does not say how it is kept from doing harm", p.ID)
		}
	}
}

func TestEveryNameShownToPeopleIsThere(t *testing.T) {
	c := catalogue(t)
	for _, s := range c.Steps() {
		if s.Name == "" {
			t.Errorf("step %s has no name", s.ID)
		}
	}
	for _, e := range c.Events() {
		if e.Name == "" {
			t.Errorf("event %s has no name", e.ID)
		}
	}
	for _, s := range c.Stops() {
		if s.Name == "" || s.Rule == "" {
			t.Errorf("stop %s has no name or no rule", s.ID)
		}
	}
	for _, d := range c.Diagnoses() {
		if d.Name == "" || (d.Pulp != Vital && d.Pulp != Infected) {
			t.Errorf("diagnosis %s has no name or no pulp state", d.ID)
		}
	}
	for _, m := range c.Medicaments() {
		if m.Name == "" {
			t.Errorf("medicament %s has no name", m.ID)
		}
	}
}

func TestDressingAndTemporaryDaysNeverRunBackwards(t *testing.T) {
	if err := catalogue(t).checkOrder(); err != nil {
		t.Error(err)
	}
}

func TestAPracticeReplacesAnyFigureByItsPathAndTheCatalogueItselfStays(t *testing.T) {
	c := catalogue(t)
	own, err := c.With(Overrides{Figures: map[string]float64{"steps.shape.median": 4}})
	if err != nil {
		t.Fatal(err)
	}
	f, _ := own.Figure("steps.shape.median")
	if f.Value != 4 || f.Mark.Kind != provenance.Local {
		t.Errorf("own figure: %+v", f)
	}
	if f, _ := c.Figure("steps.shape.median"); f.Value == 4 {
		t.Error("the shipped catalogue was changed")
	}
}

func TestAWrongOverrideIsNamedAndToldWhatWouldBeRight(t *testing.T) {
	for name, c := range map[string]struct {
		o    Overrides
		want []string
	}{
		"negative minutes":            {Overrides{Figures: map[string]float64{"steps.shape.median": -1}}, []string{"steps.shape.median", "0 to 240"}},
		"a chance above one":          {Overrides{Figures: map[string]float64{"diagnoses.necrotic.ready_first": 1.2}}, []string{"ready_first", "0 to 1"}},
		"a path that does not exist":  {Overrides{Figures: map[string]float64{"steps.polish.median": 1}}, []string{"steps.polish.median", "no figure"}},
		"a step that must stay":       {Overrides{Off: []string{"dam"}}, []string{"dam", "microscope"}},
		"an unknown step":             {Overrides{Off: []string{"polish"}}, []string{"polish"}},
		"a target past the latest":    {Overrides{Figures: map[string]float64{"materials.medicaments.calcium-hydroxide.uses.infected.target": 60}}, []string{"target", "most"}},
		"an unknown sequence":         {Overrides{Sequences: map[string][]OwnStep{"polishing": {{ID: "a", Name: "a"}}}}, []string{"polishing", "irrigation"}},
		"an empty sequence":           {Overrides{Sequences: map[string][]OwnStep{"irrigation": {}}}, []string{"irrigation", "1 to 12"}},
		"an own step without a name":  {Overrides{Sequences: map[string][]OwnStep{"irrigation": {{ID: "rinse", Median: 1}}}}, []string{"name"}},
		"an own step that clashes":    {Overrides{Sequences: map[string][]OwnStep{"irrigation": {{ID: "shape", Name: "x"}}}}, []string{"id", "shape"}},
		"own minutes beyond an hour":  {Overrides{Sequences: map[string][]OwnStep{"irrigation": {{ID: "rinse", Name: "x", Median: 61}}}}, []string{"median", "0 to 60"}},
		"a harder tooth made quicker": {Overrides{Figures: map[string]float64{"factors.difficulty.root-form.high": 0.5}}, []string{"root-form", "do not fall"}},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := catalogue(t).With(c.o)
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

func FuzzOverridesFromJSONNeverPanic(f *testing.F) {
	f.Add([]byte(`{"figures":{"steps.shape.median":3},"off":["microscope"],"sequences":{"irrigation":[{"id":"rinse","name":"own rinse","median":2}]}}`))
	f.Add([]byte(`{"figures":{"":-0}}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		var o Overrides
		if json.Unmarshal(b, &o) != nil {
			return
		}
		c, err := catalogue(t).With(o)
		if err == nil && c == nil {
			t.Error("neither a catalogue nor an error")
		}
	})
}

func TestAnyListedFigureCanBeOverriddenWithItsOwnValue(t *testing.T) {
	c := catalogue(t)
	all := c.Figures()
	rapid.Check(t, func(rt *rapid.T) {
		f := rapid.SampledFrom(all).Draw(rt, "figure")
		own, err := c.With(Overrides{Figures: map[string]float64{f.Path: f.Value}})
		if err != nil {
			rt.Fatal(err)
		}
		got, ok := own.Figure(f.Path)
		if !ok || fmt.Sprint(got.Value) != fmt.Sprint(f.Value) {
			rt.Fatalf("got %v", got)
		}
	})
}
