package visits

import (
	"errors"
	"math"
	"testing"
)

// inTheChair is a lower molar in its first visit: opening and access took as
// long as given, three canals were found.
func inTheChair(opening, access float64, portions ...float64) Progress {
	p := Progress{Option: Option{EarliestCompletion: 1}, Visit: 1, Length: 110,
		Done: []Piece{{Minutes: opening}, {Minutes: access, Found: 3}}}
	for _, m := range portions {
		p.Done = append(p.Done, Piece{Minutes: m})
	}
	return p
}

func fromHere(t *testing.T, m Model, p Progress) Answer {
	t.Helper()
	a, err := FromHere(m, p)
	if err != nil {
		t.Fatal(err)
	}
	if mass := a.Minutes.Mass(); math.Abs(mass-1) > 1e-9 {
		t.Errorf("minutes of the visit sum to %v", mass)
	}
	return a
}

func TestASlowStartLowersTheOddsToFinishToday(t *testing.T) {
	m := lowerMolar()
	last := 2.0
	lastPace := 0.0
	for _, c := range [][2]float64{{14, 9}, {19, 13}, {25, 18}, {32, 28}} {
		a := fromHere(t, m, inTheChair(c[0], c[1]))
		t.Logf("opening %v, access %v: pace %.3f, finish today %.3f, on time %.3f", c[0], c[1], a.Pace, a.FinishToday, a.OnTime)
		if a.FinishToday >= last {
			t.Errorf("%v and %v minutes: odds to finish %v, not below %v", c[0], c[1], a.FinishToday, last)
		}
		if a.Pace <= lastPace {
			t.Errorf("%v and %v minutes: pace %v, not above %v", c[0], c[1], a.Pace, lastPace)
		}
		last, lastPace = a.FinishToday, a.Pace
	}
}

func TestAsThePresentCanalDragsOnTheEndMovesAway(t *testing.T) {
	m := lowerMolar()
	p := inTheChair(19, 13, 9)
	lastMean := 0.0
	for _, run := range []float64{0, 5, 10, 20, 40} {
		p.Running = &run
		a := fromHere(t, m, p)
		if a.Minutes.Mean() < lastMean {
			t.Errorf("after %v minutes the visit is expected to last %v, less than before, %v", run, a.Minutes.Mean(), lastMean)
		}
		if a.Minutes.First < int(19+13+9+run) {
			t.Errorf("after %v minutes the visit may be over in %d", run, a.Minutes.First)
		}
		if a.Now != nil {
			t.Error("a choice is asked for in the middle of a canal")
		}
		lastMean = a.Minutes.Mean()
	}
}

func TestAtAStoppingPointTheChoiceFollowsTheClock(t *testing.T) {
	m := lowerMolar()
	m.Cost.Overrun = 4 // at 2 a minute it would pay to finish, however late
	p := inTheChair(19, 13, 9, 9)
	went := true
	for _, length := range []int{120, 100, 90, 80, 70, 60, 52} {
		p.Length = length
		a := fromHere(t, m, p)
		if a.Now == nil {
			t.Fatal("no choice at a stopping point")
		}
		if a.Now.GoOn && !went {
			t.Errorf("%d minutes booked: goes on, though not with more time", length)
		}
		if a.Now.GoOn != (a.Used <= a.Now.Latest) {
			t.Errorf("%d minutes booked: go on %v at minute %d, latest %d", length, a.Now.GoOn, a.Used, a.Now.Latest)
		}
		if a.Now.GoOn != (micro(a.Now.GoCost) <= micro(a.Now.StopCost)) {
			t.Errorf("the choice does not follow the cost: %+v", a.Now)
		}
		went = a.Now.GoOn
	}
	if went {
		t.Error("goes on with two minutes left")
	}
}

func TestStandingWhereThePlanBeganAgreesWithThePlan(t *testing.T) {
	// Before anything is known, the answer in the chair is the plan's first visit.
	m := lowerMolar()
	o := Option{EarliestCompletion: 1}
	plan, err := Solve(m, o)
	if err != nil {
		t.Fatal(err)
	}
	elapsed := 0.0
	p := Progress{Option: Option{EarliestCompletion: 1}, Visit: 1, Length: plan.Visits[0].Length, Running: &elapsed, Lengths: plan.Lengths, Table: plan.Table}
	a := fromHere(t, m, p)
	// The chair chooses its own thresholds, on more nodes than the plan did.
	near := func(what string, got, want float64) {
		t.Helper()
		if math.Abs(got-want) > 1e-3*math.Max(1, want) {
			t.Errorf("%s: in the chair %.6f, in the plan %.6f", what, got, want)
		}
	}
	near("finish in this visit", a.FinishToday, plan.Complete[0])
	near("on time", a.OnTime, plan.Visits[0].Quantile)
	if math.Abs(a.Overrun-plan.Visits[0].Overrun) > 0.05 {
		t.Errorf("overrun: in the chair %.4f minutes, in the plan %.4f", a.Overrun, plan.Visits[0].Overrun)
	}
	near("minutes", a.Minutes.Mean(), plan.Visits[0].Minutes.Mean())
	near("pace", a.Pace, 1)
}

func TestOddsToReachFallFromStopToStop(t *testing.T) {
	a := fromHere(t, lowerMolar(), inTheChair(19, 13))
	byStage := map[int]float64{}
	for _, pt := range a.Ahead {
		if pt.InTime > pt.Reach+1e-9 {
			t.Errorf("%+v is reached in time more often than at all", pt)
		}
		if pt.State.Canal == 0 {
			byStage[pt.State.Stage] += pt.Reach
		}
	}
	for s := 3; s <= 4; s++ {
		if byStage[s] > byStage[s-1]+1e-9 {
			t.Errorf("stage %d is reached with %v, the one before with %v", s, byStage[s], byStage[s-1])
		}
	}
	if math.Abs(byStage[2]-1) > 1e-6 {
		t.Errorf("shaping is finished with %v when nobody stops", byStage[2])
	}
	if a.Canals[3]+a.Canals[4] < 0.999 || a.Canals[4] >= 0.30/0.94 {
		t.Errorf("belief %v: after a search that found three a fourth must be less likely than before, and three or four certain", a.Canals)
	}
}

func TestAFourthCanalFoundLateIsKnownFromThenOn(t *testing.T) {
	m := lowerMolar()
	p := inTheChair(19, 13, 9)
	three := fromHere(t, m, p)
	p.Done[2].Found, p.Done[2].Minutes = 1, 18
	four := fromHere(t, m, p)
	if four.State != (State{Stage: 1, Canal: 1, Found: 4}) || four.Canals[4] != 1 {
		t.Errorf("state %+v, belief %v", four.State, four.Canals)
	}
	if four.FinishToday >= three.FinishToday || four.Minutes.Mean() <= three.Minutes.Mean()+8 {
		t.Errorf("a fourth canal: finish %v (three: %v), minutes %v (%v)", four.FinishToday, three.FinishToday, four.Minutes.Mean(), three.Minutes.Mean())
	}
}

func TestASlowFirstVisitMakesTheSecondLonger(t *testing.T) {
	m := lowerMolar()
	begin := State{Stage: 2, Found: 3}
	elapsed := 0.0
	second := func(scale float64) Answer {
		log := Log{Visit: 1, Done: []Piece{{Minutes: 19 * scale}, {Minutes: 13 * scale, Found: 3}, {Minutes: 9 * scale}, {Minutes: 9 * scale}, {Minutes: 8 * scale}}}
		return fromHere(t, m, Progress{Option: Option{EarliestCompletion: 2}, Visit: 2, Length: 70, Begin: begin, Earlier: []Log{log}, Running: &elapsed})
	}
	quick, slow := second(0.75), second(1.5)
	if slow.Minutes.Mean() < quick.Minutes.Mean()*1.1 {
		t.Errorf("after a slow first visit %v minutes, after a quick one %v", slow.Minutes.Mean(), quick.Minutes.Mean())
	}
}

func TestProgressThatDoesNotFitTheModelIsRefused(t *testing.T) {
	m := lowerMolar()
	for field, p := range map[string]Progress{
		"visit":            {Visit: 9, Length: 60},
		"length":           {Visit: 1, Length: 0},
		"begin":            {Visit: 1, Length: 60, Begin: State{Stage: 3, Found: 9}},
		"done[0].found":    {Visit: 1, Length: 60, Done: []Piece{{Minutes: 20, Found: 1}}},
		"done[1].found":    {Visit: 1, Length: 60, Done: []Piece{{Minutes: 20}, {Minutes: 10}}},
		"done[1].minutes":  {Visit: 1, Length: 60, Done: []Piece{{Minutes: 20}, {Minutes: -1, Found: 3}}},
		"done[1].barred":   {Visit: 1, Length: 60, Done: []Piece{{Minutes: 20}, {Minutes: 10, Found: 3, Barred: true}}},
		"earlier[0].visit": {Visit: 1, Length: 60, Earlier: []Log{{Visit: 1}}},
		"lengths[0]":       {Visit: 1, Length: 60, Lengths: []Length{{Visit: 7}}},
	} {
		_, err := FromHere(m, p)
		var f *FieldError
		if !errors.As(err, &f) || f.Field != field {
			t.Errorf("%s: got %v", field, err)
		}
	}
	if _, err := FromHere(Model{}, Progress{Visit: 1, Length: 60}); err == nil {
		t.Error("an empty model was accepted")
	}
}

func TestASamplerThatKeepsOnlyWhatWasObservedAgreesWithTheChair(t *testing.T) {
	// Visits are drawn from the whole model and thrown away unless opening, access
	// and the canals found are those observed, and the first canal takes longer than
	// it has run. What is left is what may follow, whatever one believes about pace.
	m := lowerMolar()
	plan, err := Solve(m, Option{})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		opening, access int
		running         float64 // minutes of the first canal so far; 0 when none is begun
	}{{19, 13, 0}, {27, 10, 0}, {20, 12, 9}} {
		p := inTheChair(float64(c.opening), float64(c.access))
		p.Length, p.Lengths, p.Table = 100, plan.Lengths, plan.Table
		if c.running > 0 {
			p.Running = &c.running
		}
		a := fromHere(t, m, p)
		s := newSampler(m, plan, 5)
		for k := range s.lengths {
			if k[0] == 1 {
				s.lengths[k] = p.Length
			}
		}
		set := func(st State, barred bool, left int) {
			b := 0
			if barred {
				b = 1
			}
			k := [5]int{1, st.Stage, st.Canal, st.Found, b}
			e := s.table[k]
			e.LeastLeft = left
			s.table[k] = e
		}
		for _, pt := range a.Ahead {
			set(pt.State, pt.Barred, p.Length-pt.Latest)
		}
		if a.Now != nil {
			left := Never
			if a.Now.GoOn {
				left = 0
			}
			set(a.State, a.Barred, left)
		}
		var n, finished, onTime, sum, squares, last float64
		step, kept := 0, false
		s.watch = func(visit int, used float64, at State) bool {
			if visit > 1 {
				return false
			}
			piece := math.Floor(used - last + 0.5)
			last = used
			step++
			switch step {
			case 1:
				return piece == float64(c.opening)
			case 2:
				kept = piece == float64(c.access) && at == State{Stage: 1, Found: 3}
				return kept
			case 3:
				kept = c.running == 0 || piece > c.running
				return kept
			}
			return true
		}
		for n < 4000 {
			step, kept, last = 0, false, 0
			d := s.treatment()
			if !kept || len(d.minutes) == 0 {
				continue
			}
			n++
			x := d.minutes[0]
			sum += x
			squares += x * x
			if d.complete && d.visits == 1 {
				finished++
			}
			if math.Floor(x+0.5) <= float64(p.Length) {
				onTime++
			}
		}
		within := func(what string, exact, mean, se float64) {
			t.Helper()
			if math.Abs(exact-mean) > 4*se {
				t.Errorf("%+v: %s %.4f, sampled %.4f, standard error %.4f", c, what, exact, mean, se)
			}
		}
		odds := func(k float64) (float64, float64) {
			q := k / n
			return q, math.Sqrt(q * (1 - q) / n)
		}
		q, se := odds(finished)
		within("odds to finish", a.FinishToday, q, se)
		q, se = odds(onTime)
		within("odds to be on time", a.OnTime, q, se)
		mean := sum / n
		within("minutes of the visit", a.Minutes.Mean(), mean, math.Sqrt((squares/n-mean*mean)/n))
	}
}
