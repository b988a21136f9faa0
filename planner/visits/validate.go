package visits

import (
	"fmt"
	"math"
	"slices"
)

// Limits of a model.
const (
	MaxCanals  = 8    // canals that a belief may hold
	MaxStages  = 16   // stages of one protocol
	MaxMinutes = 600  // median of one step
	MaxLogSD   = 1.5  // spread of one step: a 95th percentile twelve times the median
	MaxFactor  = 1.0  // spread of a shared factor
	MaxHorizon = 8    // visits followed
	MinHorizon = 2    //
	MaxCap     = 960  // minutes: sixteen hours
	MinCap     = 60   //
	MaxCost    = 1e6  // cost units
	MaxSteps   = 64   // steps or events of one block
	sumWithin  = 1e-6 // how far a belief's probabilities may sum from 1
)

// NearestMinute is the only clock rule: see Model.Clock.
const NearestMinute = "nearest-minute"

// FieldError says which field of a model or an option is wrong and what would
// be right.
type FieldError struct {
	Field string // path, for example "stages[1].work.once[0].median"
	Want  string // what would be right, with the value found
}

func (e *FieldError) Error() string { return e.Field + ": " + e.Want }

func wrong(field, format string, args ...any) error {
	return &FieldError{Field: field, Want: fmt.Sprintf(format, args...)}
}

// Validate reports the first field of the model that is out of range, as a
// *FieldError. A model that passes can be compiled.
func Validate(m Model) error {
	// Most models are right, and to spell the path of every field takes longer than
	// to look at it: the first look only finds whether anything is wrong.
	c := checker{m: m, canals: len(m.Canals.P) - 1, quiet: true}
	if c.model() == nil {
		return nil
	}
	c = checker{m: m, canals: c.canals}
	return c.model()
}

// model checks every field.
func (c *checker) model() error {
	m := c.m
	c.belief()
	c.num("factor.case_log_sd", m.Factor.CaseLogSD, 0, MaxFactor)
	c.num("factor.visit_log_sd", m.Factor.VisitLogSD, 0, MaxFactor)
	c.stages()
	c.begin()
	for _, p := range []struct {
		name  string
		value float64
	}{{"work", m.Cost.Work}, {"overrun", m.Cost.Overrun}, {"idle", m.Cost.Idle}, {"visit", m.Cost.Visit}, {"unused", m.Cost.Unused}} {
		c.num("cost."+p.name, p.value, 0, MaxCost)
	}
	c.whole("horizon", m.Horizon, MinHorizon, MaxHorizon)
	c.whole("cap", m.Cap, MinCap, MaxCap)
	c.whole("grid.least", m.Grid.Least, 1, m.Cap)
	c.whole("grid.most", m.Grid.Most, m.Grid.Least, m.Cap)
	c.whole("grid.step", m.Grid.Step, 1, m.Cap)
	c.check(c.err == nil && (m.Grid.Most-m.Grid.Least)%max(m.Grid.Step, 1) == 0, "grid.step", "%d: want a step that leads from %d to %d exactly", m.Grid.Step, m.Grid.Least, m.Grid.Most)
	c.bear("bear", m.Bear)
	c.check(m.Clock == NearestMinute, "clock", "%q: want %q", m.Clock, NearestMinute)
	return c.err
}

// checker keeps the first error.
type checker struct {
	m      Model
	canals int
	err    error
	quiet  bool     // paths are left empty
	known  []string // ids of the block that is being checked
}

// at is the path of one element of a list.
func (c *checker) at(list string, i int) string {
	if c.quiet {
		return ""
	}
	return fmt.Sprintf("%s[%d]", list, i)
}

func (c *checker) check(ok bool, field, format string, args ...any) {
	if c.err == nil && !ok {
		c.err = wrong(field, format, args...)
	}
}

func (c *checker) num(field string, v, least, most float64) {
	if math.IsNaN(v) || v < least || v > most {
		c.check(false, field, "%v: want %v to %v", v, least, most)
	}
}

func (c *checker) whole(field string, v, least, most int) {
	if v < least || v > most {
		c.check(false, field, "%d: want a whole number from %d to %d", v, least, most)
	}
}

func (c *checker) bear(field string, b Bear) {
	c.whole(field+".minutes", b.Minutes, 0, MaxCap)
	c.num(field+".chance", b.Chance, 0, 1)
}

func (c *checker) belief() {
	b := c.m.Canals
	c.whole("canals.p", c.canals, 1, MaxCanals)
	if c.err != nil {
		c.err = wrong("canals.p", "%d entries: want one for each number of canals from 0 to the most possible, 2 to %d entries", len(b.P), MaxCanals+1)
		return
	}
	sum := 0.0
	for n, p := range b.P {
		c.num(c.at("canals.p", n), p, 0, 1)
		sum += p
	}
	c.check(b.P[0] == 0, "canals.p[0]", "%v: want 0, a tooth to treat has a canal", b.P[0])
	c.check(math.Abs(sum-1) <= sumWithin, "canals.p", "sums to %v: want 1", sum)
	c.whole("canals.expected", b.Expected, 1, c.canals)
	c.check(len(b.Names) == c.canals, "canals.names", "%d names: want %d, one for each canal", len(b.Names), c.canals)
}

func (c *checker) stages() {
	m := c.m
	c.whole("stages", len(m.Stages), 1, MaxStages)
	c.check(len(m.Stops) == len(m.Stages)+1, "stops", "%d: want %d, one more than stages", len(m.Stops), len(m.Stages)+1)
	if c.err != nil {
		return
	}
	locates := m.locating()
	c.block("start", m.Start)
	c.check(len(m.Start.PerCanal) == 0, "start.per_canal", "want none: no canal is in hand before the work begins")
	for i, e := range m.Start.Events {
		c.check(!e.PerCanal, c.at("start.events", i)+".per_canal", "want false: no canal is in hand before the work begins")
	}
	for i, s := range m.Stages {
		at := c.at("stages", i)
		c.block(at+".work", s.Work)
		c.num(at+".discovery", s.Discovery, 0, 1)
		c.check(!s.Locates || i == locates, at+".locates", "want one stage that locates, stages[%d] does already", locates)
		c.check(!s.Locates || !s.StopAfterCanal, at+".stop_after_canal", "want false in the stage that locates")
		if i < locates {
			c.check(len(s.Work.PerCanal) == 0 && !hasPerCanal(s.Work.Events), at+".work", "want no work per canal before the canals are located")
			c.check(s.Discovery == 0, at+".discovery", "%v: want 0 before the canals are located", s.Discovery)
		}
		if s.Fills {
			for j, e := range s.Work.Events {
				c.check(!e.BarsFilling, c.at(at+".work.events", j)+".bars_filling", "want false in the stage that fills; use its gate")
			}
		}
		if s.Gate != nil {
			c.num(at+".gate.first_visit", s.Gate.FirstVisit, 0, 1)
			c.num(at+".gate.after_dress", s.Gate.AfterDress, 0, 1)
			c.minutes(at+".gate.check", s.Gate.Check)
		}
	}
	for i, s := range m.Stops {
		at := c.at("stops", i)
		c.block(at+".end", s.End)
		c.block(at+".resume", s.Resume)
		for j, e := range s.End.Events {
			c.check(!e.BarsFilling, c.at(at+".end.events", j)+".bars_filling", "want false: the visit is ending")
		}
	}
}

func (c *checker) begin() {
	b, locates := c.m.Begin, c.m.locating()
	c.whole("begin.stage", b.Stage, 0, len(c.m.Stages)-1)
	if c.err != nil {
		return
	}
	c.whole("begin.found", b.Found, 0, c.canals)
	located := b.Stage > locates && locates >= 0
	c.check(!located || b.Found > 0, "begin.found", "0: want the number of canals found, stage %d has located them", locates)
	c.check(b.Stage > locates || b.Found == 0, "begin.found", "%d: want 0 before the canals are located", b.Found)
	c.check(b.Canal == 0 || (c.m.Stages[b.Stage].StopAfterCanal && b.Canal < b.Found), "begin.canal", "%d: want 0, or fewer than the canals found in a stage that stops after each canal", b.Canal)
	c.check(b.Canal >= 0, "begin.canal", "%d: want 0 or more", b.Canal)
	if c.err != nil || b.Found == 0 {
		return
	}
	sum := 0.0
	for _, w := range newSpace(c.m).belief(b) {
		sum += w
	}
	c.check(sum > 0, "begin.found", "%d: canals.p gives that number no probability", b.Found)
}

func (c *checker) block(field string, b Block) {
	c.whole(field+".once", len(b.Once), 0, MaxSteps)
	c.whole(field+".per_canal", len(b.PerCanal), 0, MaxSteps)
	c.whole(field+".events", len(b.Events), 0, MaxSteps)
	c.known = c.known[:0]
	for i, s := range b.Once {
		at := c.at(field+".once", i)
		c.id(at, s.ID)
		c.minutes(at, s.Minutes)
	}
	for i, s := range b.PerCanal {
		at := c.at(field+".per_canal", i)
		c.id(at, s.ID)
		if len(s.Medians) != c.canals {
			c.check(false, at+".medians", "%d: want %d, one for each canal", len(s.Medians), c.canals)
		}
		for j, v := range s.Medians {
			c.num(c.at(at+".medians", j), v, 0, MaxMinutes)
		}
		c.num(at+".log_sd", s.LogSD, 0, MaxLogSD)
	}
	for i, e := range b.Events {
		at := c.at(field+".events", i)
		c.check(e.ID != "", at+".id", "want an id")
		c.num(at+".probability", e.Probability, 0, 1)
		c.minutes(at+".minutes", e.Minutes)
	}
	c.num(field+".contact", b.Contact, 0, MaxMinutes)
	for i, id := range b.Overlaps {
		if !slices.Contains(c.known, id) {
			c.check(false, c.at(field+".overlaps", i), "%q: want the id of a step of this block", id)
		}
	}
}

// id takes the id of one more step of the block.
func (c *checker) id(at, id string) {
	if id == "" || slices.Contains(c.known, id) {
		c.check(false, at+".id", "%q: want an id, unique in its block", id)
	}
	c.known = append(c.known, id)
}

func (c *checker) minutes(field string, m Minutes) {
	c.num(field+".median", m.Median, 0, MaxMinutes)
	c.num(field+".log_sd", m.LogSD, 0, MaxLogSD)
}

// locating returns the index of the first stage that locates, and -1.
func (m Model) locating() int {
	for i, s := range m.Stages {
		if s.Locates {
			return i
		}
	}
	return -1
}

func hasPerCanal(events []Event) bool {
	for _, e := range events {
		if e.PerCanal {
			return true
		}
	}
	return false
}
