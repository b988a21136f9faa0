package visits

import (
	"errors"
	"math"
	"reflect"
	"testing"
)

// without is the treatment with nothing left to choose, to fail or to wait for.
func without(m Model) Model {
	m = m.Clone()
	for i := range m.Stops {
		m.Stops[i].Allowed = false
	}
	for i := range m.Stages {
		if g := m.Stages[i].Gate; g != nil {
			g.FirstVisit, g.AfterDress = 1, 1
		}
		for j := range m.Stages[i].Work.Events {
			m.Stages[i].Work.Events[j].BarsFilling = false
		}
	}
	return m
}

func TestTheWayToTheEndTakesAsLongAsAVisitThatNeverStops(t *testing.T) {
	minutes := func(m float64) *float64 { return &m }
	second := Progress{Visit: 2, Length: 60, Begin: State{Stage: 2, Found: 3},
		Earlier: []Log{{Visit: 1, Done: []Piece{{Minutes: 25}, {Minutes: 16, Found: 3}, {Minutes: 9}, {Minutes: 12}, {Minutes: 8}}}},
		Done:    []Piece{{Minutes: 20}}, Running: minutes(4)}
	begun := inTheChair(19, 13, 9)
	begun.Running = minutes(6)
	late := inTheChair(19, 13)
	late.Running = minutes(400) // longer than anything foreseen
	for name, p := range map[string]Progress{
		"the opening runs":              {Visit: 1, Length: 110, Running: minutes(3)},
		"the opening is over":           {Visit: 1, Length: 110, Done: []Piece{{Minutes: 21}}},
		"at a stopping point":           inTheChair(19, 13),
		"a canal runs":                  begun,
		"a canal runs for ever":         late,
		"a second visit, a canal found": second,
	} {
		t.Run(name, func(t *testing.T) {
			m := lowerMolar()
			got, err := new(Solver).ToTheEnd(m, p)
			if err != nil {
				t.Fatal(err)
			}
			want := p
			want.Option, want.Table = Option{EarliestCompletion: 1}, []Entry{}
			a, err := FromHere(without(m), want)
			if err != nil {
				t.Fatal(err)
			}
			if gap := cdfGap(got, a.Minutes); gap > 1e-7 || math.Abs(got.Mass()-1) > 1e-9 {
				t.Errorf("off by %v, mass %v", gap, got.Mass())
			}
		})
	}
	t.Run("what barred filling does not count", func(t *testing.T) {
		p := inTheChair(19, 13, 9)
		free, err := new(Solver).ToTheEnd(lowerMolar(), p)
		if err != nil {
			t.Fatal(err)
		}
		p.Done[2].Barred = true
		barred, err := new(Solver).ToTheEnd(lowerMolar(), p)
		if err != nil {
			t.Fatal(err)
		}
		if gap := cdfGap(free, barred); gap != 0 {
			t.Errorf("off by %v", gap)
		}
	})
}

func TestTheWayToTheEndRefusesWhatDoesNotFit(t *testing.T) {
	s := new(Solver)
	for name, change := range map[string]func(*Model, *Progress){
		"factor.case_log_sd": func(m *Model, _ *Progress) { m.Factor.CaseLogSD = -1 },
		"visit":              func(_ *Model, p *Progress) { p.Visit = 9 },
		"begin":              func(_ *Model, p *Progress) { p.Begin = State{Stage: 3, Canal: 2} },
		"done[1].found":      func(_ *Model, p *Progress) { p.Done[1].Found = 7 },
		"done[0].minutes":    func(_ *Model, p *Progress) { p.Done[0].Minutes = math.NaN() },
		"earlier[0].begin": func(_ *Model, p *Progress) {
			p.Visit, p.Earlier = 2, []Log{{Visit: 1, Begin: State{Stage: 4}}}
		},
	} {
		m, p := lowerMolar(), inTheChair(19, 13)
		change(&m, &p)
		_, err := s.ToTheEnd(m, p)
		var wrong *FieldError
		if !errors.As(err, &wrong) || wrong.Field != name {
			t.Errorf("got %v, want %s refused", err, name)
		}
	}
}

func TestAPortionBarsFillingWhereAnEventOfItDoes(t *testing.T) {
	perCanal := lowerMolar() // the catch-up of a canal found while filling bars too
	whole := lowerMolar()
	whole.Stages[1].StopAfterCanal = false
	once := lowerMolar()
	for i := range once.Stages[1].Work.Events {
		once.Stages[1].Work.Events[i].PerCanal = false
	}
	for _, m := range []Model{perCanal, whole, once, without(perCanal)} {
		sp := newSpace(m)
		sp.enumerate()
		w := newWorkshop(m.Factor, m.Cap, nodeCounts{}, new(scratch))
		ks := w.kernelsOf(sp, nil)
		for x, s := range sp.states {
			for j, mv := range sp.moves[x] {
				if mv.prob > 0 && sp.mayBar(s, mv.found) != (ks.portions[x][j].barred != nil) {
					t.Errorf("from %+v finding %d: said to bar %v", s, mv.found, sp.mayBar(s, mv.found))
				}
			}
		}
	}
}

func TestWhatDoesNotLieAheadChangesNoAnswer(t *testing.T) {
	m := lowerMolar()
	plan, err := Solve(m, Option{EarliestCompletion: 1})
	if err != nil {
		t.Fatal(err)
	}
	again := Progress{Option: plan.Option, Visit: 3, Length: 60, Begin: State{1, 1, 3}, Done: []Piece{{Minutes: 12, Barred: true}, {Minutes: 9}}}
	for name, p := range map[string]Progress{
		"first visit": inTheChair(19, 13, 9), "a canal more": inTheChair(19, 13, 9, 11), "a third visit, filling barred": again,
	} {
		p.Lengths, p.Table = plan.Lengths, plan.Table
		few, err := new(Solver).FromHere(m, p)
		if err != nil {
			t.Fatal(err)
		}
		all, err := new(Solver).fromHere(m, p, everything)
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(few, all) {
			t.Errorf("%s: %+v\nwith every kernel %+v", name, few, all)
		}
	}
}
