package proposal

import (
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/visitwright/visitwright/planner/difficulty"
	"github.com/visitwright/visitwright/planner/visits"
)

// quick is a tooth that is solved fast: one canal, a coarse grid.
func quick(t testing.TB) Input {
	t.Helper()
	in := upperIncisor(t)
	in.Clinic.Grid = visits.Grid{Least: 20, Most: 120, Step: 20}
	return in
}

func option(t *testing.T, p Plan, id string) Option {
	t.Helper()
	o, ok := p.Option(id)
	if !ok {
		t.Fatalf("no option %s in %+v", id, p.Recommendation)
	}
	return o
}

func hasRule(o Option, rule string, s Strength) bool {
	return slices.ContainsFunc(o.Reasons, func(r Reason) bool { return r.Rule == rule && r.Strength == s && r.Mark.Validate() == nil })
}

// forbidding lists every rule that forbids, each with a case that meets it.
var forbidding = map[string]struct {
	sentence string
	change   func(*Input)
	all      bool
}{
	"cannot-dry":      {"a canal that will not dry is not filled today", func(in *Input) { in.Findings.Exudate = true }, false},
	"swelling":        {"a tooth with swelling on the day is not filled today", func(in *Input) { in.Findings.Swelling = true }, false},
	"acute-abscess":   {"an acute abscess is drained and dressed first", func(in *Input) { in.Diagnosis = "acute-abscess" }, false},
	"protocol-visits": {"a regenerative treatment is never done in one visit", func(in *Input) { in.Diagnosis, in.Protocol = "immature-necrotic", "regenerative" }, false},
	"not-restorable":  {"a tooth that cannot be restored is not treated", func(in *Input) { in.Findings.NotRestorable = true }, true},
}

func TestEveryForbiddingRuleForbids(t *testing.T) {
	for id, c := range forbidding {
		t.Run(c.sentence, func(t *testing.T) {
			without := proposed(t, quick(t))
			if hasRule(option(t, without, "one-visit"), id, Forbids) {
				t.Fatal("the rule speaks without its reason")
			}
			in := quick(t)
			c.change(&in)
			p := proposed(t, in)
			one := option(t, p, "one-visit")
			if !hasRule(one, id, Forbids) || one.Feasible || one.Because == "" || one.Strength != Forbids {
				t.Errorf("%+v", one)
			}
			if p.Recommended == "one-visit" {
				t.Error("what is forbidden is recommended")
			}
			if c.all != (p.Recommended == "") {
				t.Errorf("recommended: %q", p.Recommended)
			}
		})
	}
}

func TestFewRulesForbidAndEachOfThemHasACase(t *testing.T) {
	n := 0
	for _, r := range Rules() {
		if r.Strength != Forbids {
			continue
		}
		n++
		if _, ok := forbidding[r.ID]; !ok {
			t.Errorf("rule %s forbids and no test shows it", r.ID)
		}
	}
	if n != len(forbidding) || n > 6 {
		t.Errorf("%d rules forbid", n)
	}
}

func TestEveryProtocolThatAsksForADressingTimeForbidsOneVisit(t *testing.T) {
	for protocol, diagnosis := range map[string]string{"regenerative": "immature-necrotic", "apical-plug": "immature-necrotic", "apexification": "immature-necrotic", "replanted": "replanted"} {
		in := quick(t)
		in.Protocol, in.Diagnosis = protocol, diagnosis
		p := proposed(t, in)
		if o := option(t, p, "one-visit"); o.Strength != Forbids {
			t.Errorf("%s: one visit %s", protocol, o.Strength)
		}
		if p.Recommended == "" {
			t.Errorf("%s: nothing recommended: %s", protocol, p.Recommendation)
		}
	}
}

func TestRulesOtherThanForbiddingOnlySpeak(t *testing.T) {
	for name, c := range map[string]struct {
		change   func(*Input)
		option   string
		rule     string
		strength Strength
	}{
		"a vital tooth favours one visit":               {func(in *Input) { in.Diagnosis = "irreversible-pulpitis" }, "one-visit", "vital-one", Favours},
		"an infected tooth in pain advises against one": {func(in *Input) { in.Findings.Pain = true }, "one-visit", "symptomatic", AdvisesAgainst},
		"a mouth that opens 30 mm advises against one":  {func(in *Input) { in.Patient.OpeningMM = 30 }, "one-visit", "opening", AdvisesAgainst},
		"heart disease advises against one":             {func(in *Input) { in.Patient.Alerts = []string{"cardiac"} }, "one-visit", "cardiac", AdvisesAgainst},
		"antibiotic cover favours one":                  {func(in *Input) { in.Patient.Alerts = []string{"endocarditis-prophylaxis"} }, "one-visit", "prophylaxis-one", Favours},
		"an anticoagulant favours one":                  {func(in *Input) { in.Patient.Alerts = []string{"anticoagulant"} }, "one-visit", "anticoagulant-one", Favours},
		"a long journey favours one":                    {func(in *Input) { in.Findings.LongJourney = true }, "one-visit", "far", Favours},
		"pregnancy is worth knowing for several":        {func(in *Input) { in.Patient.Alerts = []string{"pregnancy"} }, "two-visits", "pregnancy-short", Neutral},
		"a lesion leaves one visit open":                {func(in *Input) { in.Diagnosis = "necrotic-lesion" }, "one-visit", "lesion-one", Neutral},
		"a lesion leaves two visits open":               {func(in *Input) { in.Diagnosis = "necrotic-lesion" }, "two-visits", "lesion-several", Neutral},
		"a sinus tract is worth a second look":          {func(in *Input) { in.Diagnosis = "chronic-abscess" }, "two-visits", "sinus-several", Neutral},
		"retreatment with a lesion advises against one": {func(in *Input) { in.Diagnosis = "previously-treated-lesion" }, "one-visit", "retreat-lesion", AdvisesAgainst},
		"a dressing that ran out elsewhere advises against one": {func(in *Input) {
			in.Diagnosis, in.Begun = "previously-initiated", &Begun{DaysAgo: 90, Dressing: "calcium-hydroxide", Temporary: "premixed", Stop: "shaped-and-dressed"}
		}, "one-visit", "overdue-dressing", AdvisesAgainst},
		"patients who must come back sometimes do not":         {func(in *Input) {}, "two-visits", "unfinished", Neutral},
		"a necrotic tooth without a lesion heals alike":        {func(in *Input) {}, "one-visit", "necrotic-equal", Neutral},
		"a restoration on the same day favours one visit":      {func(in *Input) { in.Findings.RestoreSameDay = true }, "one-visit", "post-today", Favours},
		"the first week after one visit may hurt more":         {func(in *Input) {}, "one-visit", "first-week", Neutral},
		"a necrotic tooth without a lesion heals alike in two": {func(in *Input) {}, "two-visits", "necrotic-equal-several", Neutral},
	} {
		t.Run(name, func(t *testing.T) {
			in := quick(t)
			c.change(&in)
			o := option(t, proposed(t, in), c.option)
			if !hasRule(o, c.rule, c.strength) {
				t.Errorf("reasons: %+v", o.Reasons)
			}
			if !o.Feasible {
				t.Error("a rule that does not forbid took the option away")
			}
		})
	}
}

// heard lists the rules that a test above, or another test, has heard speak.
func TestEveryRuleSpeaksInSomeTest(t *testing.T) {
	elsewhere := map[string]string{"partly": "TestVisitsTooShortForAnInfectedToothAreSaidToLeaveItPartlyCleaned", "lower-blocks": "TestTwoLowerBlocksOnBothSidesAreAdvisedAgainst"}
	source, err := os.ReadFile("rules_test.go")
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range Rules() {
		if _, ok := elsewhere[r.ID]; !ok && !strings.Contains(string(source), `"`+r.ID+`"`) {
			t.Errorf("no test hears rule %s", r.ID)
		}
	}
}

func TestVisitsTooShortForAnInfectedToothAreSaidToLeaveItPartlyCleaned(t *testing.T) {
	in := demo(t)
	in.Patient.Bear = visits.Bear{}
	in.Answers = easy(difficulty.Answers{"canal-appearance": "not-visible", "root-curvature": "over-30"})
	in.Clinic.Grid = visits.Grid{Least: 40, Most: 80, Step: 20} // no visit holds the whole cleaning of this tooth
	p := proposed(t, in)
	for _, o := range p.Options {
		if o.Feasible && !hasRule(o, "partly", AdvisesAgainst) && o.Model.Stages[1].StopAfterCanal {
			t.Errorf("%s stops between canals of an infected tooth and does not say so", o.ID)
		}
	}
	if !slices.ContainsFunc(p.Options, func(o Option) bool { return hasRule(o, "partly", AdvisesAgainst) }) {
		for _, o := range p.Options {
			t.Logf("%s: feasible %v, %s", o.ID, o.Feasible, o.Because)
		}
		t.Error("no option stops between canals")
	}
}

func TestWhatARuleAdvisesAgainstIsNotRecommendedWhileSomethingElseCanBeDone(t *testing.T) {
	in := quick(t)
	in.Findings.Pain = true
	p := proposed(t, in)
	if p.Recommended != "two-visits" {
		t.Errorf("recommended %s: %s", p.Recommended, p.Recommendation)
	}
	if !strings.Contains(p.Recommendation, "advised against") {
		t.Errorf("it does not say why: %s", p.Recommendation)
	}
}

func TestEveryReasonAndEveryFigureHasASource(t *testing.T) {
	tables, err := data()
	if err != nil {
		t.Fatal(err)
	}
	if err := tables.check(); err != nil {
		t.Error(err)
	}
	for _, r := range Rules() {
		if r.Text == "" || r.Mark().Validate() != nil {
			t.Errorf("%+v", r)
		}
	}
	broken := tables
	broken.rules = append(slices.Clone(tables.rules), Rule{ID: "x", When: []string{"always"}, About: "one", Strength: Neutral, Text: "x"})
	if broken.check() == nil {
		t.Error("a rule without a source passes")
	}
	broken = tables
	broken.limits = map[string]limit{"x": {Kind: "practice", Source: "y"}}
	if broken.check() == nil {
		t.Error("a limit without a figure passes")
	}
}
