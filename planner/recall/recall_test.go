package recall

import (
	"strings"
	"testing"

	"pgregory.net/rapid"

	"github.com/visitwright/visitwright/planner/provenance"
)

func TestEveryCalendarSaysWhereItComesFrom(t *testing.T) {
	d, err := load()
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range []provenance.Mark{d.Tolerance.Mark, d.Index.Mark, d.Index.RuleMark} {
		if err := m.Validate(); err != nil {
			t.Error(err)
		}
	}
	for _, c := range d.Calendars {
		if err := c.Mark.Validate(); err != nil {
			t.Errorf("%s: %v", c.ID, err)
		}
		if c.Edition == "" || c.Name == "" {
			t.Errorf("%s: edition or name missing", c.ID)
		}
	}
}

// International Association of Dental Traumatology, 2020 edition, permanent
// teeth: most rows are recalled, not read; kind says which. Rows marked memory
// count as no outside check of the calendar, only of its copy here.
func TestTraumaCalendarsRowByRow(t *testing.T) {
	rows := []struct{ id, series, kind string }{
		{"infraction", "", "published"},
		{"enamel-fracture", "6 to 8 weeks, 1 year", "published"},
		{"enamel-dentine-fracture", "6 to 8 weeks, 1 year", "memory"},
		{"complicated-crown-fracture", "6 to 8 weeks, 3 months, 6 months, 1 year", "memory"},
		{"crown-root-fracture", "1 week, 6 to 8 weeks, 3 months, 6 months, 1 year, 2 years, 3 years, 4 years, 5 years", "memory"},
		{"root-fracture", "4 weeks, 6 to 8 weeks, 4 months, 6 months, 1 year, 2 years, 3 years, 4 years, 5 years", "memory"},
		{"alveolar-fracture", "4 weeks, 6 to 8 weeks, 4 months, 6 months, 1 year, 2 years, 3 years, 4 years, 5 years", "memory"},
		{"concussion", "4 weeks, 1 year", "published"},
		{"subluxation", "2 weeks, 12 weeks, 6 months, 1 year", "published"},
		{"extrusion", "2 weeks, 4 weeks, 8 weeks, 12 weeks, 6 months, 1 year, 2 years, 3 years, 4 years, 5 years", "memory"},
		{"lateral-luxation", "2 weeks, 4 weeks, 8 weeks, 12 weeks, 6 months, 1 year, 2 years, 3 years, 4 years, 5 years", "memory"},
		{"intrusion", "2 weeks, 4 weeks, 8 weeks, 12 weeks, 6 months, 1 year, 2 years, 3 years, 4 years, 5 years", "memory"},
		{"avulsion-closed", "2 weeks, 4 weeks, 3 months, 6 months, 1 year, 2 years, 3 years, 4 years, 5 years", "memory"},
		{"avulsion-open", "2 weeks, 1 month, 2 months, 3 months, 6 months, 1 year, 2 years, 3 years, 4 years, 5 years", "memory"},
	}
	for _, row := range rows {
		c, err := Find("trauma-" + row.id)
		if err != nil {
			t.Fatal(err)
		}
		reviews, err := c.Reviews()
		if err != nil {
			t.Fatal(err)
		}
		var labels []string
		for _, r := range reviews {
			labels = append(labels, r.Label)
		}
		if got := strings.Join(labels, ", "); got != row.series {
			t.Errorf("%s: %s, want %s", row.id, got, row.series)
		}
		if string(c.Mark.Kind) != row.kind || c.Anchor != Injury {
			t.Errorf("%s: mark %s anchor %s, want %s from the injury", row.id, c.Mark.Kind, c.Anchor, row.kind)
		}
	}
}

func TestReviewsOfASeriesDoNotOverlapOrRunBackwards(t *testing.T) {
	all, err := Calendars()
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range all {
		reviews, err := c.Reviews()
		if err != nil {
			t.Fatal(err)
		}
		for i, r := range reviews {
			if r.Target.Before(r.Earliest) || r.Latest.Before(r.Target) {
				t.Errorf("%s, %s: target outside its bounds", c.ID, r.Label)
			}
			if i > 0 && !reviews[i-1].Target.Before(r.Target) {
				t.Errorf("%s: %s does not follow %s", c.ID, r.Label, reviews[i-1].Label)
			}
		}
	}
}

func judged(t *testing.T, f Finding) Judgement {
	t.Helper()
	j, err := Judge(f)
	if err != nil {
		t.Fatal(err)
	}
	return j
}

// Published rule: Olcay 2019, Odontology.
func TestOutcomeFollowsThePublishedRule(t *testing.T) {
	for _, row := range []struct {
		f             Finding
		want          Outcome
		strict, loose bool
	}{
		{Finding{IndexBefore: 4, IndexNow: 2}, Healed, true, true},
		{Finding{IndexBefore: 5, IndexNow: 3}, Healing, false, true},
		{Finding{IndexBefore: 4, IndexNow: 4}, NotHealed, false, false},
		{Finding{IndexBefore: 3, IndexNow: 4}, NotHealed, false, false},
		{Finding{IndexBefore: 4, IndexNow: 1, SinusTract: true}, NotHealed, false, false},
		{Finding{IndexBefore: 4, IndexNow: 0}, Unread, false, false},
		{Finding{IndexBefore: 0, IndexNow: 3}, NotHealed, false, false},
	} {
		j := judged(t, row.f)
		if j.Outcome != row.want || j.Strict != row.strict || j.Loose != row.loose {
			t.Errorf("%+v: %s strict %v loose %v", row.f, j.Outcome, j.Strict, j.Loose)
		}
	}
	for _, bad := range []int{-1, 6} {
		if _, err := Judge(Finding{IndexNow: bad}); err == nil || !strings.Contains(err.Error(), "index_now") {
			t.Errorf("index %d: %v", bad, err)
		}
	}
}

func TestHealedAtSixMonthsIsStillSeenAtTwelve(t *testing.T) {
	c, _ := Find("root-filling")
	healed := judged(t, Finding{IndexBefore: 4, IndexNow: 1})
	step, err := Next(c, []Held{{Review: 0, Judgement: healed}})
	if err != nil || step.Kind != ReviewDue || step.Review.Target != (Offset{Months: 12}) {
		t.Fatalf("%+v, %v", step, err)
	}
	step, _ = Next(c, []Held{{0, healed, false}, {1, healed, false}})
	if step.Kind != SeriesOver {
		t.Errorf("healed at twelve months: %s", step.Kind)
	}
}

func TestHealingGoesOnYearlyToADecisionAtFourYears(t *testing.T) {
	c, _ := Find("root-filling")
	healing := judged(t, Finding{IndexBefore: 5, IndexNow: 3})
	var held []Held
	for i, months := range []int{6, 12, 24, 36, 48} {
		step, err := Next(c, held)
		if err != nil || step.Kind != ReviewDue || step.Review.Target.Months != months {
			t.Fatalf("review %d: %+v, %v", i+1, step, err)
		}
		held = append(held, Held{Review: i, Judgement: healing})
	}
	step, _ := Next(c, held)
	if step.Kind != Decide {
		t.Errorf("healing at four years: %s", step.Kind)
	}
}

func TestNotHealedWithSymptomsIsReassessedAtOnce(t *testing.T) {
	c, _ := Find("root-filling")
	j := judged(t, Finding{IndexBefore: 3, IndexNow: 4, Symptoms: true})
	step, _ := Next(c, []Held{{0, j, true}})
	if step.Kind != Reassess {
		t.Errorf("%+v", step)
	}
}

func TestNoHistoryLeavesTheClinicianWithoutAStep(t *testing.T) {
	all, _ := Calendars()
	rapid.Check(t, func(t *rapid.T) {
		c := rapid.SampledFrom(all).Draw(t, "calendar")
		reviews, err := c.Reviews()
		if err != nil {
			t.Fatal(err)
		}
		n := rapid.IntRange(0, len(reviews)).Draw(t, "held")
		var held []Held
		for i := range n {
			f := Finding{IndexBefore: rapid.IntRange(0, 5).Draw(t, "before"), IndexNow: rapid.IntRange(0, 5).Draw(t, "now"), Symptoms: rapid.Bool().Draw(t, "pain")}
			j, err := Judge(f)
			if err != nil {
				t.Fatal(err)
			}
			held = append(held, Held{i, j, f.Symptoms})
		}
		step, err := Next(c, held)
		if err != nil || step.Kind == "" || step.Reason == "" {
			t.Fatalf("%+v, %v", step, err)
		}
		if step.Kind == ReviewDue && (step.Review == nil || step.Index != n) {
			t.Fatalf("%+v after %d reviews", step, n)
		}
	})
}
