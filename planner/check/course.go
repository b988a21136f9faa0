package check

import (
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/mathext/prng"
	"gonum.org/v1/gonum/stat/distuv"
)

// draw is the randomness of one run: gonum's xoshiro256** generator and
// distributions, from one seed.
type draw struct {
	uniform distuv.Uniform
	normal  distuv.Normal
}

func newDraw(seed uint64) *draw {
	source := rand.New(prng.NewXoshiro256starstar(seed))
	return &draw{
		uniform: distuv.Uniform{Min: 0, Max: 1, Src: source},
		normal:  distuv.Normal{Mu: 0, Sigma: 1, Src: source},
	}
}

func (d *draw) happens(p float64) bool { return d.uniform.Rand() < p }

// minutes draws one duration; factor multiplies it when it is scaled.
func (d *draw) minutes(median, logSD float64, scaled bool, factor float64) float64 {
	m := median
	if logSD > 0 {
		m *= math.Exp(logSD * d.normal.Rand())
	}
	if scaled {
		m *= factor
	}
	return m
}

// tooth is what is true of the tooth and what is done, in one course.
type tooth struct {
	treatment *Treatment
	exist     int // canals to treat
	expected  int // located at access if they exist
	located   bool
	found     []int // ranks, in the order of treatment
	stage     int   // stages done
	inStage   int   // canals done in a stage that may stop after each canal
}

func (d *draw) newTooth(t *Treatment) *tooth {
	u, exist := d.uniform.Rand(), 0
	for n, p := range t.Canals.P {
		if p == 0 {
			continue
		}
		exist = n
		if u < p {
			break
		}
		u -= p
	}
	return &tooth{treatment: t, exist: exist, expected: min(exist, t.Canals.Expected)}
}

func (o *tooth) complete() bool { return o.stage == len(o.treatment.Stages) }

// block draws the minutes of a block done on the canals given, and whether an
// event in it bars filling in this visit. Once tells whether the parts that
// belong to the block as a whole are due.
func (d *draw) block(b *Block, canals []int, once bool, factor float64) (minutes float64, bars bool) {
	var touching, rest float64
	add := func(id string, m float64) {
		if slices.Contains(b.Overlaps, id) {
			touching += m
			return
		}
		rest += m
	}
	if once {
		for i := range b.Once {
			s := &b.Once[i]
			add(s.ID, d.minutes(s.Median, s.LogSD, s.Scaled, factor))
		}
	}
	for i := range b.PerCanal {
		s := &b.PerCanal[i]
		for _, c := range canals {
			add(s.ID, d.minutes(s.Medians[c], s.LogSD, s.Scaled, factor))
		}
	}
	if b.Contact > 0 {
		touching = max(touching, b.Contact)
	}
	minutes = touching + rest
	for i := range b.Events {
		e := &b.Events[i]
		times := 0
		switch {
		case e.PerCanal:
			times = len(canals)
		case once:
			times = 1
		}
		for range times {
			if d.happens(e.Probability) {
				minutes += d.minutes(e.Minutes.Median, e.Minutes.LogSD, e.Minutes.Scaled, factor)
				bars = bars || e.BarsFilling
			}
		}
	}
	return minutes, bars
}

// portion does the next portion of the treatment: a stage, or one canal of a
// stage that may stop after each canal.
func (d *draw) portion(o *tooth, factor float64) (minutes float64, bars bool) {
	s := &o.treatment.Stages[o.stage]
	late := d.search(o, s)
	for _, c := range late {
		minutes += d.catchUp(o, c, factor)
	}
	canals, once := o.found, true
	if s.StopAfterCanal {
		canals, once = o.found[o.inStage:o.inStage+1], o.inStage == 0
	}
	m, bars := d.block(&s.Work, canals, once, factor)
	minutes += m

	if s.StopAfterCanal && o.inStage+1 < len(o.found) {
		o.inStage++
		return minutes, bars
	}
	o.stage, o.inStage = o.stage+1, 0
	return minutes, bars
}

// search finds canals in one portion of a stage and returns those that were
// found late, so that work of earlier stages is due on them.
func (d *draw) search(o *tooth, s *Stage) (late []int) {
	if !o.located {
		if !s.Locates {
			return nil
		}
		o.located = true
		for c := range o.expected {
			o.found = append(o.found, c)
		}
	}
	for range o.exist - len(o.found) {
		if d.happens(s.Discovery) {
			c := len(o.found)
			o.found = append(o.found, c)
			late = append(late, c)
		}
	}
	return late
}

// catchUp draws the per-canal steps of the stages already done, for one canal.
func (d *draw) catchUp(o *tooth, canal int, factor float64) float64 {
	var minutes float64
	for i := range o.stage {
		work := &o.treatment.Stages[i].Work
		for j := range work.PerCanal {
			s := &work.PerCanal[j]
			minutes += d.minutes(s.Medians[canal], s.LogSD, s.Scaled, factor)
		}
	}
	return minutes
}
