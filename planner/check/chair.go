package check

import (
	"math"
)

// Chair is a running visit as JSON: the model as the marks leave it, what is
// over with its minutes, and how long the piece in hand has run.
type Chair struct {
	Model    Treatment `json:"model"`
	Progress struct {
		Visit   int      `json:"visit"`
		Begin   Standing `json:"begin"`
		Done    []piece  `json:"done"`
		Running *float64 `json:"running"`
		Length  int      `json:"length"`
	} `json:"progress"`
	// Stage is the stage in hand; the first Split of Model from there on are
	// pieces of its portion, between which nobody stops.
	Stage int `json:"stage"`
	Split int `json:"split"`
}

type piece struct {
	Minutes float64 `json:"minutes"`
	Found   int     `json:"found"`
}

// ReadChair reads the state of a running visit.
func ReadChair(from []byte) (*Chair, error) {
	var c Chair
	if err := readLoose(from, &c); err != nil {
		return nil, err
	}
	return &c, c.Model.known()
}

// ChairSample is what weighted courses say about going straight on: for each
// stage at whose end the visit may be closed, the odds that its minutes, closing
// included, are at most a number of minutes.
type ChairSample struct {
	ends map[int][]weighted
}

type weighted struct{ weight, minutes float64 }

// inner is how many times the minutes of a finished piece are drawn to estimate
// how likely the observed ones are: the estimate has no bias, so that the
// weights have none.
const inner = 60

// SampleChair draws courses and weighs each by the probability of what was
// observed, given its tooth and its factors. No gate fails: whether the tooth
// may be filled is another question.
func SampleChair(c *Chair, seed uint64, courses int) *ChairSample {
	d := newDraw(seed)
	out := &ChairSample{ends: map[int][]weighted{}}
	for range courses {
		c.course(d, out)
	}
	return out
}

func (c *Chair) course(d *draw, out *ChairSample) {
	t := &c.Model
	o := d.unopened(t)
	for o.standing() != c.Progress.Begin && !o.complete() {
		s := &t.Stages[o.stage]
		d.search(o, s)
		o.advance(s)
	}
	if o.standing() != c.Progress.Begin {
		return
	}
	factor := d.factor(t, t.Factor.CaseLogSD*d.normal.Rand())
	weight, used := 1.0, 0.0
	open := func() float64 {
		m, _ := d.open(o, c.Progress.Visit == 1, factor)
		return m
	}
	for i, p := range c.Progress.Done {
		used += p.Minutes
		if i == 0 {
			weight *= near(open, p.Minutes)
			continue
		}
		if !c.begin(d, o, p.Found) {
			return
		}
		work := c.work(d, o, p.Found, factor)
		weight *= near(work, p.Minutes)
		o.advance(&t.Stages[o.stage])
	}
	if weight == 0 {
		return
	}
	used = math.Floor(used + .5)
	if c.Progress.Running != nil {
		over := math.Floor(*c.Progress.Running+.5) + .5
		if len(c.Progress.Done) == 0 {
			m := open()
			if m < over {
				return
			}
			used += m
		} else {
			before := o.found
			d.search(o, &t.Stages[o.stage])
			m := c.work(d, o, o.found-before, factor)()
			if m < over {
				return
			}
			used += m
			o.advance(&t.Stages[o.stage])
			c.close(d, o, factor, weight, used, out)
		}
	} else if len(c.Progress.Done) == 0 {
		used += open()
	}
	for !o.complete() {
		before := o.found
		d.search(o, &t.Stages[o.stage])
		used += c.work(d, o, o.found-before, factor)()
		o.advance(&t.Stages[o.stage])
		c.close(d, o, factor, weight, used, out)
	}
}

// begin makes the search of a portion and reports whether it found as many
// canals as were found.
func (c *Chair) begin(d *draw, o *tooth, found int) bool {
	before := o.found
	d.search(o, &o.treatment.Stages[o.stage])
	return o.found-before == found
}

// work draws the minutes of the portion in hand, its check included, for the
// canals found by now.
func (c *Chair) work(d *draw, o *tooth, found int, factor float64) func() float64 {
	s := &o.treatment.Stages[o.stage]
	canals, whole := o.all(), true
	if s.StopAfterCanal {
		whole = o.inStage == 0
		canals = inOrder[o.inStage:min(o.inStage+1, o.found)]
	}
	return func() float64 {
		m, _ := d.block(&s.Work, canals, whole, factor)
		if s.Gate != nil && o.inStage == 0 {
			m += d.minutes(s.Gate.Check.Median, s.Gate.Check.LogSD, s.Gate.Check.Scaled, factor)
		}
		if !s.Locates {
			for canal := o.found - found; canal < o.found; canal++ {
				late, _ := d.catchUp(o, canal, factor)
				m += late
			}
		}
		return m
	}
}

// near estimates the probability of the minute that was observed.
func near(draw func() float64, minutes float64) float64 {
	minute := math.Floor(minutes + .5)
	hits := 0
	for range inner {
		if m := draw(); m >= minute-.5 && m < minute+.5 {
			hits++
		}
	}
	return float64(hits) / inner
}

// close notes how long the visit would be when it is closed here.
func (c *Chair) close(d *draw, o *tooth, factor, weight, used float64, out *ChairSample) {
	if o.inStage > 0 || o.stage > c.Stage && o.stage <= c.Stage+c.Split {
		return
	}
	m, _ := d.block(&o.treatment.Stops[o.stage].End, o.all(), true, factor)
	out.ends[o.stage] = append(out.ends[o.stage], weighted{weight, used + m})
}

// AtMost is the share of the courses that reach the end of a stage and close
// there within some minutes, with its standard error. A share is of whole
// minutes, as the clock is read.
func (s *ChairSample) AtMost(stage, minutes int) (share, standardError float64) {
	var sum, hits float64
	for _, w := range s.ends[stage] {
		sum += w.weight
		if math.Floor(w.minutes+.5) <= float64(minutes) {
			hits += w.weight
		}
	}
	if sum == 0 {
		return math.NaN(), math.NaN()
	}
	share = hits / sum
	var squares float64
	for _, w := range s.ends[stage] {
		x := 0.0
		if math.Floor(w.minutes+.5) <= float64(minutes) {
			x = 1
		}
		squares += w.weight * w.weight * (x - share) * (x - share)
	}
	return share, math.Sqrt(squares) / sum
}

// Draws is the number of equally weighted courses that say as much.
func (s *ChairSample) Draws(stage int) float64 {
	var sum, squares float64
	for _, w := range s.ends[stage] {
		sum += w.weight
		squares += w.weight * w.weight
	}
	if squares == 0 {
		return 0
	}
	return sum * sum / squares
}
