package chairside

import (
	"math"
	"testing"

	"github.com/visitwright/visitwright/planner/calibration"
	"github.com/visitwright/visitwright/planner/visits"
)

// paced is a first visit that shapes all canals and dresses, with every scaled
// minute multiplied.
func paced(p Plan, factor float64, upTo int) *story {
	s := new(story).begin()
	minute := 0.0
	did := func(m visits.Minutes, step, canal string) {
		d := m.Median * math.Exp(m.LogSD*m.LogSD/2)
		if m.Scaled {
			d *= factor
		}
		minute += d
		s.did(minute, step, canal)
	}
	for _, x := range p.Model.Start.Once {
		did(x.Minutes, x.ID, "")
	}
	for _, stage := range p.Model.Stages[:upTo] {
		for _, x := range stage.Work.Once {
			did(x.Minutes, x.ID, "")
		}
		for i, c := range []string{"MB", "ML", "D"} {
			for _, x := range stage.Work.PerCanal {
				did(visits.Minutes{Median: x.Medians[i], LogSD: x.LogSD, Scaled: x.Scaled}, x.ID, c)
			}
		}
	}
	for _, x := range p.Model.Stops[upTo].End.Once {
		did(x.Minutes, x.ID, "")
	}
	for i := range 3 {
		for _, x := range p.Model.Stops[upTo].End.PerCanal {
			minute += x.Medians[i] * math.Exp(x.LogSD*x.LogSD/2) * factor
		}
	}
	return s.at(minute, Mark{Kind: End, Closing: &Closing{Medicament: "calcium-hydroxide", Temporary: "double-seal"}})
}

func observed(t *testing.T, p Plan, s *story, applied float64) calibration.Visit {
	t.Helper()
	v, err := Read(p, s.marks)
	if err != nil {
		t.Fatal(err)
	}
	o, ok := p.Observe(v, "A", applied)
	if !ok {
		t.Fatalf("the visit tells nothing: %+v", v)
	}
	return o
}

func average(o calibration.Visit) float64 {
	sum, precision := 0.0, 0.0
	for _, f := range o.Finished {
		sum += f.LogRatio / f.LogVariance
		precision += 1 / f.LogVariance
	}
	return sum / precision
}

func TestAVisitThatTookItsMeanMinutesTimesAPaceIsObservedAtThatPace(t *testing.T) {
	p := lowerFirst(t, 2, 75)
	for _, factor := range []float64{0.7, 1, 1.5} {
		o := observed(t, p, paced(p, factor, 2), 0)
		// Means lie a little above medians: half the log variance of the sum.
		if got := average(o); math.Abs(got-math.Log(factor)) > 0.08 {
			t.Errorf("pace %v observed as %.3f", factor, math.Exp(got))
		}
		for i, f := range o.Finished {
			if math.Abs(f.LogRatio-math.Log(factor)) > 0.12 {
				t.Errorf("pace %v: piece %d observed as %.3f", factor, i+1, math.Exp(f.LogRatio))
			}
		}
		if len(o.Finished) != 4 || o.BrokenOff != nil {
			t.Errorf("opening, two portions and closing, got %+v", o)
		}
	}
	if a, b := average(observed(t, p, paced(p, 1, 2), 0)), average(observed(t, p, paced(p, 1, 2), 0.2)); math.Abs(b-a-0.2) > 1e-9 {
		t.Errorf("a plan already slowed by 0.2: %v, %v", a, b)
	}
}

func TestAStepBrokenOffCountsAsLongerThan(t *testing.T) {
	p := lowerFirst(t, 2, 75)
	s := molarOpened(1).at(31, Mark{Kind: StepBegun, Step: "glide-path", Canal: "MB"}).
		at(55, Mark{Kind: End, Closing: &Closing{Medicament: "calcium-hydroxide", Temporary: "double-seal", Forced: "the patient must stop"}})
	o := observed(t, p, s, 0)
	if o.BrokenOff == nil || len(o.Finished) != 2 {
		t.Fatalf("observed %+v", o)
	}
	if o.BrokenOff.LogRatio < math.Log(2) {
		t.Errorf("more than ten minutes of a short step are observed as a ratio above %.2f", math.Exp(o.BrokenOff.LogRatio))
	}
}

func TestAPlannedStopBreaksNothingOff(t *testing.T) {
	p := lowerFirst(t, 2, 75)
	if o := observed(t, p, paced(p, 1, 2), 0); o.BrokenOff != nil {
		t.Errorf("dressed as planned, and observed as broken off: %+v", o.BrokenOff)
	}
}

func TestMinutesOfTheLogReplaceThoseOfTheMarks(t *testing.T) {
	p := lowerFirst(t, 2, 75)
	s := paced(p, 1, 2)
	end := s.marks[len(s.marks)-1].At.Sub(nine).Minutes()
	s.at(end+60, Mark{Kind: LogEntry, Log: &Log{Minutes: 2 * end, Reason: "the tablet was forgotten"}})
	o := observed(t, p, s, 0)
	if len(o.Finished) != 1 || o.Finished[0].LogRatio < 0.6 {
		t.Errorf("twice the minutes: %+v", o)
	}
	v, _ := Read(p, s.marks)
	if v.Minutes() != 2*end || len(v.Logged) != 1 {
		t.Errorf("the visit lasted %v minutes in the log", v.Minutes())
	}
}

func TestTheToothsOwnPaceIsLearnedFromItsVisits(t *testing.T) {
	f := visits.Factor{CaseLogSD: 0.28, VisitLogSD: 0.1}
	one := calibration.Visit{Finished: []calibration.Timing{{LogRatio: 0.4, LogVariance: 0.04}}}
	mean, sd := CasePace(nil, f)
	if mean != 0 || math.Abs(sd-0.28) > 1e-12 {
		t.Errorf("nothing observed: %v, %v", mean, sd)
	}
	// One normal observation with variance 0.1^2 + 0.04, prior variance 0.28^2.
	w := 0.28 * 0.28 / (0.28*0.28 + 0.01 + 0.04)
	mean, sd = CasePace([]calibration.Visit{one}, f)
	if math.Abs(mean-w*0.4) > 1e-12 || math.Abs(sd-0.28*math.Sqrt(1-w)) > 1e-12 {
		t.Errorf("after one visit: %v, %v", mean, sd)
	}
}

func TestWhatWasEnteredTogetherIsObservedAsOnePiece(t *testing.T) {
	p := lowerFirst(t, 2, 75)
	s := new(story).begin().at(50, Mark{Kind: StageDone, Stage: "shape"}).at(62, Mark{Kind: End, Closing: &Closing{Medicament: "calcium-hydroxide", Temporary: "double-seal"}})
	v, err := Read(p, s.marks)
	if err != nil {
		t.Fatal(err)
	}
	if !v.StartShared || v.Start < 8 || v.Start > 25 || len(v.Portion) != 2 || !v.Portion[1].Shared || v.Portion[0].Minutes < 5 || v.Portion[1].Minutes < 5 {
		t.Errorf("50 minutes were divided as start %.1f and %+v", v.Start, v.Portion)
	}
	if total := v.Start + v.Portion[0].Minutes + v.Portion[1].Minutes; math.Abs(total-50) > 1e-6 {
		t.Errorf("50 minutes became %v", total)
	}
	if o := observed(t, p, s, 0); len(o.Finished) != 2 {
		t.Errorf("one piece and the closing, got %+v", o.Finished)
	}
}
