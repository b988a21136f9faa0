package chairside

import (
	"math"

	"github.com/visitwright/visitwright/planner/calibration"
	"github.com/visitwright/visitwright/planner/visits"
)

// Observe says what an ended visit tells about speed: each finished piece
// against its prediction for what was really done (steps, canals, events), and
// the piece that was broken off as "longer than". ok is false when the visit
// tells nothing, for example because nothing was timed.
//
// applied is the log factor by which the model's scaled medians differ from the
// published ones already; the observation is against the published ones.
func (p Plan) Observe(v Visit, clinician string, applied float64) (out calibration.Visit, ok bool) {
	if v.Phase != Ended || !v.Opened {
		return out, false
	}
	o := observer{positioner: positioner{plan: p, v: v, m: p.Model.Clone(), done: map[work]bool{}}, applied: applied}
	for _, w := range v.Work {
		o.done[work{w.Step, w.Canal}] = true
	}
	o.rank()
	o.joined = map[string]float64{}
	if c, err := load(); err == nil {
		for _, canal := range v.Canals {
			if canal.Joins != "" {
				o.joined[canal.Name] = c.JoinShare.of(canal.Third)
			}
		}
	}
	out.Clinician = clinician
	o.into = &out
	if whole(v) > 0 {
		laws := append(o.opening(), o.closing()...)
		laws = append(laws, o.laws(v.Work, eventIDs(v.Events))...)
		o.finished(whole(v), laws)
	} else {
		o.pieces()
	}
	return out, len(out.Finished) > 0 || out.BrokenOff != nil
}

// whole is the minutes of the visit as a whole that somebody entered in the
// log, 0 when the marks hold.
func whole(v Visit) float64 {
	total := 0.0
	for _, l := range v.Logged {
		if l.Minutes > 0 {
			total = l.Minutes
		}
	}
	return total
}

type observer struct {
	positioner
	applied float64
	into    *calibration.Visit
}

func (o *observer) pieces() {
	v := o.v
	from := 0
	minutes, events := 0.0, []string(nil)
	var opening []visits.Minutes
	if v.StartShared && len(v.Portion) > 0 { // one piece with what came after
		minutes, opening = v.Start, o.opening()
	} else {
		o.finished(v.Start, o.opening())
	}
	for i, portion := range v.Portion {
		minutes += portion.Minutes
		events = append(events, portion.Events...)
		if i+1 < len(v.Portion) && v.Portion[i+1].Shared {
			continue
		}
		laws := o.laws(v.Work[from:portion.Works], events)
		o.finished(minutes, append(laws, opening...))
		from, minutes, events, opening = portion.Works, 0, nil, nil
	}
	rest := max(0, v.Ended.Sub(v.Began).Minutes()-v.Paused-spent(v))
	closing := mean(o.closing())
	var inside []Work
	closed := false // steps of the closing were marked
	for _, w := range v.Work[from:] {
		if w.Stage != "" {
			inside = append(inside, w)
		} else {
			closed = true
		}
	}
	switch {
	case v.Running != "":
		done := v.Since.Sub(v.Began).Minutes() - v.sincePaused - spent(v)
		if len(inside) > 0 {
			o.finished(done, o.laws(inside, v.SinceStop))
		}
		o.brokenOff(rest-done-closing, []visits.Minutes{o.law(Work{Step: v.Running, Canal: v.RunningCanal}).Minutes})
	case len(inside) > 0:
		o.finished(v.LastWork.Sub(v.Began).Minutes()-v.workPaused-spent(v), o.laws(inside, v.SinceStop))
	case !closed && v.State.Stage < len(o.plan.Model.Stages) && rest > 2*closing+brokenWorth:
		stage, id := o.plan.Model.Stages[v.State.Stage].Work, o.plan.Model.Stages[v.State.Stage].ID
		var whole []Work
		for _, s := range stage.Once {
			whole = append(whole, Work{Step: s.ID, Stage: id})
		}
		for _, name := range o.located {
			for _, s := range stage.PerCanal {
				whole = append(whole, Work{Step: s.ID, Stage: id, Canal: name})
			}
		}
		o.brokenOff(rest-closing, o.laws(whole, v.SinceStop))
	default:
		o.finished(rest, o.closing())
	}
}

// Predicted is the mean minutes that the plan gives to one step of a visit; 0
// when it has none.
func (p Plan) Predicted(v Visit, w Work) float64 {
	b := positioner{plan: p, v: v, m: p.Model, joined: map[string]float64{}}
	b.rank()
	return mean([]visits.Minutes{b.law(w).Minutes})
}

// brokenWorth is how many minutes beyond twice the closing must have passed
// before a piece without any mark counts as begun and broken off.
const brokenWorth = 2.0

func (o *observer) opening() []visits.Minutes {
	var out []visits.Minutes
	for _, s := range o.plan.Model.Start.Once {
		out = append(out, s.Minutes)
	}
	if o.plan.Begin != (visits.State{}) {
		out = append(out, o.block(o.plan.Model.Stops[o.plan.Begin.Stage].Resume, o.plan.Begin.Found)...)
	}
	return out
}

func (o *observer) closing() []visits.Minutes {
	return o.block(o.plan.Model.Stops[o.v.State.Stage].End, len(o.located))
}

func (o *observer) block(b visits.Block, canals int) []visits.Minutes {
	var out []visits.Minutes
	for _, s := range b.Once {
		out = append(out, s.Minutes)
	}
	for _, s := range b.PerCanal {
		for rank := range min(canals, len(s.Medians)) {
			out = append(out, visits.Minutes{Median: s.Medians[rank], LogSD: s.LogSD, Scaled: s.Scaled})
		}
	}
	return out
}

func (o *observer) laws(done []Work, events []string) []visits.Minutes {
	var out []visits.Minutes
	for _, w := range done {
		if w.Stage != "" { // opening and closing are counted as blocks
			out = append(out, o.law(w).Minutes)
		}
	}
	for _, id := range events {
		if e, err := FindEvent(id); err == nil && e.Minutes != nil && e.Minutes.Median > 0 {
			out = append(out, visits.Minutes{Median: e.Minutes.Median, LogSD: e.Minutes.LogSD, Scaled: e.Minutes.Scaled})
		}
	}
	return out
}

func (o *observer) finished(minutes float64, laws []visits.Minutes) {
	if t, ok := compare(minutes, laws, o.applied); ok && minutes > 0 {
		o.into.Finished = append(o.into.Finished, t)
	}
}

func (o *observer) brokenOff(minutes float64, laws []visits.Minutes) {
	if t, ok := compare(minutes, laws, o.applied); ok && minutes > 0.5 {
		o.into.BrokenOff = &t
	}
}

// least share of the scaled minutes that is believed: a time that is shorter
// was tapped late or not at all.
const leastShare = 0.15

// compare sets minutes against the sum of their laws. What is not scaled by
// the pace (contact, onset, setting) is taken off first; the sum of the scaled
// ones is a lognormal of the same mean and variance.
func compare(minutes float64, laws []visits.Minutes, applied float64) (calibration.Timing, bool) {
	var mean, variance, fixed, fixedVar float64
	for _, l := range laws {
		m := l.Median * math.Exp(l.LogSD*l.LogSD/2)
		v := m * m * (math.Exp(l.LogSD*l.LogSD) - 1)
		if l.Scaled {
			mean, variance = mean+m, variance+v
		} else {
			fixed, fixedVar = fixed+m, fixedVar+v
		}
	}
	if mean < 1 {
		return calibration.Timing{}, false
	}
	logVar := math.Log1p(variance / (mean * mean))
	median := mean * math.Exp(-logVar/2)
	rest := max(minutes-fixed, leastShare*mean)
	return calibration.Timing{LogRatio: math.Log(rest/median) + applied, LogVariance: math.Log1p((variance + fixedVar) / (mean * mean))}, true
}

func mean(laws []visits.Minutes) float64 {
	total := 0.0
	for _, l := range laws {
		total += l.Median * math.Exp(l.LogSD*l.LogSD/2)
	}
	return total
}

func eventIDs(marks []Mark) []string {
	var out []string
	for _, m := range marks {
		out = append(out, m.Event)
	}
	return out
}

// CasePace is what the visits of one tooth say about its own log factor, given
// the spreads of the model: the posterior mean and standard deviation of a
// normal factor that persists while a visit's own factor is drawn anew. The
// observations are against a model without the tooth's own factor.
func CasePace(log []calibration.Visit, f visits.Factor) (mean, sd float64) {
	if f.CaseLogSD <= 0 {
		return 0, 0
	}
	precision, weighted := 1/(f.CaseLogSD*f.CaseLogSD), 0.0
	for _, v := range log {
		var own, sum float64
		for _, t := range v.Finished {
			own += 1 / t.LogVariance
			sum += t.LogRatio / t.LogVariance
		}
		if own == 0 {
			continue
		}
		w := 1 / (f.VisitLogSD*f.VisitLogSD + 1/own)
		precision += w
		weighted += w * sum / own
	}
	return weighted / precision, 1 / math.Sqrt(precision)
}
