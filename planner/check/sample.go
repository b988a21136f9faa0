package check

import (
	"math"
	"sort"
)

// Sample is what many simulated courses say.
type Sample struct {
	courses  int
	complete []int // complete[v]: courses completed in visit v; [0] those never
	visits   []visitSample
	total    []float64 // minutes in the chair over all visits of a course
	overrun  moments   // per course, over its visits
	idle     moments
	cost     moments
	number   moments // visits a course took, at most the horizon
}

// visitSample is what is known of one visit over the courses in which it took
// place.
type visitSample struct {
	minutes []float64
	overrun moments
	idle    moments
}

// moments accumulates a mean and its standard error.
type moments struct {
	n            int
	sum, squares float64
}

func (m *moments) add(x float64) {
	m.n++
	m.sum += x
	m.squares += x * x
}

func (m *moments) mean() float64 { return m.sum / float64(m.n) }

func (m *moments) standardError() float64 {
	n := float64(m.n)
	mean := m.sum / n
	return math.Sqrt(max(0, m.squares/n-mean*mean) / n)
}

// Simulate draws courses of one option from one seed.
func Simulate(t *Treatment, b *Booking, seed uint64, courses int) *Sample {
	d := newDraw(seed)
	s := &Sample{courses: courses, complete: make([]int, t.Horizon+1), visits: make([]visitSample, t.Horizon+1)}
	for range courses {
		c := d.run(t, b)
		s.complete[c.Complete]++
		var total, overrun, idle float64
		for i, minutes := range c.Minutes {
			v, length := &s.visits[i+1], float64(b.length(i+1))
			v.minutes = append(v.minutes, minutes)
			v.overrun.add(max(0, minutes-length))
			v.idle.add(max(0, length-minutes))
			total += minutes
			overrun += max(0, minutes-length)
			idle += max(0, length-minutes)
		}
		s.total = append(s.total, total)
		s.overrun.add(overrun)
		s.idle.add(idle)
		s.number.add(float64(len(c.Minutes)))
		cost := t.Cost.Work*total + t.Cost.Overrun*overrun + t.Cost.Idle*idle +
			t.Cost.Visit*float64(len(c.Minutes)-1) + t.Cost.Unused*float64(max(0, len(b.Lengths)-len(c.Minutes)))
		s.cost.add(cost)
	}
	for i := range s.visits {
		sort.Float64s(s.visits[i].minutes)
	}
	sort.Float64s(s.total)
	return s
}

// completeBy is the share of courses complete by the end of a visit.
func (s *Sample) completeBy(visit int) float64 {
	n := 0
	for v := 1; v <= visit; v++ {
		n += s.complete[v]
	}
	return float64(n) / float64(s.courses)
}

// below is the share of sorted minutes not longer than x.
func below(sorted []float64, x float64) float64 {
	return float64(sort.SearchFloat64s(sorted, math.Nextafter(x, math.Inf(1)))) / float64(len(sorted))
}
