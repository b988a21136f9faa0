package chairside

import (
	"errors"
	"math"
	"time"

	"github.com/visitwright/visitwright/planner/chairtime"
	"github.com/visitwright/visitwright/planner/visits"
)

// Finish is the way on that completes the treatment in this visit; the other
// ways are named by the stop at which they end.
const Finish = "finish"

// Moment is what can be said at one moment of a running visit.
type Moment struct {
	At    time.Time
	Step  string // in hand, or coming next
	Canal string
	Used  float64 // minutes since the beginning
	Left  float64 // until the appointment's end; below 0 past it
	// End is when the visit is expected to end by the plan's own rule for going
	// on, OnTime the odds that this is inside the appointment.
	End    time.Time
	OnTime float64
	Spare  float64 // minutes expected to be left over, below 0 when missing
	Pace   float64 // factor on the planned minutes that today's times speak for
	Canals []float64
	Ways   []Way
	// Choice is set when the clinician stands at a stopping point.
	Choice *visits.Choice
	// Next is the stopping point at which the decision falls, and DecideBy the
	// last moment at which going on from there costs no more than stopping; both
	// are empty when nothing is left to decide.
	Next     string
	DecideBy time.Time
	// GoOnNever: whatever the clock says, stopping there costs less.
	GoOnNever bool
	// More is what ten more minutes, and a further canal, would do to finishing.
	MoreTime    float64 // odds to finish with ten more minutes
	FurtherOdds float64 // that there is a canal that nobody has found
	FurtherFits float64 // odds to finish when it is found; NaN when not computed
	Position    Position
}

// Way is one way on from here.
type Way struct {
	ID      string
	Allowed bool           // may be chosen; otherwise only forced
	Now     bool           // it ends where the tooth stands
	Odds    float64        // that the visit ends inside the appointment on this way
	Minutes chairtime.Dist // from now on, closing included
}

// moreMinutes is what "a little more time" means when the answer says what
// would change it.
const moreMinutes = 10

// At answers for an instant. The solver keeps what it has computed, so that the
// next answer of the same visit comes sooner; nil computes everything anew.
func (p Plan) At(v Visit, now time.Time, solver *visits.Solver) (Moment, error) {
	if v.Phase != Running && v.Phase != Paused {
		return Moment{}, errors.New("the visit is not running")
	}
	if now.Before(v.Last) {
		now = v.Last // nothing is known of the time between two marks
	}
	if solver == nil {
		solver = new(visits.Solver)
	}
	pos, err := p.Position(v, now)
	if err != nil {
		return Moment{}, err
	}
	a := Moment{At: now, Used: v.Used(now), Position: pos, FurtherFits: math.NaN()}
	a.Left = float64(p.Length) - a.Used
	a.Step, a.Canal = p.hand(v)
	if v.State.Stage >= len(p.Model.Stages) { // complete: only the closing is left
		return p.closing(a, v, solver)
	}
	if err := p.byPlan(&a, v, solver); err != nil {
		return Moment{}, err
	}
	if a.Ways, err = p.ways(v, pos, a.Used, solver); err != nil {
		return Moment{}, err
	}
	if v.MustStop != "" { // what the plan would have done no longer counts
		stop := a.Ways[len(a.Ways)-1]
		a.OnTime, a.Next, a.DecideBy, a.GoOnNever, a.Choice = stop.Odds, "", time.Time{}, false, nil
		a.End, a.Spare = now.Add(minutes(stop.Minutes.Mean())), a.Left-stop.Minutes.Mean()
	}
	for _, w := range a.Ways {
		if w.ID == Finish {
			a.MoreTime = w.Minutes.AtMost(int(math.Floor(a.Left+0.5)) + moreMinutes)
		}
	}
	return a, p.further(&a, v, pos, solver)
}

func minutes(m float64) time.Duration { return time.Duration(m * float64(time.Minute)) }

// hand is the step in hand.
func (p Plan) hand(v Visit) (step, canal string) {
	if v.Running != "" {
		return v.Running, v.RunningCanal
	}
	b := positioner{plan: p, v: v, m: p.Model, done: map[work]bool{}}
	for _, w := range v.Work {
		b.done[work{w.Step, w.Canal}] = true
	}
	b.rank()
	if !v.Opened {
		opening := p.Model.Start.Once
		if p.Begin != (visits.State{}) {
			opening = append(append([]visits.Step{}, opening...), p.Model.Stops[p.Begin.Stage].Resume.Once...)
		}
		for _, s := range opening {
			if !b.done[work{s.ID, ""}] {
				return s.ID, ""
			}
		}
	}
	if v.State.Stage < len(p.Model.Stages) {
		return b.next(v.State.Stage)
	}
	return "", ""
}

// byPlan answers under the option that was accepted.
func (p Plan) byPlan(a *Moment, v Visit, solver *visits.Solver) error {
	progress := a.Position.Progress
	number := progress.Visit
	filling := v.State.Stage < len(p.Model.Stages) && p.Model.Stages[v.State.Stage].Fills && len(v.SinceStop)+len(a.Position.Progress.Done) > 0 && a.Position.Split > 0
	switch {
	case v.Barred && number < a.Position.Model.Horizon:
		progress.Option.EarliestCompletion = max(progress.Option.EarliestCompletion, number+1)
	case filling: // begun already, whatever the option said
		progress.Option.EarliestCompletion = min(progress.Option.EarliestCompletion, number)
	}
	progress.Option.BookedAhead = max(progress.Option.BookedAhead, progress.Option.EarliestCompletion)
	ans, err := solver.FromHere(a.Position.Model, progress)
	var field *visits.FieldError
	if errors.As(err, &field) && progress.Table != nil { // the tables do not fit what was found: plan anew
		progress.Table, progress.Lengths = nil, nil
		ans, err = solver.FromHere(a.Position.Model, progress)
	}
	if err != nil {
		return err
	}
	rest := float64(p.Length - progress.Length) // minutes paused
	begin := a.At.Add(-minutes(a.Used))
	a.OnTime, a.Pace, a.Canals, a.Choice = ans.OnTime, ans.Pace, ans.Canals, ans.Now
	mean := math.Max(ans.Minutes.Mean()+rest, a.Used)
	a.End, a.Spare = begin.Add(minutes(mean)), float64(p.Length)-mean
	if ans.Now != nil {
		a.Next = a.Position.Model.Stops[ans.State.Stage].ID
		a.GoOnNever = ans.Now.Latest < 0
		a.DecideBy = begin.Add(minutes(float64(ans.Now.Latest) + rest))
		return nil
	}
	best := visits.Point{Reach: -1}
	for _, pt := range ans.Ahead {
		if a.Position.between(pt.State) || !a.Position.Model.Stops[pt.State.Stage].Allowed || pt.State.Stage >= len(a.Position.Model.Stages) {
			continue
		}
		first := best.Reach < 0 || pt.State.Stage < best.State.Stage || pt.State.Stage == best.State.Stage && pt.State.Canal < best.State.Canal
		same := pt.State.Stage == best.State.Stage && pt.State.Canal == best.State.Canal
		if first || same && pt.Reach > best.Reach {
			best = pt
		}
	}
	if best.Reach > 0 {
		a.Next = best.Stop
		a.GoOnNever = best.Latest < 0
		a.DecideBy = begin.Add(minutes(float64(best.Latest) + rest))
	}
	return nil
}

// ways lists what can still be chosen, the furthest first.
func (p Plan) ways(v Visit, pos Position, used float64, solver *visits.Solver) ([]Way, error) {
	var out []Way
	last := len(pos.Model.Stages)
	for end := last; end > pos.Stage; end-- {
		if end <= pos.Stage+pos.Split {
			continue // inside the portion in hand
		}
		w := Way{ID: pos.Model.Stops[end].ID, Allowed: pos.Model.Stops[end].Allowed}
		if end == last {
			w.ID, w.Allowed = Finish, true
		}
		d, err := p.straight(pos, end, solver)
		if err != nil {
			return nil, err
		}
		out = append(out, p.way(w, d, pos, used))
	}
	d, err := p.stopNow(v, pos, solver)
	if err != nil {
		return nil, err
	}
	stop := p.Model.Stops[pos.Stage]
	return append(out, p.way(Way{ID: stop.ID, Allowed: stop.Allowed, Now: true}, d, pos, used)), nil
}

// surest are the highest odds of minutes: no work is certain to be over in time,
// though the far end of its distribution is too small to be kept.
const surest = 1 - 1e-9

// way puts a distribution of the whole visit's minutes, pauses left out, on the
// clock of now.
func (p Plan) way(w Way, d chairtime.Dist, pos Position, used float64) Way {
	w.Odds = min(d.AtMost(pos.Progress.Length), surest)
	gone := int(math.Floor(used+0.5)) - (p.Length - pos.Progress.Length)
	w.Minutes = chairtime.Dist{First: d.First - gone, P: d.P, Lost: d.Lost}
	return w
}

// straight is the distribution of the visit's minutes when it goes on to the
// end of a stage and closes there. Whether a filling may begin is not its
// question: no check fails and no event bars it.
func (p Plan) straight(pos Position, end int, solver *visits.Solver) (chairtime.Dist, error) {
	m := pos.Model.Clone()
	m.Stages, m.Stops = m.Stages[:end], m.Stops[:end+1]
	if pos.Progress.Begin.Found == 0 && !located(m) {
		// Cut off before the canals are looked for: without a search the model
		// would take them for known.
		m.Stages[end-1].Locates = true
	}
	return through(m, pos.Progress, solver)
}

// stopNow is the same when the visit is closed where the tooth stands: the step
// in hand is broken off.
func (p Plan) stopNow(v Visit, pos Position, solver *visits.Solver) (chairtime.Dist, error) {
	m := pos.Model.Clone()
	progress := pos.Progress
	elapsed := 0.0
	if progress.Running != nil {
		elapsed, progress.Running = *progress.Running, nil
	}
	if !v.Opened { // nothing is open: only the closing of the stop in which it began
		d := chairtime.Exactly(0)
		begin := &m.Stops[pos.Progress.Begin.Stage].End
		for _, s := range begin.Once {
			d = d.Plus(lawOf(s.Minutes), m.Cap)
		}
		return shift(d, elapsed), nil
	}
	at := pos.Stage
	if len(progress.Done) > 0 && pos.Split > 0 && m.Stages[at].ID == pieceDone {
		at++
	}
	m.Stages, m.Stops = m.Stages[:at:at], m.Stops[:at+1:at+1]
	m.Stages = append(m.Stages, visits.Stage{ID: "stop-now", Work: visits.Block{Once: []visits.Step{{ID: "stop-now"}}}})
	m.Stops = append(m.Stops, visits.Stop{ID: "stopped", End: m.Stops[at].End})
	if at == 0 || !located(m) {
		m.Stages[len(m.Stages)-1].Locates = true
	}
	d, err := through(m, progress, solver)
	return shift(d, elapsed), err
}

func located(m visits.Model) bool {
	for _, s := range m.Stages {
		if s.Locates {
			return true
		}
	}
	return false
}

func lawOf(m visits.Minutes) chairtime.Dist {
	return chairtime.Lognormal{Median: m.Median, LogSD: m.LogSD}.Minutes(longestVisit)
}

func shift(d chairtime.Dist, by float64) chairtime.Dist {
	d.First += int(math.Floor(by + 0.5))
	return d
}

func through(m visits.Model, progress visits.Progress, solver *visits.Solver) (chairtime.Dist, error) {
	m.Horizon = max(visits.MinHorizon, progress.Visit) // what comes later does not matter on this way
	return solver.ToTheEnd(m, progress)
}

// closing answers when everything is done and only the closing block is left.
func (p Plan) closing(a Moment, v Visit, solver *visits.Solver) (Moment, error) {
	last := len(p.Model.Stages)
	m := p.Model.Clone()
	m.Stages = append(m.Stages, visits.Stage{ID: "close", Work: visits.Block{Once: []visits.Step{{ID: "close"}}}})
	m.Stops = append(m.Stops, visits.Stop{ID: "closed", End: m.Stops[last].End})
	m.Stops[last].End = visits.Block{}
	pos := a.Position
	pos.Model, pos.Stage, pos.Split = m, last, 0
	pos.Progress.Running = nil
	elapsed := v.InPortion(a.At)
	d, err := through(m, pos.Progress, solver)
	if err != nil {
		return a, err
	}
	w := p.way(Way{ID: Finish, Allowed: true, Now: true}, shift(d, elapsed), pos, a.Used)
	a.Ways, a.OnTime, a.Pace = []Way{w}, w.Odds, 1
	a.End, a.Spare = a.At.Add(minutes(w.Minutes.Mean())), a.Left-w.Minutes.Mean()
	return a, nil
}

// further says what a canal that nobody has found yet would change.
func (p Plan) further(a *Moment, v Visit, pos Position, solver *visits.Solver) error {
	in := len(p.locatedOf(v))
	for n := in + 1; n < len(a.Canals); n++ {
		a.FurtherOdds += a.Canals[n]
	}
	if in == 0 || in+1 >= len(pos.Model.Canals.P) || a.FurtherOdds < worthAsking || !v.Opened {
		return nil
	}
	name := p.Model.Canals.Names[in]
	if _, taken := v.Canal(name); taken {
		return nil
	}
	also := v
	also.Canals = append(append([]Canal{}, v.Canals...), Canal{Name: name, State: Located})
	with, err := p.Position(also, a.At)
	if err != nil {
		return err
	}
	d, err := p.straight(with, len(with.Model.Stages), solver)
	if err != nil {
		return err
	}
	a.FurtherFits = d.AtMost(with.Progress.Length)
	return nil
}

// worthAsking is the chance from which a further canal gets a line of its own.
// It is a matter of layout.
const worthAsking = 0.02

// LocatedCanals are the canals that were located, in the order in which the
// model counts them; given-up ones keep their place.
func (p Plan) LocatedCanals(v Visit) []Canal {
	var out []Canal
	for _, name := range p.locatedOf(v) {
		c, _ := v.Canal(name)
		out = append(out, c)
	}
	return out
}

func (p Plan) locatedOf(v Visit) []string {
	b := positioner{plan: p, v: v, m: p.Model}
	b.rank()
	return b.located
}
