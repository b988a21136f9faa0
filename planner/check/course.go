package check

import (
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/mathext/prng"
	"gonum.org/v1/gonum/stat/distuv"
)

// Clock says how a simulated clock passes.
type Clock int

// Times and factors are always drawn continuously. The clock passes with them,
// or each piece of work (the opening of a visit, a gate's check, a portion, the
// end) takes whole minutes, as the plan says.
const (
	Unrounded Clock = iota
	WholeMinutes
)

// draw is the randomness of one run: gonum's xoshiro256** generator and
// distributions, from one seed.
type draw struct {
	uniform distuv.Uniform
	normal  distuv.Normal
	// whole: each piece of work passes on the clock in whole minutes. A time
	// between two minutes passes as one of them, by chance and so that its mean is
	// kept: the one rounding that the exact answer makes.
	whole bool
}

// passes is what a piece of work takes on the clock.
func (d *draw) passes(minutes float64) float64 {
	if !d.whole {
		return minutes
	}
	down := math.Floor(minutes)
	if d.happens(minutes - down) {
		return down + 1
	}
	return down
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
	found     int // ranks 0 to found-1 are in hand, in the order of treatment
	stage     int // stages done
	inStage   int // canals done in a stage that may stop after each canal
}

// newTooth draws a tooth in the state in which the treatment begins.
func (d *draw) newTooth(t *Treatment) *tooth {
	for {
		o := d.unopened(t)
		if t.Begin == (Standing{}) {
			return o
		}
		// Begun elsewhere: the search that was made so far speaks for or against
		// further canals. Teeth whose search would have gone otherwise are drawn
		// again.
		for o.standing() != t.Begin && !o.complete() {
			s := &t.Stages[o.stage]
			d.search(o, s)
			o.advance(s)
		}
		if o.standing() == t.Begin {
			return o
		}
	}
}

func (d *draw) unopened(t *Treatment) *tooth {
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
	o := &tooth{treatment: t, exist: exist, expected: min(exist, t.Canals.Expected)}
	if !slices.ContainsFunc(t.Stages, func(s Stage) bool { return s.Locates }) {
		o.found = o.expected
	}
	return o
}

func (o *tooth) standing() Standing { return Standing{o.stage, o.inStage, o.found} }
func (o *tooth) complete() bool     { return o.stage == len(o.treatment.Stages) }

// inOrder holds the ranks of canals; a run of it is a list of canals.
var inOrder = [...]int{0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15}

// all are the canals in hand.
func (o *tooth) all() []int { return inOrder[:o.found] }

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
	before := o.found
	d.search(o, s)

	canals, whole := o.all(), true
	if s.StopAfterCanal {
		whole = o.inStage == 0
		canals = inOrder[o.inStage:min(o.inStage+1, o.found)]
	}
	minutes, bars = d.block(&s.Work, canals, whole, factor)
	if !s.Locates {
		for c := before; c < o.found; c++ {
			m, b := d.catchUp(o, c, factor)
			minutes, bars = minutes+m, bars || b
		}
	}
	o.advance(s)
	return d.passes(minutes), bars
}

// advance counts the portion of stage s as done.
func (o *tooth) advance(s *Stage) {
	if s.StopAfterCanal && o.inStage+1 < o.found {
		o.inStage++
		return
	}
	o.stage, o.inStage = o.stage+1, 0
}

// search finds canals in one portion of a stage. Nobody searches before the
// stage that locates, nor while a further canal is being treated.
func (d *draw) search(o *tooth, s *Stage) {
	switch {
	case s.Locates:
		o.found = o.expected
	case o.found == 0:
		return
	case s.StopAfterCanal && o.inStage >= o.treatment.Canals.Expected:
		return
	}
	for range o.exist - o.found {
		if d.happens(s.Discovery) {
			o.found++
		}
	}
}

// catchUp draws what a canal that was found late needs of the stages already
// done: their steps and events for each canal.
func (d *draw) catchUp(o *tooth, canal int, factor float64) (minutes float64, bars bool) {
	for i := range o.stage {
		work := &o.treatment.Stages[i].Work
		for j := range work.PerCanal {
			s := &work.PerCanal[j]
			minutes += d.minutes(s.Medians[canal], s.LogSD, s.Scaled, factor)
		}
		for j := range work.Events {
			if e := &work.Events[j]; e.PerCanal && d.happens(e.Probability) {
				minutes += d.minutes(e.Minutes.Median, e.Minutes.LogSD, e.Minutes.Scaled, factor)
				bars = bars || e.BarsFilling
			}
		}
	}
	return minutes, bars
}
