package proposal

import (
	"math"
	"testing"

	"github.com/visitwright/visitwright/planner/protocol"
	"github.com/visitwright/visitwright/planner/visits"
)

func left(t *testing.T, change func(*Input)) Plan {
	t.Helper()
	in := demo(t)
	in.From = &From{State: visits.State{Stage: 2, Found: 3}, Stop: "shaped-and-dressed", Medicament: "calcium-hydroxide", Temporary: "double-seal"}
	if change != nil {
		change(&in)
	}
	p, err := Propose(in)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestWhatIsLeftOfAShapedToothIsOneShortVisitInsideTheDressingsWindow(t *testing.T) {
	whole, err := Propose(demo(t))
	if err != nil {
		t.Fatal(err)
	}
	p := left(t, nil)
	o, ok := p.Option("one-visit")
	if !ok || !o.Feasible || p.Recommended != "one-visit" || o.Title != "One more visit" {
		t.Fatalf("recommended %q, %+v", p.Recommended, o)
	}
	two, _ := whole.Option("two-visits")
	if o.Minutes.Mean() >= two.Minutes.Mean()*0.75 {
		t.Errorf("what is left takes %.0f minutes of %.0f", o.Minutes.Mean(), two.Minutes.Mean())
	}
	w := o.Visits[0].Window
	if w == nil || w.Earliest != 7 || o.Visits[0].From != "shaped-and-dressed" {
		t.Errorf("window %+v", w)
	}
	thin := left(t, func(in *Input) { in.From.Temporary, in.From.SealMM = "glass-ionomer", 1.5 })
	if tw := thin.Options[0].Visits[0].Window; tw.Latest >= w.Latest {
		t.Errorf("a thin seal lasts to day %d, a sound one to %d", tw.Latest, w.Latest)
	}
	if pain := left(t, func(in *Input) { in.From.Symptoms = true }); pain.Options[0].Visits[0].Window.Earliest != 0 {
		t.Error("a minimum holds back a patient in pain")
	}
}

func TestAFourthCanalInHandMakesWhatIsLeftLongerAndAGivenUpOneShorter(t *testing.T) {
	mean := func(p Plan) float64 { return p.Options[0].Minutes.Mean() }
	three := mean(left(t, nil))
	four := mean(left(t, func(in *Input) { in.From.State.Found = 4 }))
	given := mean(left(t, func(in *Input) { in.From.Canals = []CanalWork{{Rank: 0}} }))
	if four < three+3 || given > three-3 {
		t.Errorf("three canals %.1f minutes, four %.1f, one given up %.1f", three, four, given)
	}
}

func TestTheToothsOwnPaceMovesWhatIsLeftAndIsToldInTheTrace(t *testing.T) {
	slow := left(t, func(in *Input) {
		in.Pace = protocol.Pace{Visits: 12, LogSpeed: 0.1, Spread: 0.3, Of: "this clinician", CaseVisits: 1, CaseLogSpeed: 0.2, CaseLogSD: 0.15}
	})
	usual := left(t, nil)
	if r := slow.Options[0].Minutes.Mean() / usual.Options[0].Minutes.Mean(); r < 1.15 || r > 1.4 {
		t.Errorf("a pace of exp(0.3) moves the mean by %.3f", r)
	}
	told := 0
	for _, l := range slow.Trace.Lines {
		for _, x := range l.Times {
			if x.Figure.Path == "calibration" {
				told++
			}
		}
	}
	if told == 0 {
		t.Error("the trace does not tell of the calibration")
	}
	m := slow.Options[0].Model
	if m.Factor.CaseLogSD != 0.15 || math.Abs(m.Factor.VisitLogSD-0.1*0.3/math.Hypot(0.28, 0.1)) > 1e-12 {
		t.Errorf("spread %+v", m.Factor)
	}
}
