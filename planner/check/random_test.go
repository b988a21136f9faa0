package check

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
)

// randomTreatment makes a small treatment from a seed, so that combinations
// which no shipped protocol has are compared too: stops that may not be chosen,
// gates, events that bar filling, irrigant contact, stages that stop after each
// canal, treatments begun elsewhere, treatments in which nothing is located.
// Every visit has a few minutes of spread, so that quantiles mean something on
// whole minutes.
func randomTreatment(seed uint64) *Treatment {
	r := rand.New(rand.NewPCG(seed, 46))
	chance := func(p float64) bool { return r.Float64() < p }
	between := func(a, b float64) float64 { return a + (b-a)*r.Float64() }
	law := func(a, b float64) Law {
		return Law{Median: between(a, b), LogSD: between(.15, .6), Scaled: chance(.8)}
	}
	ids := 0
	id := func(kind string) string { ids++; return fmt.Sprintf("%s-%d", kind, ids) }

	t := &Treatment{Protocol: fmt.Sprintf("random-%d", seed), Tooth: "46", Clock: clockRule}
	most := 1 + r.IntN(4)
	t.Canals.P = make([]float64, most+1)
	sum := 0.0
	for n := 1; n <= most; n++ {
		t.Canals.P[n] = between(.05, 1)
		sum += t.Canals.P[n]
	}
	for n := range t.Canals.P {
		t.Canals.P[n] /= sum
	}
	t.Canals.Expected = 1 + r.IntN(most)
	for n := range most {
		t.Canals.Names = append(t.Canals.Names, fmt.Sprintf("C%d", n+1))
	}
	t.Factor.CaseLogSD, t.Factor.VisitLogSD = between(0, .3), between(0, .2)

	once := func(b *Block, l Law) {
		b.Once = append(b.Once, onceStep{id("once"), l})
	}
	perCanal := func(b *Block, a, c float64) {
		s := canalStep{ID: id("canal"), LogSD: between(.15, .6), Scaled: chance(.8)}
		for range most {
			s.Medians = append(s.Medians, between(a, c))
		}
		b.PerCanal = append(b.PerCanal, s)
		if chance(.4) {
			b.Overlaps = append(b.Overlaps, s.ID)
			b.Contact = between(3, 12)
		}
	}
	addEvent := func(b *Block, perCanal, bars bool) {
		b.Events = append(b.Events, event{id("event"), perCanal, between(.05, .4), law(2, 10), bars})
	}

	once(&t.Start, Law{Median: between(8, 14), LogSD: between(.3, .5), Scaled: true})
	if chance(.4) {
		addEvent(&t.Start, false, chance(.3))
	}
	stages := 2 + r.IntN(4)
	locates := r.IntN(3) - 1 // -1: nothing locates
	for i := range stages {
		s := Stage{ID: id("stage"), Locates: i == locates}
		located := i >= locates
		once(&s.Work, law(2, 8))
		if located {
			if chance(.8) {
				perCanal(&s.Work, 2, 9)
			}
			if chance(.5) {
				s.Discovery = between(.1, .6)
			}
			s.StopAfterCanal = i != locates && chance(.4)
		}
		s.Fills = i == stages-1 && chance(.7) || i == stages-2 && i > locates && chance(.2)
		if chance(.4) {
			addEvent(&s.Work, located && chance(.5), !s.Fills && chance(.4))
		}
		if i > 0 && chance(.4) {
			s.Gate = &Gate{FirstVisit: between(.4, 1), AfterDress: between(.5, 1), Check: law(.5, 2)}
		}
		t.Stages = append(t.Stages, s)
	}
	for i := range stages + 1 {
		s := Stop{ID: id("stop"), Allowed: i > 0 && chance(.85)}
		once(&s.End, law(2, 6))
		once(&s.Resume, law(1, 5))
		if chance(.3) {
			addEvent(&s.End, chance(.3), false)
		}
		if i > max(locates, 0) && chance(.3) {
			perCanal(&s.Resume, .5, 2)
		}
		if chance(.2) {
			addEvent(&s.Resume, false, chance(.5))
		}
		t.Stops = append(t.Stops, s)
	}
	if locates >= 0 && locates+1 < stages && chance(.25) {
		t.Begin = Standing{Stage: locates + 1 + r.IntN(stages-locates-1), Found: t.Canals.Expected}
	}
	t.Cost.Work, t.Cost.Overrun, t.Cost.Idle = 1, between(1, 4), between(.3, 2)
	t.Cost.Visit, t.Cost.Unused = between(5, 60), between(5, 40)
	t.Grid.Least, t.Grid.Most, t.Grid.Step = 20, 140, 10
	t.Horizon, t.Cap = 2+r.IntN(4), 480
	return t
}

func (t *Treatment) json() []byte {
	b, err := json.Marshal(t)
	if err != nil {
		panic(err) // plain structs of numbers and strings
	}
	return b
}
