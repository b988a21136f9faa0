package chairside

import (
	"math"
	"slices"
	"time"

	"github.com/visitwright/visitwright/planner/visits"
)

// Position is where a running visit stands, as a model and a progress in it:
// everything that an answer, and an independent check of it, needs.
//
// The model is the plan's, told what the marks say. The portion in hand is cut
// into what is done, the step that runs, and the rest, so that the minutes of
// every mark and the minutes already spent in the running step count. Between
// these pieces nobody may stop. Work that was done early is left out later;
// canals that were given up or join another take less or nothing; chair events
// that were met cost their minutes where they were met; a canal found late has
// its missed steps before it.
type Position struct {
	Model    visits.Model    `json:"model"`
	Progress visits.Progress `json:"progress"`
	// Stage is the stage in hand in the plan's own model; Split is how many
	// stages of Model stand before its rest.
	Stage int `json:"stage"`
	Split int `json:"split"`
}

// between reports a point inside the portion in hand, which is no stop.
func (p Position) between(s visits.State) bool {
	return s.Stage > p.Stage && s.Stage <= p.Stage+p.Split
}

const (
	pieceDone    = "done-so-far"
	pieceRunning = "running-step"
	pieceCheck   = "check-before"
	caughtUp     = "catch-up-"
	eventPrefix  = "event-"
)

// Position reads the position at an instant. The visit must have begun and not
// ended.
func (p Plan) Position(v Visit, now time.Time) (Position, error) {
	b := positioner{plan: p, v: v, now: now, m: p.Model.Clone(), done: map[work]bool{}}
	for _, w := range v.Work {
		b.done[work{w.Step, w.Canal}] = true
	}
	b.rank()
	if err := b.shares(); err != nil {
		return Position{}, err
	}
	return b.position()
}

type positioner struct {
	plan Plan
	v    Visit
	now  time.Time
	m    visits.Model
	done map[work]bool
	// located canals by rank; given up ones keep theirs.
	located []string
	joined  map[string]float64 // share of the work that a joining canal takes
}

// rank orders the canals that were located, in the order in which the model
// counts them.
func (b *positioner) rank() {
	worked := func(name string) bool {
		return slices.ContainsFunc(b.v.Work, func(w Work) bool { return w.Canal == name })
	}
	for _, c := range b.v.Canals {
		if c.inHand() || (c.State == GivenUp && worked(c.Name)) {
			b.located = append(b.located, c.Name)
		}
	}
	b.located = b.located[:min(len(b.located), len(b.m.Canals.Names))]
}

func (b *positioner) shares() error {
	c, err := load()
	if err != nil {
		return err
	}
	b.joined = map[string]float64{}
	for _, canal := range b.v.Canals {
		if canal.Joins != "" {
			b.joined[canal.Name] = c.JoinShare.of(canal.Third)
		}
	}
	for i := b.v.State.Stage; i < len(b.m.Stages); i++ {
		for j := range b.m.Stages[i].Work.PerCanal {
			s := &b.m.Stages[i].Work.PerCanal[j]
			for rank, name := range b.located {
				record, _ := b.v.Canal(name)
				switch share, joins := b.joined[name]; {
				case record.State == GivenUp || b.done[work{s.ID, name}]:
					s.Medians[rank] = 0
				case joins && slices.Contains(c.JoinShare.Steps, s.ID):
					s.Medians[rank] *= share
				}
			}
		}
		b.m.Stages[i].Work.Once = slices.DeleteFunc(b.m.Stages[i].Work.Once, func(s visits.Step) bool { return b.done[work{s.ID, ""}] })
	}
	return nil
}

func (b *positioner) position() (Position, error) {
	v, now := b.v, b.now
	out := Position{Stage: v.State.Stage}
	begin := b.plan.Begin
	if begin.Found == 0 && !located(b.m) {
		begin.Found = b.m.Canals.Expected // nobody looks for them: they are known
	}
	out.Progress = visits.Progress{Option: b.plan.Option, Visit: max(1, b.plan.Number), Begin: begin}
	rest := v.Used(now) - (v.InPortion(now) + spent(v)) // paused so far
	out.Progress.Length = max(1, b.plan.Length-int(math.Round(rest)))

	if !v.Opened {
		elapsed := v.InPortion(now)
		out.Progress.Running = &elapsed
		out.Model = b.m
		b.knownCanals(&out)
		b.tables(&out)
		return out, nil
	}
	done := []visits.Piece{{Minutes: v.Start}}
	for _, p := range v.Portion {
		if p.Before.Stage == v.State.Stage { // a part of the stage in hand: see split
			break
		}
		done = append(done, visits.Piece{Minutes: p.Minutes, Found: max(0, p.After.Found-p.Before.Found)})
	}
	out.Progress.Done = done
	if v.State.Stage < len(b.m.Stages) {
		b.split(&out)
	}
	out.Model = b.m
	b.knownCanals(&out)
	b.tables(&out)
	return out, nil
}

func spent(v Visit) float64 {
	total := v.Start
	for _, p := range v.Portion {
		total += p.Minutes
	}
	return total
}

// split cuts the stage in hand.
func (b *positioner) split(out *Position) {
	v, s := b.v, b.v.State.Stage
	stage := &b.m.Stages[s]
	plan := b.plan.Model.Stages[s].Work
	// Marks inside the stage: portions of its earlier canals, and steps since.
	inside := 0.0
	for _, p := range v.Portion {
		if p.Before.Stage == s {
			inside += p.Minutes
		}
	}
	var fresh []Work // done in the portion in hand or in earlier canals of its stage
	for _, w := range v.Work {
		if i := b.stageOf(w.Stage); i >= s && w.Stage != "" {
			fresh = append(fresh, w)
		}
	}
	// A note or an event between two steps does not divide the work.
	sinceStop := max(0, v.LastWork.Sub(v.Began).Minutes()-v.workPaused-spent(v))
	elapsed := v.InPortion(b.now) - sinceStop
	running, known := b.runningStep()
	if known {
		sinceStop = max(sinceStop, v.Since.Sub(v.Began).Minutes()-v.sincePaused-spent(v))
		elapsed = v.InPortion(b.now) - sinceStop
	}
	if len(fresh) == 0 && inside == 0 && v.Running == "" {
		// Nothing was marked since the stopping point: the clinician stands there,
		// or the whole portion runs.
		if run := v.InPortion(b.now); run > standing {
			out.Progress.Running = &run
		}
		b.events(&stage.Work, v.SinceStop)
		return
	}
	// Between two canals of one stage the clinician may stand at a stopping point.
	atStop := inside > 0 && sinceStop < 1e-9 && v.Running == ""
	if !known && (elapsed > standing || !atStop) {
		out.Progress.Running = &elapsed
	}
	var pieces []visits.Stage
	var over []visits.Step
	for _, w := range fresh {
		over = append(over, b.law(w))
	}
	var open []string
	if met, since := b.metSince(); known {
		b.eventSteps(&over, met)
		open = since
	} else {
		b.eventSteps(&over, met)
		b.events(&stage.Work, since)
	}
	// The check before the filling is over: its minutes are in the first piece.
	var check []visits.Step
	if stage.Gate != nil {
		check = []visits.Step{{ID: pieceCheck, Minutes: stage.Gate.Check}}
		stage.Gate = nil
	}
	if len(over) > 0 {
		pieces = append(pieces, visits.Stage{ID: pieceDone, Fills: stage.Fills, Work: visits.Block{Once: unique(append(check, over...))}})
		out.Progress.Done = append(out.Progress.Done, visits.Piece{Minutes: inside + sinceStop})
		check = nil
	}
	if known {
		law := append(check, b.law(running))
		b.eventSteps(&law, open)
		b.without(stage, running)
		pieces = append(pieces, visits.Stage{ID: pieceRunning, Fills: stage.Fills, Work: visits.Block{Once: unique(law)}})
		out.Progress.Running = &elapsed
	}
	b.catchUp(stage, s)
	// What remains of a contact is what its steps have not filled yet.
	if stage.Work.Contact > 0 {
		filled := elapsed
		if !slices.Contains(plan.Overlaps, running.Step) {
			filled = 0
		}
		for _, w := range fresh {
			if slices.Contains(plan.Overlaps, w.Step) {
				filled += w.Minutes
			}
		}
		stage.Work.Contact = max(0, stage.Work.Contact-filled)
	}
	stage.Work.Overlaps = slices.DeleteFunc(stage.Work.Overlaps, func(id string) bool { return !hasStep(stage.Work, id) })
	if stage.StopAfterCanal {
		b.spreadSearch(stage)
	}
	out.Split = len(pieces)
	stop := b.m.Stops[s]
	stop.Allowed = stop.Allowed && atStop
	b.m.Stages = slices.Insert(b.m.Stages, s, pieces...)
	for range pieces {
		b.m.Stops = slices.Insert(b.m.Stops, s+1, stop)
	}
	if out.Progress.Begin.Stage == s {
		out.Progress.Begin.Canal = 0
	}
}

// standing is how long nothing may be marked after a stopping point before the
// next portion counts as running, in minutes.
const standing = 1.0

func (b *positioner) stageOf(id string) int {
	return slices.IndexFunc(b.plan.Model.Stages, func(s visits.Stage) bool { return s.ID == id })
}

// runningStep is the step that somebody marked as begun. Without such a mark
// the time since the last one counts against all that is left of the portion:
// nobody knows which step is in hand, and taps are forgotten.
func (b *positioner) runningStep() (Work, bool) {
	if b.v.Running == "" {
		return Work{}, false
	}
	stage, _, _ := (&reader{plan: b.plan}).place(b.v.Running)
	return Work{Step: b.v.Running, Canal: b.v.RunningCanal, Stage: stage}, true
}

// next is the step that comes next in a stage: what is done once first, then
// the canal last worked on, then the others.
func (b *positioner) next(s int) (step, canal string) {
	block := b.plan.Model.Stages[s].Work
	for _, x := range block.Once {
		if !b.done[work{x.ID, ""}] {
			return x.ID, ""
		}
	}
	names := slices.Clone(b.located)
	if b.plan.Model.Stages[s].Locates {
		for _, c := range b.v.Canals {
			if c.State == Expected && !slices.Contains(names, c.Name) {
				names = append(names, c.Name)
			}
		}
	}
	if len(b.v.Work) > 0 {
		if w := b.v.Work[len(b.v.Work)-1]; w.Stage == b.plan.Model.Stages[s].ID && slices.Contains(names, w.Canal) {
			last := w.Canal
			names = slices.Insert(slices.DeleteFunc(names, func(n string) bool { return n == last }), 0, last)
		}
	}
	for _, name := range names {
		if c, _ := b.v.Canal(name); c.State == GivenUp || b.plan.doneBefore(s, name) {
			continue
		}
		for _, x := range block.PerCanal {
			if !b.done[work{x.ID, name}] {
				return x.ID, name
			}
		}
	}
	return "", ""
}

// law is the prediction of one step that was done, or runs, as a step done
// once.
func (b *positioner) law(w Work) visits.Step {
	out := visits.Step{ID: w.Step}
	if w.Canal != "" {
		out.ID += "-" + w.Canal
	}
	for _, s := range b.plan.Model.Stages {
		for _, x := range s.Work.Once {
			if x.ID == w.Step && w.Canal == "" {
				out.Minutes = x.Minutes
				return out
			}
		}
		for _, x := range s.Work.PerCanal {
			if x.ID == w.Step && w.Canal != "" {
				out.Minutes = visits.Minutes{Median: x.Medians[b.rankOf(w.Canal)] * b.share(x.ID, w.Canal), LogSD: x.LogSD, Scaled: x.Scaled}
				return out
			}
		}
	}
	return out
}

func (b *positioner) share(step, canal string) float64 {
	share, joins := b.joined[canal]
	c, err := load()
	if !joins || err != nil || !slices.Contains(c.JoinShare.Steps, step) {
		return 1
	}
	return share
}

// rankOf is a canal's rank; a canal not located yet takes the place of its name.
func (b *positioner) rankOf(name string) int {
	if i := slices.Index(b.located, name); i >= 0 {
		return i
	}
	if i := slices.Index(b.m.Canals.Names, name); i >= 0 {
		return i
	}
	return min(len(b.located), len(b.m.Canals.Names)-1)
}

// without takes the running step out of the rest of the stage.
func (b *positioner) without(stage *visits.Stage, w Work) {
	if w.Canal == "" {
		stage.Work.Once = slices.DeleteFunc(stage.Work.Once, func(s visits.Step) bool { return s.ID == w.Step })
		return
	}
	for i := range stage.Work.PerCanal {
		if s := &stage.Work.PerCanal[i]; s.ID == w.Step {
			s.Medians[b.rankOf(w.Canal)] = 0
		}
	}
}

// catchUp puts the steps that a canal found late has missed before the rest of
// the stage in hand, and takes them out of what the earlier stages foresaw.
func (b *positioner) catchUp(stage *visits.Stage, s int) {
	for i := range b.m.Stages[:s] {
		for j := range b.m.Stages[i].Work.PerCanal {
			x := &b.m.Stages[i].Work.PerCanal[j]
			for rank, name := range b.located {
				if record, _ := b.v.Canal(name); b.done[work{x.ID, name}] || record.State == GivenUp || b.plan.doneBefore(i, name) {
					continue
				}
				if !b.m.Stages[i].Locates {
					stage.Work.Once = append(stage.Work.Once, visits.Step{ID: caughtUp + x.ID + "-" + name,
						Minutes: visits.Minutes{Median: x.Medians[rank] * b.share(x.ID, name), LogSD: x.LogSD, Scaled: x.Scaled}})
				}
				if b.foundAfter(name, i) {
					x.Medians[rank] = 0
				}
			}
		}
	}
}

// foundAfter reports whether a canal was found after a stage was done: it is
// none of the canals that were in hand then.
func (b *positioner) foundAfter(name string, stage int) bool {
	in := b.plan.Begin.Found
	for _, p := range b.v.Portion {
		if p.After.Stage == stage+1 {
			in = p.After.Found
		}
	}
	return slices.Index(b.located, name) >= in
}

// metSince divides the chair events since the last stopping point into those
// met before the last step was done and those met after it.
func (b *positioner) metSince() (met, since []string) {
	n := len(b.v.SinceStop)
	for i, id := range b.v.SinceStop {
		m := b.v.Events[len(b.v.Events)-n+i]
		if m.At.Before(b.v.LastWork) {
			met = append(met, id)
		} else {
			since = append(since, id)
		}
	}
	return met, since
}

// events adds the minutes of chair events met in a stage that is not cut.
func (b *positioner) events(block *visits.Block, ids []string) { b.eventSteps(&block.Once, ids) }

func (b *positioner) eventSteps(steps *[]visits.Step, ids []string) {
	for _, id := range ids {
		if e, err := FindEvent(id); err == nil && e.Minutes != nil && e.Minutes.Median > 0 {
			*steps = append(*steps, visits.Step{ID: eventPrefix + id, Minutes: visits.Minutes{Median: e.Minutes.Median, LogSD: e.Minutes.LogSD, Scaled: e.Minutes.Scaled}})
		}
	}
	*steps = unique(*steps)
}

// spreadSearch keeps the chance of finding a further canal in what is left of a
// stage that is searched canal by canal: the canals that are done are passed
// again, and take no time.
func (b *positioner) spreadSearch(stage *visits.Stage) {
	left := 0
	for rank := range min(len(b.located), b.m.Canals.Expected) {
		if slices.ContainsFunc(stage.Work.PerCanal, func(x visits.CanalStep) bool { return x.Medians[rank] > 0 }) {
			left++
		}
	}
	if n := b.m.Canals.Expected; left < n {
		stage.Discovery = 1 - math.Pow(1-stage.Discovery, float64(left)/float64(n))
	}
}

// knownCanals tells the model how many canals are in hand. A canal found after
// the search counts as one that the search would have found: its missed work
// stands where it is done.
func (b *positioner) knownCanals(out *Position) {
	m, p := &out.Model, &out.Progress
	locating := slices.IndexFunc(b.plan.Model.Stages, func(s visits.Stage) bool { return s.Locates })
	in := len(b.located)
	if locating >= b.v.State.Stage && p.Begin.Found == 0 {
		if in > m.Canals.Expected { // the search goes on, and has found more already
			m.Canals.Expected = in
			atLeast(m.Canals.P, in)
		}
		return
	}
	said := p.Begin.Found
	for _, d := range p.Done {
		said += d.Found
	}
	if in == said || in == 0 {
		return
	}
	for i := range p.Done {
		p.Done[i].Found = 0
	}
	switch {
	case p.Begin.Found > 0:
		b.emptyResume(m, p.Begin, p.Begin.Found, in)
		p.Begin.Found = in
	case locating+1 < len(p.Done):
		p.Done[locating+1].Found = in
	}
	if m.Begin.Found > 0 { // a plan made anew from a tooth whose canals were counted then
		m.Begin.Found = in
	}
	m.Canals.Expected = in
	atLeast(m.Canals.P, in)
}

// emptyResume: the dressing of a canal that was not known was not removed.
func (b *positioner) emptyResume(m *visits.Model, begin visits.State, from, to int) {
	resume := &m.Stops[begin.Stage].Resume
	for i := range resume.PerCanal {
		for rank := from; rank < to; rank++ {
			resume.PerCanal[i].Medians[rank] = 0
		}
	}
}

// tables carries the plan's tables over to the cut model; what does not fit it
// any more is planned anew.
func (b *positioner) tables(out *Position) {
	fits := func(s visits.State) (visits.State, bool) {
		if s.Found > 0 && (s.Found < len(b.located) || s.Found >= len(out.Model.Canals.P)) {
			return s, false
		}
		if s.Stage > out.Stage {
			s.Stage += out.Split
		} else if s.Stage == out.Stage && (s.Canal > 0 || out.Split > 0) {
			return s, false
		}
		return s, s.Found == 0 || sumFrom(out.Model.Canals.P, s.Found) > 0
	}
	for _, e := range b.plan.Table {
		if s, ok := fits(e.State); ok {
			e.State = s
			out.Progress.Table = append(out.Progress.Table, e)
		}
	}
	for _, l := range b.plan.Lengths {
		if s, ok := fits(l.Begin); ok {
			l.Begin = s
			out.Progress.Lengths = append(out.Progress.Lengths, l)
		}
	}
}
