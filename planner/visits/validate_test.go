package visits

import (
	"errors"
	"math"
	"strings"
	"testing"
)

func TestAModelOutOfRangeIsRefusedWithTheFieldNamed(t *testing.T) {
	if err := Validate(lowerMolar()); err != nil {
		t.Fatal(err)
	}
	for field, spoil := range map[string]func(*Model){
		"canals.p":                            func(m *Model) { m.Canals.P = []float64{0} },
		"canals.p[0]":                         func(m *Model) { m.Canals.P = []float64{0.1, 0.9, 0, 0, 0} },
		"canals.p[2]":                         func(m *Model) { m.Canals.P = []float64{0, 0.5, math.NaN(), 0.5, 0} },
		"canals.expected":                     func(m *Model) { m.Canals.Expected = 5 },
		"canals.names":                        func(m *Model) { m.Canals.Names = m.Canals.Names[:2] },
		"factor.case_log_sd":                  func(m *Model) { m.Factor.CaseLogSD = -1 },
		"factor.visit_log_sd":                 func(m *Model) { m.Factor.VisitLogSD = 2 },
		"begin.stage":                         func(m *Model) { m.Begin.Stage = 4 },
		"begin.found":                         func(m *Model) { m.Begin = State{Stage: 1} },
		"begin.canal":                         func(m *Model) { m.Begin = State{Stage: 1, Canal: 3, Found: 3} },
		"stages":                              func(m *Model) { m.Stages = nil },
		"stops":                               func(m *Model) { m.Stops = m.Stops[1:] },
		"start.per_canal":                     func(m *Model) { m.Start.PerCanal = []CanalStep{{ID: "x", Medians: []float64{1, 1, 1, 1}}} },
		"start.once[1].median":                func(m *Model) { m.Start.Once[1].Median = -3 },
		"start.once[1].log_sd":                func(m *Model) { m.Start.Once[1].LogSD = math.Inf(1) },
		"start.once[1].id":                    func(m *Model) { m.Start.Once[1].ID = m.Start.Once[0].ID },
		"start.events[0].probability":         func(m *Model) { m.Start.Events[0].Probability = 1.2 },
		"start.events[0].per_canal":           func(m *Model) { m.Start.Events[0].PerCanal = true },
		"stages[1].locates":                   func(m *Model) { m.Stages[1].Locates = true },
		"stages[0].stop_after_canal":          func(m *Model) { m.Stages[0].StopAfterCanal = true },
		"stages[1].discovery":                 func(m *Model) { m.Stages[1].Discovery = 1.5 },
		"stages[1].work.per_canal[0].medians": func(m *Model) { m.Stages[1].Work.PerCanal[0].Medians = []float64{7} },
		"stages[2].gate.after_dress":          func(m *Model) { m.Stages[2].Gate.AfterDress = -0.1 },
		"stages[2].work.overlaps[0]":          func(m *Model) { m.Stages[2].Work.Overlaps = []string{"nothing"} },
		"stages[2].work.contact":              func(m *Model) { m.Stages[2].Work.Contact = -1 },
		"stages[2].work.events[0].bars_filling": func(m *Model) {
			m.Stages[2].Work.Events = []Event{{ID: "wet", Probability: 0.1, BarsFilling: true}}
		},
		"stops[1].end.events[0].bars_filling": func(m *Model) {
			m.Stops[1].End.Events = []Event{{ID: "wet", Probability: 0.1, BarsFilling: true}}
		},
		"cost.overrun": func(m *Model) { m.Cost.Overrun = -2 },
		"horizon":      func(m *Model) { m.Horizon = 1 },
		"cap":          func(m *Model) { m.Cap = 2000 },
		"grid.least":   func(m *Model) { m.Grid.Least = 0 },
		"grid.most":    func(m *Model) { m.Grid.Most = 10 },
		"grid.step":    func(m *Model) { m.Grid.Step = 7 },
		"bear.chance":  func(m *Model) { m.Bear = Bear{Minutes: 60, Chance: 2} },
		"clock":        func(m *Model) { m.Clock = "stopwatch" },
	} {
		m := lowerMolar()
		spoil(&m)
		err := Validate(m)
		var f *FieldError
		if !errors.As(err, &f) || f.Field != field {
			t.Errorf("%s: got %v", field, err)
		} else if !strings.Contains(err.Error(), "want") {
			t.Errorf("%s: %q does not say what would be right", field, err)
		}
		if _, err := Solve(m, Option{}); err == nil {
			t.Errorf("%s: was solved", field)
		}
	}
}

func TestAnOptionOutOfRangeIsRefused(t *testing.T) {
	m := lowerMolar()
	for field, o := range map[string]Option{
		"earliest_completion": {EarliestCompletion: 5},
		"booked_ahead":        {BookedAhead: -1},
		"lengths":             {Lengths: []int{60, 60}},
		"lengths[0]":          {Lengths: []int{-5}},
		"bear.chance":         {Bear: &Bear{Minutes: 60, Chance: -1}},
		"case_nodes":          {CaseNodes: 1000},
	} {
		_, err := Solve(m, o)
		var f *FieldError
		if !errors.As(err, &f) || f.Field != field {
			t.Errorf("%s: got %v", field, err)
		}
	}
}

func TestAnAppointmentThatHoldsNoWorkIsRefused(t *testing.T) {
	m := lowerMolar()
	if _, err := Solve(m, Option{Lengths: []int{25}}); !errors.Is(err, ErrTooShort) {
		t.Errorf("25 minutes for start, access and dressing of 41: got %v", err)
	}
	m.Grid = Grid{Least: 10, Most: 30, Step: 5}
	if _, err := Solve(m, Option{}); !errors.Is(err, ErrTooShort) {
		t.Errorf("a grid up to 30 minutes: got %v", err)
	}
	if _, err := Solve(lowerMolar(), Option{Bear: &Bear{Minutes: 40, Chance: 0.01}}); !errors.Is(err, ErrUnbearable) && !errors.Is(err, ErrTooShort) {
		t.Errorf("a patient who can bear 40 minutes: got %v", err)
	}
}

func TestAModelChangedInPlaceIsSolvedAnew(t *testing.T) {
	var s Solver
	m := lowerMolar()
	before, err := s.Distribution(m)
	if err != nil {
		t.Fatal(err)
	}
	m.Stages[0].Work.Once[0].Median += 10
	after, err := s.Distribution(m)
	if err != nil {
		t.Fatal(err)
	}
	if d := after.Minutes.Mean() - before.Minutes.Mean(); d < 10 {
		t.Errorf("ten minutes more of access lengthen the treatment by %v", d)
	}
}

func FuzzValidateNeverPanics(f *testing.F) {
	f.Add(0, 3.0, 1, 5)
	f.Add(3, -1.0, 0, 0)
	f.Add(9, math.Inf(1), 99, -7)
	f.Fuzz(func(t *testing.T, which int, x float64, a, b int) {
		m := lowerMolar()
		switch which % 8 {
		case 0:
			m.Canals.P[1] = x
		case 1:
			m.Begin = State{a, b, a}
		case 2:
			m.Grid = Grid{a, b, int(x)}
		case 3:
			m.Stages[1].Discovery = x
		case 4:
			m.Stops = m.Stops[:max(0, min(a, len(m.Stops)))]
		case 5:
			m.Horizon, m.Cap = a, b
		case 6:
			m.Factor = Factor{x, x}
		case 7:
			m.Canals.Expected = a
			m.Stages[1].Work.PerCanal[0].Medians = nil
		}
		if Validate(m) == nil {
			if _, err := Solve(m, coarse(1)); err != nil {
				t.Log(err) // refused for what it asks, not for what it is
			}
		}
	})
}
