package window

import (
	"errors"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"github.com/visitwright/visitwright/planner/protocol"
)

func catalogue(t testing.TB) *protocol.Catalogue {
	t.Helper()
	c, err := protocol.Shipped()
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func infectedMolar() Input {
	return Input{Stop: "shaped-and-dressed", Diagnosis: "necrotic-lesion", Medicament: "calcium-hydroxide", Temporary: "double-seal"}
}

func computed(t testing.TB, in Input) Window {
	t.Helper()
	w, err := Compute(catalogue(t), in)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

func wantDays(t *testing.T, w Window, earliest, target, latest int) {
	t.Helper()
	if w.Earliest != earliest || w.Target != target || w.Latest != latest {
		t.Errorf("day %d, %d, %d; want %d, %d, %d (%+v)", w.Earliest, w.Target, w.Latest, earliest, target, latest, w.Bounds)
	}
}

// Sjogren 1991: seven days; about four weeks at most (memory).
func TestAnInfectedToothDressedWithCalciumHydroxideIsOfferedNoReturnBeforeTheSeventhDay(t *testing.T) {
	w := computed(t, infectedMolar())
	wantDays(t, w, 7, 14, 28)
	if w.Contains(6) || !w.Contains(7) || !w.Contains(28) || w.Contains(29) {
		t.Error("the window does not hold its own days")
	}
	if !strings.Contains(w.Exception, "at once") {
		t.Errorf("exception: %q", w.Exception)
	}
	if w.Opens.From != FromDressing || w.Closes.From != FromDressing {
		t.Errorf("opens %+v, closes %+v", w.Opens, w.Closes)
	}
}

func TestAMinimumNeverHoldsBackAPatientInPainOrSwelling(t *testing.T) {
	in := infectedMolar()
	in.Symptoms = true
	w := computed(t, in)
	wantDays(t, w, 0, 0, 28)
	if !strings.Contains(w.Waived, "pain") {
		t.Errorf("waived: %q", w.Waived)
	}
}

func TestAVitalToothStoppedForTimeMayBeFinishedNextDay(t *testing.T) {
	for _, stop := range []string{"vital-pulpotomy", "partly-treated-vital", "shaped-and-dressed"} {
		w := computed(t, Input{Stop: stop, Diagnosis: "irreversible-pulpitis", Medicament: "calcium-hydroxide", Temporary: "double-seal"})
		if w.Earliest > 1 {
			t.Errorf("%s: earliest day %d, %+v", stop, w.Earliest, w.Opens)
		}
	}
}

func TestAPartlyCleanedInfectedToothIsNotHeldBackForSevenDays(t *testing.T) {
	in := infectedMolar()
	in.Stop = "partly-treated-infected"
	w := computed(t, in)
	if w.Earliest != 1 || w.Latest != 14 {
		t.Errorf("day %d to %d", w.Earliest, w.Latest)
	}
}

func TestTheSealClosesTheWindowWhenItLastsShorterThanTheDressing(t *testing.T) {
	in := infectedMolar()
	in.Temporary = "premixed" // about two weeks alone
	w := computed(t, in)
	wantDays(t, w, 7, 14, 14)
	if w.Closes.From != FromTemporary {
		t.Errorf("closes: %+v", w.Closes)
	}
	in.SealMM = 2
	thin := computed(t, in)
	if thin.Latest != 7 || !strings.Contains(thin.Closes.Reason, "thinner") {
		t.Errorf("a seal of 2 mm: %d, %s", thin.Latest, thin.Closes.Reason)
	}
}

func TestBeforeAccessNoClockRuns(t *testing.T) {
	w := computed(t, Input{Stop: "before-access", Diagnosis: "necrotic-lesion"})
	if w.Needed || !w.Contains(400) {
		t.Errorf("%+v", w)
	}
}

func TestAToothDressedElsewhereBringsAClockThatAlreadyRuns(t *testing.T) {
	in := infectedMolar()
	in.Begun = &Begun{DaysAgo: 20}
	wantDays(t, computed(t, in), 0, 0, 8)
	in.Begun.DaysAgo = 40
	w := computed(t, in)
	if !w.Overdue {
		t.Error("40 days of calcium hydroxide are not called overdue")
	}
	if a, ok := w.After(0); !ok || a.ID != "re-dress" || !a.Longer {
		t.Errorf("%+v", a)
	}
	in.Begun.DaysAgo = 120
	w = computed(t, in)
	if a, ok := w.After(0); !ok || a.ID != "clean-again" {
		t.Errorf("after four months: %+v", a)
	}
}

func TestWhatIsNotKnownIsReadCautiously(t *testing.T) {
	unknown := infectedMolar()
	unknown.Medicament, unknown.Temporary = "", ""
	if w := computed(t, unknown); w.Latest > 14 {
		t.Errorf("unknown dressing: latest day %d", w.Latest)
	}
	unknown.Begun = &Begun{DaysAgo: -1}
	if w := computed(t, unknown); w.Latest > 7 || w.Earliest != 0 || w.Closes.From != FromIntake {
		t.Errorf("unknown day: %+v", w)
	}
}

func TestTenDaysCountOnlyFromTheEndOfACourseThePatientIsAlreadyTaking(t *testing.T) {
	in := infectedMolar()
	in.Prophylaxis = true
	wantDays(t, computed(t, in), 7, 14, 28) // no course: no general spacing
	ends := 3
	in.CourseEndsIn = &ends
	w := computed(t, in)
	wantDays(t, w, 13, 14, 28)
	if w.Opens.From != FromMedical {
		t.Errorf("%+v", w.Opens)
	}
	in.Prophylaxis = false
	wantDays(t, computed(t, in), 7, 14, 28)
}

func TestWhenNoDayIsLeftTheAnswerSaysWhyAndWhichBoundGivesWay(t *testing.T) {
	// IADT 2020 (memory): six weeks of corticosteroid-antibiotic paste; a premixed
	// temporary lasts about two.
	in := Input{Stop: "replanted-dressed", Diagnosis: "replanted", Medicament: "corticosteroid-antibiotic", Temporary: "premixed"}
	w := computed(t, in)
	if w.Conflict == nil || w.Conflict.Yields != FromTemporary || !strings.Contains(w.Conflict.Text, "lasts longer") {
		t.Fatalf("%+v", w.Conflict)
	}
	if w.Earliest != 42 || w.Latest < 42 {
		t.Errorf("day %d to %d", w.Earliest, w.Latest)
	}
	// A course that ends in 60 days pushes the medical minimum past the dressing.
	ends := 60
	in = infectedMolar()
	in.Prophylaxis, in.CourseEndsIn = true, &ends
	w = computed(t, in)
	if w.Conflict == nil || w.Conflict.Yields != FromMedical || !strings.Contains(w.Conflict.Text, "another class") {
		t.Fatalf("%+v", w.Conflict)
	}
	wantDays(t, w, 7, 14, 28)
}

func TestPastTheLatestDayThePlanChanges(t *testing.T) {
	in := infectedMolar()
	in.Temporary = "premixed"
	w := computed(t, in) // seal 14, dressing 28
	for day, want := range map[int]string{14: "", 15: "rebook", 21: "rebook", 25: "re-dress", 100: "clean-again"} {
		a, ok := w.After(day)
		if a.ID != want || ok != (want != "") {
			t.Errorf("day %d: %q, want %q (%+v)", day, a.ID, want, w.Past)
		}
	}
}

// Under the seal of a tooth that was only taken down lies no dressing to renew.
func TestPastTheLatestDayATakenDownToothHasItsSealChecked(t *testing.T) {
	w := computed(t, Input{Stop: "dismantled", Diagnosis: "previously-treated", Medicament: "calcium-hydroxide", Temporary: "double-seal"})
	for day, want := range map[int]string{28: "", 29: "check-seal", 100: "judge-again"} {
		a, ok := w.After(day)
		if a.ID != want || ok != (want != "") || strings.Contains(a.Text, "dressing") {
			t.Errorf("day %d: %+v, want %q", day, a, want)
		}
	}
}

func TestAnOpenApexKeepsCalciumHydroxideForAboutAMonthAtMost(t *testing.T) {
	w := computed(t, Input{Stop: "cleaned-open-apex", Diagnosis: "immature-necrotic", Medicament: "calcium-hydroxide", Temporary: "double-seal", OpenApex: true})
	if w.Latest != 30 {
		t.Errorf("latest day %d", w.Latest)
	}
}

func TestARegenerativeDressingStaysOneToFourWeeks(t *testing.T) {
	w := computed(t, Input{Stop: "cleaned-regenerative", Diagnosis: "immature-necrotic", Medicament: "antibiotic-paste", Temporary: "composite"})
	wantDays(t, w, 7, 21, 28) // AAE, PMC7595546: 1 to 4 weeks
}

func TestAFilledToothGetsItsCoreWithinTheLifeOfTheTemporary(t *testing.T) {
	w := computed(t, Input{Stop: "filled-without-core", Diagnosis: "necrotic", Medicament: "none", Temporary: "double-seal"})
	wantDays(t, w, 0, 7, 14)
}

func TestEveryBoundHasAReasonAndASource(t *testing.T) {
	c := catalogue(t)
	for _, s := range c.Stops() {
		for _, d := range c.Diagnoses() {
			for _, m := range c.Medicaments() {
				w, err := Compute(c, Input{Stop: s.ID, Diagnosis: d.ID, Medicament: m.ID, Temporary: "glass-ionomer"})
				if err != nil {
					var input *protocol.InputError
					if !errors.As(err, &input) || input.Field != "medicament" {
						t.Fatal(err)
					}
					continue
				}
				for _, b := range w.Bounds {
					if b.Reason == "" || b.Mark.Validate() != nil || (b.Side == Latest && b.Passing == "") {
						t.Errorf("%s %s %s: %+v", s.ID, d.ID, m.ID, b)
					}
				}
			}
		}
	}
}

func TestABadStateIsRefusedWithTheFieldAndWhatWouldBeRight(t *testing.T) {
	late := 91
	for name, c := range map[string]struct {
		change func(*Input)
		want   string
	}{
		"unknown stop":       {func(in *Input) { in.Stop = "lunch" }, "stop"},
		"unknown diagnosis":  {func(in *Input) { in.Diagnosis = "sore" }, "diagnosis"},
		"unknown medicament": {func(in *Input) { in.Medicament = "honey" }, "medicament"},
		"unknown temporary":  {func(in *Input) { in.Temporary = "gum" }, "temporary"},
		"negative thickness": {func(in *Input) { in.SealMM = -1 }, "seal_mm"},
		"negative days":      {func(in *Input) { in.Begun = &Begun{DaysAgo: -2} }, "begun.days_ago"},
		"a course of months": {func(in *Input) { in.CourseEndsIn = &late }, "course_ends_in"},
		"spacing upside down": {func(in *Input) {
			in.Spacing = []Spacing{{LeastDays: 9, MostDays: 3, Reason: "x"}}
		}, "spacing[0]"},
		"spacing without a reason": {func(in *Input) { in.Spacing = []Spacing{{LeastDays: 9}} }, "reason"},
		"paste not meant for this": {func(in *Input) { in.Medicament = "antibiotic-paste" }, "medicament"},
	} {
		t.Run(name, func(t *testing.T) {
			in := infectedMolar()
			c.change(&in)
			_, err := Compute(catalogue(t), in)
			var input *protocol.InputError
			if !errors.As(err, &input) || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %v", err)
			}
		})
	}
}

func anyInput(rt *rapid.T, c *protocol.Catalogue) Input {
	pick := func(name string, ids []string) string { return rapid.SampledFrom(ids).Draw(rt, name) }
	var stops, diagnoses, medicaments, temporaries []string
	for _, s := range c.Stops() {
		stops = append(stops, s.ID)
	}
	for _, s := range c.Diagnoses() {
		diagnoses = append(diagnoses, s.ID)
	}
	for _, s := range c.Medicaments() {
		medicaments = append(medicaments, s.ID)
	}
	for _, s := range c.Temporaries() {
		temporaries = append(temporaries, s.ID)
	}
	in := Input{Stop: pick("stop", stops), Diagnosis: pick("diagnosis", diagnoses), Medicament: pick("medicament", medicaments), Temporary: pick("temporary", temporaries),
		OpenApex: rapid.Bool().Draw(rt, "apex"), Symptoms: rapid.Bool().Draw(rt, "symptoms"), Prophylaxis: rapid.Bool().Draw(rt, "cover")}
	if rapid.Bool().Draw(rt, "begun") {
		in.Begun = &Begun{DaysAgo: rapid.IntRange(-1, 200).Draw(rt, "ago")}
	}
	if rapid.Bool().Draw(rt, "course") {
		n := rapid.IntRange(0, 90).Draw(rt, "ends")
		in.CourseEndsIn = &n
	}
	return in
}

func TestEarliestTargetAndLatestStandInOrderAndNeverBeforeToday(t *testing.T) {
	c := catalogue(t)
	rapid.Check(t, func(rt *rapid.T) {
		in := anyInput(rt, c)
		w, err := Compute(c, in)
		if err != nil || !w.Needed {
			return
		}
		if w.Earliest < 0 || w.Target < w.Earliest || w.Latest < w.Target {
			rt.Fatalf("%d, %d, %d: %+v", w.Earliest, w.Target, w.Latest, in)
		}
		if in.Symptoms && (w.Earliest != 0 || w.Target != 0) {
			rt.Fatalf("a patient in pain waits %d days, best %d", w.Earliest, w.Target)
		}
		if w.Conflict != nil && w.Conflict.Text == "" {
			rt.Fatal("an unexplained conflict")
		}
		for i := 1; i < len(w.Past); i++ {
			if w.Past[i].AfterDay <= w.Past[i-1].AfterDay {
				rt.Fatalf("actions out of order: %+v", w.Past)
			}
		}
	})
}

func TestADayThatPassesMovesTheWholeWindowByADay(t *testing.T) {
	c := catalogue(t)
	rapid.Check(t, func(rt *rapid.T) {
		in := infectedMolar()
		ago := rapid.IntRange(0, 5).Draw(rt, "ago")
		in.Begun = &Begun{DaysAgo: ago}
		w, err := Compute(c, in)
		if err != nil {
			rt.Fatal(err)
		}
		if w.Earliest != 7-ago || w.Target != 14-ago || w.Latest != 28-ago {
			rt.Fatalf("after %d days: %d, %d, %d", ago, w.Earliest, w.Target, w.Latest)
		}
	})
}

// A tooth that was left a day earlier, before an antibiotic course that ends a day
// sooner, has every bound a day sooner, but none before today.
func TestShiftingEveryDateShiftsTheWindow(t *testing.T) {
	c := catalogue(t)
	compared := 0
	rapid.Check(t, func(rt *rapid.T) {
		in := anyInput(rt, c)
		in.Begun = &Begun{DaysAgo: rapid.IntRange(0, 200).Draw(rt, "left")}
		if in.CourseEndsIn != nil && *in.CourseEndsIn == 0 {
			in.CourseEndsIn = nil // it has ended: a day later it is over too
		}
		later := in
		later.Begun = &Begun{DaysAgo: in.Begun.DaysAgo + 1}
		if in.CourseEndsIn != nil {
			n := *in.CourseEndsIn - 1
			later.CourseEndsIn = &n
		}
		w, err := Compute(c, in)
		if err != nil || !w.Needed {
			return
		}
		l, err := Compute(c, later)
		if err != nil {
			rt.Fatal(err)
		}
		if w.Conflict != nil || l.Conflict != nil {
			return // which bound gives way is another test's
		}
		compared++
		if l.Earliest != max(0, w.Earliest-1) || l.Target != max(0, w.Target-1) || l.Latest != max(0, w.Latest-1) {
			rt.Fatalf("%d, %d, %d became %d, %d, %d a day later: %+v", w.Earliest, w.Target, w.Latest, l.Earliest, l.Target, l.Latest, in)
		}
	})
	if compared == 0 {
		t.Error("no window was compared")
	}
}
