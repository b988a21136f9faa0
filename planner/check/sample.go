package check

import (
	"math"
	"sort"
)

// Sample is what many simulated courses say.
type Sample struct {
	courses  int
	visits   []visitSample // by number; [0] is not used
	points   map[Row]*tally
	found    map[int]*foundSample
	complete []int     // complete[v]: courses completed in visit v; [0] those never
	total    []float64 // minutes in the chair over all visits of a course
	number   moments   // visits a course took, at most the horizon
	unused   moments   // visits booked ahead and not needed
	cost     moments
}

// visitSample is what is known of one visit over the courses in which it took
// place.
type visitSample struct {
	minutes []float64
	onTime  int // no longer than the length, to the nearest minute
	longer  int // than the patient can bear
	overrun moments
	idle    moments
	ends    map[Standing]int
}

type tally struct{ reached, wentOn int }

type foundSample struct {
	courses  int
	complete []int
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
func Simulate(t *Treatment, b *Booking, seed uint64, courses int, clock Clock) (*Sample, error) {
	d := newDraw(seed)
	d.whole = clock == WholeMinutes
	s := &Sample{
		courses: courses, complete: make([]int, t.Horizon+1), visits: make([]visitSample, t.Horizon+1),
		points: map[Row]*tally{}, found: map[int]*foundSample{},
	}
	for i := range s.visits {
		s.visits[i].ends = map[Standing]int{}
	}
	for range courses {
		c, err := d.run(t, b)
		if err != nil {
			return nil, err
		}
		s.add(t, b, &c)
	}
	for i := range s.visits {
		sort.Float64s(s.visits[i].minutes)
	}
	sort.Float64s(s.total)
	return s, nil
}

func (s *Sample) add(t *Treatment, b *Booking, c *Course) {
	s.complete[c.Complete]++
	var total, overrun, idle float64
	for i := range c.Visits {
		v := &c.Visits[i]
		over, under := s.visits[i+1].add(t, v)
		total, overrun, idle = total+v.Minutes, overrun+over, idle+under
		for _, p := range v.Points {
			n := s.points[p.Row]
			if n == nil {
				n = &tally{}
				s.points[p.Row] = n
			}
			n.reached++
			if p.WentOn {
				n.wentOn++
			}
		}
	}
	f := s.found[c.Found]
	if f == nil {
		f = &foundSample{complete: make([]int, t.Horizon+1)}
		s.found[c.Found] = f
	}
	f.courses++
	f.complete[c.Complete]++

	visits := len(c.Visits)
	unused := max(0, b.Ahead-visits)
	cost := t.Cost.Work*total + t.Cost.Overrun*overrun + t.Cost.Idle*idle +
		t.Cost.Visit*float64(visits-1) + t.Cost.Unused*float64(unused)
	if c.Complete == 0 {
		cost += t.Cost.Visit + t.Cost.Work*c.Rest
	}
	s.total = append(s.total, total)
	s.number.add(float64(visits))
	s.unused.add(float64(unused))
	s.cost.add(cost)
}

func (s *visitSample) add(t *Treatment, v *Visit) (overrun, idle float64) {
	length, clock := float64(v.Length), math.Floor(v.Minutes+.5)
	overrun, idle = max(0, v.Minutes-length), max(0, length-v.Minutes)
	s.minutes = append(s.minutes, v.Minutes)
	s.overrun.add(overrun)
	s.idle.add(idle)
	s.ends[v.End]++
	if clock <= length {
		s.onTime++
	}
	if t.Bear.Minutes > 0 && clock > float64(t.Bear.Minutes) {
		s.longer++
	}
	return overrun, idle
}

// SimulateOneGo draws courses in which everything is done in one visit, and
// returns their minutes, sorted, and the same by the number of canals found.
func SimulateOneGo(t *Treatment, seed uint64, courses int, clock Clock) (all []float64, found map[int][]float64) {
	d := newDraw(seed)
	d.whole = clock == WholeMinutes
	found = map[int][]float64{}
	for range courses {
		minutes, n := d.oneGo(t)
		all = append(all, minutes)
		found[n] = append(found[n], minutes)
	}
	sort.Float64s(all)
	for _, f := range found {
		sort.Float64s(f)
	}
	return all, found
}

// cellsAtMost puts sorted minutes on cells of whole minutes, each divided
// between the two minutes around it, and returns the share in the cells up to
// k.
func cellsAtMost(sorted []float64, k float64) float64 {
	whole := sort.SearchFloat64s(sorted, k)
	sum := float64(whole)
	for _, x := range sorted[whole:] {
		part := k + 1 - x
		if part <= 0 {
			break
		}
		sum += part
	}
	return sum / float64(len(sorted))
}
