package proposal

import (
	"encoding/json"
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/visitwright/visitwright/planner/anatomy"
	"github.com/visitwright/visitwright/planner/difficulty"
	"github.com/visitwright/visitwright/planner/protocol"
	"github.com/visitwright/visitwright/planner/visits"
	"github.com/visitwright/visitwright/planner/window"
)

func TestTheSameInputGivesTheSameBytes(t *testing.T) {
	var bytes [2]string
	for i := range bytes {
		p, err := Propose(quick(t))
		if err != nil {
			t.Fatal(err)
		}
		b, err := json.Marshal(p)
		if err != nil {
			t.Fatal(err)
		}
		bytes[i] = string(b)
	}
	if bytes[0] != bytes[1] {
		t.Error("two plans differ")
	}
}

func TestThePlanFileAloneIsEnoughToSolveTheOptionAgain(t *testing.T) {
	b, err := json.Marshal(proposed(t, demo(t)))
	if err != nil {
		t.Fatal(err)
	}
	var read Plan
	if err := json.Unmarshal(b, &read); err != nil {
		t.Fatal(err)
	}
	o := option(t, read, read.Recommended)
	if len(o.Result.Table) == 0 || len(o.Result.Visits) == 0 {
		t.Fatal("the table or the visits are missing")
	}
	again, err := visits.Solve(*o.Model, o.Result.Option)
	if err != nil {
		t.Fatal(err)
	}
	if again.CostMicro != o.Result.CostMicro || again.Visits[0].Length != o.Result.Visits[0].Length {
		t.Errorf("cost %d and length %d, the plan says %d and %d", again.CostMicro, again.Visits[0].Length, o.Result.CostMicro, o.Result.Visits[0].Length)
	}
}

func TestOddsOfCompletionRiseVisitByVisitAndEndAtOne(t *testing.T) {
	for _, in := range []Input{demo(t), retreatedLowerMolar(t)} {
		for _, o := range proposed(t, in).Options {
			last := 0.0
			for _, c := range o.Complete {
				if c.P < last-1e-12 || c.P > 1+1e-9 {
					t.Errorf("%s: %v", o.ID, o.Complete)
				}
				last = c.P
			}
			if o.Feasible && math.Abs(last+o.Unfinished-1) > 1e-9 {
				t.Errorf("%s: %g complete and %g unfinished", o.ID, last, o.Unfinished)
			}
		}
	}
}

func TestAnOptionOfTwoVisitsIsNeverCompleteAfterTheFirst(t *testing.T) {
	if o := option(t, proposed(t, demo(t)), "two-visits"); o.Complete[0].P != 0 {
		t.Errorf("%+v", o.Complete)
	}
}

func TestTheSecondVisitOfAnInfectedMolarIsOfferedFromTheSeventhDay(t *testing.T) {
	v := option(t, proposed(t, demo(t)), "two-visits").Visits[1]
	// Sjogren 1991: seven days.
	if v.Window == nil || v.Window.Earliest != 7 || v.Window.Latest != 28 || v.From != "shaped-and-dressed" {
		t.Errorf("%+v", v.Window)
	}
}

func TestEveryFurtherVisitHasAReturnWindow(t *testing.T) {
	for _, in := range []Input{demo(t), vitalUpperMolar(t), retreatedLowerMolar(t)} {
		for _, o := range proposed(t, in).Options {
			for _, v := range o.Visits {
				if v.Number > 1 && (v.Window == nil || !v.Window.Needed) {
					t.Errorf("%s visit %d has none", o.ID, v.Number)
				}
			}
		}
	}
}

func TestAFurtherCanalCostsMinutesAndTheLongerLengthsAreNamed(t *testing.T) {
	p := proposed(t, vitalUpperMolar(t))
	if len(p.Further) == 0 || p.Further[0].Name != "MB2" {
		t.Fatalf("%+v", p.Further)
	}
	f := p.Further[0]
	// 16 to 18 minutes a canal in Wong 2015 (derived); MB2 is slower than most.
	if f.Minutes < 10 || f.Minutes > 45 {
		t.Errorf("%.1f minutes", f.Minutes)
	}
	if len(f.Lengths) != 1 || !strings.Contains(f.Text, "instead of") {
		t.Errorf("%+v", f)
	}
}

func TestNoOddsAreEverCertain(t *testing.T) {
	for p, want := range map[float64]string{0: "fewer than 1 in 100", .004: "fewer than 1 in 100", .03: "3 in 100", .1: "1 in 10", .76: "8 in 10", .9: "9 in 10", .93: "19 in 20", .05: "1 in 20", .98: "98 in 100", .999: "more than 99 in 100", 1: "more than 99 in 100"} {
		if got := count(p); got != want {
			t.Errorf("%g: %q, want %q", p, got, want)
		}
	}
}

func TestNoScreenShowsTheWordsOfTheMathematics(t *testing.T) {
	files, err := filepath.Glob("testdata/*.txt")
	if err != nil || len(files) < 6 {
		t.Fatalf("%v, %v", files, err)
	}
	for _, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		for _, word := range []string{"theta", "shared factor", "posterior", "chain", "NaN", "%!", "fits"} {
			if strings.Contains(strings.ToLower(string(b)), strings.ToLower(word)) {
				t.Errorf("%s says %q", f, word)
			}
		}
	}
}

func TestAPatientWhoBearsLittleIsPlannedForShorterVisitsOrToldSo(t *testing.T) {
	in := quick(t)
	in.Patient.Bear = visits.Bear{Minutes: 30, Chance: .3}
	p := proposed(t, in)
	for _, o := range p.Options {
		for _, v := range o.Visits {
			if v.Number <= o.Earliest && v.Minutes.LongerThan(30) > .3+1e-9 {
				t.Errorf("%s visit %d is longer than 30 minutes in %.2f", o.ID, v.Number, v.Minutes.LongerThan(30))
			}
		}
		if !o.Feasible && o.Because == "" {
			t.Errorf("%s: no reason", o.ID)
		}
	}
	in.Patient.Bear.Minutes = 10
	for _, o := range proposed(t, in).Options {
		if o.Feasible || !strings.Contains(o.Because, "can bear 10 minutes") {
			t.Errorf("%s within 10 minutes: %q", o.ID, o.Because)
		}
	}
}

func TestAPatientWhoBearsLessNeverMakesAnOptionCheaper(t *testing.T) {
	last := 0.0
	for _, minutes := range []int{0, 60, 45, 40} {
		in := quick(t)
		in.Patient.Bear = visits.Bear{Minutes: minutes, Chance: .2}
		o := option(t, proposed(t, in), "two-visits")
		if !o.Feasible {
			break
		}
		if o.Cost < last-1e-6 {
			t.Errorf("limit %d: cost %.3f after %.3f", minutes, o.Cost, last)
		}
		last = o.Cost
	}
}

func TestARisingCostNeverMakesAPlanCheaper(t *testing.T) {
	base := option(t, proposed(t, quick(t)), "two-visits").Cost
	for name, raise := range map[string]func(*visits.Cost){
		"work":    func(c *visits.Cost) { c.Work *= 1.3 },
		"overrun": func(c *visits.Cost) { c.Overrun *= 1.3 },
		"idle":    func(c *visits.Cost) { c.Idle *= 1.3 },
		"visit":   func(c *visits.Cost) { c.Visit *= 1.3 },
		"unused":  func(c *visits.Cost) { c.Unused *= 1.3 },
	} {
		in := quick(t)
		raise(&in.Clinic.Cost)
		if o := option(t, proposed(t, in), "two-visits"); o.Cost < base-1e-6 {
			t.Errorf("%s dearer: %.3f after %.3f", name, o.Cost, base)
		}
	}
}

func TestAHarderToothTakesLonger(t *testing.T) {
	easyTooth := option(t, proposed(t, quick(t)), "one-visit").MeanMinutes
	in := quick(t)
	in.Answers = easy(difficulty.Answers{"canal-appearance": "not-visible", "root-curvature": "over-30"})
	p := proposed(t, in)
	if hard := option(t, p, "one-visit").MeanMinutes; hard < 1.2*easyTooth {
		t.Errorf("%.1f minutes, %.1f when easy", hard, easyTooth)
	}
	if !p.ConsiderReferral {
		t.Error("this clinician wants to see high cases flagged")
	}
	in.Clinic.Referral = difficulty.ReferNever
	if proposed(t, in).ConsiderReferral {
		t.Error("this clinician does not want to see it")
	}
}

func TestATreatmentBegunElsewhereStartsItsClockAtIntake(t *testing.T) {
	in := quick(t)
	in.Diagnosis = "previously-initiated"
	in.Begun = &Begun{DaysAgo: 20, Dressing: "calcium-hydroxide", Temporary: "double-seal", Stop: "shaped-and-dressed"}
	p := proposed(t, in)
	if p.Intake == nil || p.Intake.Latest != 8 {
		t.Fatalf("%+v", p.Intake)
	}
	in.Begun = &Begun{DaysAgo: -1, Stop: "unknown"}
	p = proposed(t, in)
	if p.Intake.Latest > 7 || !strings.Contains(p.Text(), "Begun elsewhere") {
		t.Errorf("%+v", p.Intake)
	}
	in.Begun = &Begun{DaysAgo: 200, Dressing: "calcium-hydroxide", Temporary: "premixed", Stop: "shaped-and-dressed"}
	if p = proposed(t, in); !p.Intake.Overdue || !strings.Contains(p.Text(), "contaminated") {
		t.Errorf("%+v", p.Cautions)
	}
}

func TestAnAlertChangesTheDressing(t *testing.T) {
	in := quick(t)
	in.Diagnosis = "irreversible-pulpitis" // usually a corticosteroid-antibiotic paste
	in.Patient.Alerts = []string{"paste-antibiotic"}
	p := proposed(t, in)
	sheet, err := VisitSheet([]Part{{Input: in, Plan: p, Visit: 1}})
	if err != nil {
		t.Fatal(err)
	}
	if sheet.Teeth[0].Dressing != "calcium hydroxide, if the visit stops before its aim" || !strings.Contains(p.Text(), "ruled out by an alert") {
		t.Errorf("dressing %q", sheet.Teeth[0].Dressing)
	}
}

func TestAPracticesOwnFiguresReachThePlanAndItsTrace(t *testing.T) {
	base := option(t, proposed(t, quick(t)), "one-visit").MeanMinutes
	in := quick(t)
	in.Clinic.Overrides = protocol.Overrides{Figures: map[string]float64{"steps.shape.median": 12}, Off: []string{"microscope"}}
	p := proposed(t, in)
	if got := option(t, p, "one-visit").MeanMinutes; got < base+5 {
		t.Errorf("%.1f minutes, %.1f before", got, base)
	}
	l, ok := p.Trace.Find("stages/shape/work/per_canal/shape/medians/main")
	if !ok || l.Base.Mark.Flag() != "local" {
		t.Errorf("%+v", l)
	}
}

func TestWhatCannotBePlannedIsRefusedWithTheFieldAndWhatWouldBeRight(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*Input)
		want   []string
	}{
		"evidence and no tooth": {func(in *Input) {
			in.Tooth, in.Protocol, in.Evidence = 0, "consultation", []anatomy.Evidence{{Sign: anatomy.FastBreak}}
		}, []string{"evidence", "the tooth"}},
		"no tooth":               {func(in *Input) { in.Tooth = 0 }, []string{"tooth", "11 to 48", "consultation"}},
		"a primary tooth's code": {func(in *Input) { in.Tooth = 55 }, []string{"tooth", "11 to 48"}},
		"unknown diagnosis":      {func(in *Input) { in.Diagnosis = "sore" }, []string{"diagnosis", "necrotic"}},
		"unknown protocol":       {func(in *Input) { in.Protocol = "polish" }, []string{"protocol", "primary-treatment"}},
		"weight of 700 kg":       {func(in *Input) { in.Patient.WeightKg = 700 }, []string{"weight_kg", "2 to 350"}},
		"weight below zero":      {func(in *Input) { in.Patient.WeightKg = -70 }, []string{"weight_kg", "2 to 350"}},
		"opening of a metre":     {func(in *Input) { in.Patient.OpeningMM = 1000 }, []string{"opening_mm", "5 to 80"}},
		"unknown alert":          {func(in *Input) { in.Patient.Alerts = []string{"vegan"} }, []string{"alerts[0]", "latex"}},
		"nine visits":            {func(in *Input) { in.MostVisits = 9 }, []string{"most_visits", "1 to 4"}},
		"six canals":             {func(in *Input) { in.ExpectedCanals = 6 }, []string{"expected_canals"}},
		"impossible count":       {func(in *Input) { in.Evidence = []anatomy.Evidence{{Sign: anatomy.CBCTCount, Count: 9}} }, []string{"canal"}},
		"an unknown answer":      {func(in *Input) { in.Answers["gag-reflex"] = "maybe" }, []string{"gag-reflex"}},
		"contradictory answer":   {func(in *Input) { in.Answers["arch-position"] = "first-molar" }, []string{"arch-position"}},
		"negative minutes": {func(in *Input) {
			in.Clinic.Overrides.Figures = map[string]float64{"steps.shape.median": -3}
		}, []string{"steps.shape.median", "0 to 240"}},
		"an unknown dressing":      {func(in *Input) { in.Clinic.Dressing = "honey" }, []string{"medicament", "calcium-hydroxide"}},
		"a grid that cannot be":    {func(in *Input) { in.Clinic.Grid.Step = 0 }, []string{"grid.step"}},
		"a dressed day in future":  {func(in *Input) { in.Begun = &Begun{DaysAgo: -5} }, []string{"begun.days_ago"}},
		"a condition that is none": {func(in *Input) { in.Conditions = []string{"pretty"} }, []string{"conditions", "caries"}},
		"spacing upside down": {func(in *Input) {
			in.Patient.Spacing = []window.Spacing{{LeastDays: 5, MostDays: 2, Reason: "x"}}
		}, []string{"spacing[0]"}},
	} {
		t.Run(name, func(t *testing.T) {
			in := quick(t)
			c.change(&in)
			_, err := Propose(in)
			if err == nil {
				t.Fatal("it was planned")
			}
			for _, w := range c.want {
				if !strings.Contains(err.Error(), w) {
					t.Errorf("%q does not say %q", err, w)
				}
			}
		})
	}
}

func FuzzAnInputFromJSONNeverPanics(f *testing.F) {
	f.Add([]byte(`{"tooth":"11","diagnosis":"necrotic","clinic":{"grid":{"least":20,"most":60,"step":20},"horizon":2,"cap":120}}`))
	f.Add([]byte(`{"tooth":"46","begun":{"days_ago":-1},"shape":"c-shaped"}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		var in Input
		if json.Unmarshal(b, &in) != nil {
			return
		}
		// Checking and compiling only: solving a strange model is slow, not unsafe.
		w, err := prepare(in)
		if err == nil && len(w.model.Stages) == 0 {
			t.Error("neither a model nor an error")
		}
	})
}

func TestErrorsNeverCarryMoreThanTheFieldAndItsValue(t *testing.T) {
	in := quick(t)
	in.Diagnosis = "sore"
	_, err := Propose(in)
	var input *protocol.InputError
	if !errors.As(err, &input) || input.Field != "diagnosis" {
		t.Errorf("%v", err)
	}
}

func BenchmarkThePlanOfTheDemoCase(b *testing.B) {
	in := demo(b)
	for b.Loop() {
		if _, err := Propose(in); err != nil {
			b.Fatal(err)
		}
	}
}

func TestBeforeTheToothIsIdentifiedAConsultationOrEmergencyReliefIsPlanned(t *testing.T) {
	in := quick(t)
	in.Tooth, in.Diagnosis, in.Answers = 0, "", nil
	p := proposed(t, in)
	if p.Protocol != "consultation" || p.Recommended == "" || p.ToothLabel != "tooth not yet identified" {
		t.Errorf("%s, %s, %s", p.Protocol, p.Recommended, p.ToothLabel)
	}
	// 10 minutes of examination, 4 of radiographs, 8 of explaining, at the pace of the calibration.
	if v := option(t, p, p.Recommended).Visits[0]; v.Length < 20 || v.Length > 40 || v.Window != nil {
		t.Errorf("%+v", v)
	}
	in.Protocol = "emergency-relief"
	p = proposed(t, in)
	s := sheet(t, Part{Input: in, Plan: p, Visit: 1})
	if len(s.Teeth[0].Canals) != 0 || !s.Emergency {
		t.Errorf("%+v", s.Teeth[0])
	}
	in.Protocol = "primary-treatment"
	if _, err := Propose(in); err == nil {
		t.Error("a treatment of no tooth was planned")
	}
}
