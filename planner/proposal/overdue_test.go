package proposal

import (
	"errors"
	"math"
	"testing"

	"github.com/visitwright/visitwright/planner/protocol"
	"github.com/visitwright/visitwright/planner/visits"
)

func overdue(t *testing.T, change func(*Input)) Plan {
	t.Helper()
	in := demo(t)
	in.Overdue = &Overdue{DaysAgo: 40, Action: ReDress, Stop: "shaped-and-dressed", Medicament: "calcium-hydroxide", Temporary: "double-seal"}
	if change != nil {
		change(&in)
	}
	p, err := Propose(in)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// Calcium hydroxide is renewed after 28 days (facts of the dressing): after 40
// the tooth is cleaned and dressed again, and filled in a visit of its own.
func TestAnOverdueToothIsCleanedAndDressedAgainBeforeItIsFilled(t *testing.T) {
	p := overdue(t, nil)
	if p.Recommended != "two-visits" {
		t.Fatalf("recommended %q: %s", p.Recommended, p.Recommendation)
	}
	two, _ := p.Option("two-visits")
	one, _ := p.Option("one-visit")
	if one.Strength != AdvisesAgainst || two.Title != "Two more visits" {
		t.Errorf("one more visit is %s, %q", one.Strength, two.Title)
	}
	if w := two.Visits[0].Window; w == nil || !w.Overdue {
		t.Errorf("window of the next visit %+v", w)
	}
	kept := left(t, nil)
	short, _ := kept.Option("one-visit")
	again := overdue(t, func(in *Input) { in.Overdue.DaysAgo, in.Overdue.Action = 100, CleanAgain })
	long, _ := again.Option("two-visits")
	if in, re, clean := short.Minutes.Mean(), two.Minutes.Mean(), long.Minutes.Mean(); re < 1.3*in || clean < re+5 || again.Recommended != "two-visits" {
		t.Errorf("in time %.0f minutes, dressed again %.0f, cleaned again %.0f", in, re, clean)
	}
	if a, b := two.Visits[1].Minutes.Mean(), short.Visits[0].Minutes.Mean(); math.Abs(a-b) > 0.1*b {
		t.Errorf("filling takes %.0f minutes, and %.0f in time", a, b)
	}
	found := false
	for _, c := range p.Cautions {
		found = found || c.ID == "clock-run-out"
	}
	if !found {
		t.Errorf("nobody says that the clock has run out: %+v", p.Cautions)
	}
}

func TestWhatTheChairRecordedCountsForAnOverdueTooth(t *testing.T) {
	byChair := overdue(t, func(in *Input) {
		in.From = &From{State: visits.State{Stage: 2, Found: 3}, Stop: "shaped-and-dressed", Medicament: "calcium-hydroxide", Temporary: "double-seal"}
		in.Overdue.Stop = ""
	})
	byHand := overdue(t, nil)
	a, _ := byChair.Option("two-visits")
	b, _ := byHand.Option("two-visits")
	if a.Visits[0].Length != b.Visits[0].Length || a.Cost != b.Cost {
		t.Errorf("%d and %d minutes", a.Visits[0].Length, b.Visits[0].Length)
	}
	given := overdue(t, func(in *Input) {
		in.From = &From{State: visits.State{Stage: 2, Found: 3}, Stop: "shaped-and-dressed", Canals: []CanalWork{{Rank: 1}}}
	})
	if g, _ := given.Option("two-visits"); g.Minutes.Mean() >= a.Minutes.Mean() {
		t.Error("a canal that was given up is worked on again")
	}
}

func TestAPartlyTreatedOverdueToothGoesOnWhereItWasLeft(t *testing.T) {
	p := overdue(t, func(in *Input) { in.Overdue.Stop, in.Overdue.Action = "partly-treated-infected", CleanAgain })
	if o, ok := p.Option(p.Recommended); !ok || !o.Feasible || o.ID != "two-visits" {
		t.Errorf("recommended %q", p.Recommended)
	}
}

func TestAnOverdueToothWithoutItsStateIsRefused(t *testing.T) {
	for field, o := range map[string]*Overdue{
		"overdue.action": {DaysAgo: 40, Action: "rebook", Stop: "shaped-and-dressed"}, "overdue.days_ago": {Action: ReDress, Stop: "shaped-and-dressed"},
		"overdue.stop": {DaysAgo: 40, Action: ReDress},
	} {
		in := demo(t)
		in.Overdue = o
		var bad *protocol.InputError
		if _, err := Propose(in); !errors.As(err, &bad) || bad.Field != field {
			t.Errorf("%s: %v", field, err)
		}
	}
}
