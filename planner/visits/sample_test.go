package visits

import (
	"math"
	"math/rand/v2"
)

// sampler draws treatments from a model under a plan, step by step in
// continuous minutes. It follows the words of Model's documentation and shares
// no code with the recursion.
type sampler struct {
	m       Model
	r       Result
	rng     *rand.Rand
	lengths map[[4]int]int
	table   map[[5]int]Entry
	forbid  int
	fills   []bool
	// watch, when set, sees the minutes used after the opening of a visit and after
	// every portion; the treatment is given up when it returns false.
	watch func(visit int, used float64, at State) bool
}

type drawn struct {
	visits   int // visits that took place
	complete bool
	minutes  []float64 // by visit
	lengths  []int
	found    int
}

func newSampler(m Model, r Result, seed uint64) *sampler {
	s := &sampler{m: m, r: r, rng: rand.New(rand.NewPCG(seed, 17)), lengths: map[[4]int]int{}, table: map[[5]int]Entry{}, forbid: r.Option.EarliestCompletion}
	for _, l := range r.Lengths {
		s.lengths[[4]int{l.Visit, l.Begin.Stage, l.Begin.Canal, l.Begin.Found}] = l.Minutes
	}
	for _, e := range r.Table {
		b := 0
		if e.Barred {
			b = 1
		}
		s.table[[5]int{e.Visit, e.State.Stage, e.State.Canal, e.State.Found, b}] = e
	}
	any := false
	for _, st := range m.Stages {
		any = any || st.Fills
	}
	for i, st := range m.Stages {
		s.fills = append(s.fills, st.Fills || (!any && i == len(m.Stages)-1))
	}
	return s
}

func (s *sampler) minutes(m Minutes, u float64) float64 {
	x := m.Median
	if m.LogSD > 0 {
		x *= math.Exp(m.LogSD * s.rng.NormFloat64())
	}
	if m.Scaled {
		x *= u
	}
	return x
}

// block draws a block: once, then the canals given by rank.
func (s *sampler) block(b Block, once bool, ranks []int, catchUp bool, u float64, barred *bool) float64 {
	under := map[string]bool{}
	contact := b.Contact
	if catchUp || (!once && len(ranks) == 0) {
		contact = 0
	}
	if contact > 0 {
		for _, id := range b.Overlaps {
			under[id] = true
		}
	}
	over, rest := 0.0, 0.0
	put := func(id string, t float64) {
		if under[id] {
			over += t
		} else {
			rest += t
		}
	}
	event := func(e Event) {
		if s.rng.Float64() < e.Probability {
			rest += s.minutes(e.Minutes, u)
			if e.BarsFilling {
				*barred = true
			}
		}
	}
	if once {
		for _, st := range b.Once {
			put(st.ID, s.minutes(st.Minutes, u))
		}
		for _, e := range b.Events {
			if !e.PerCanal {
				event(e)
			}
		}
	}
	for _, c := range ranks {
		for _, st := range b.PerCanal {
			put(st.ID, s.minutes(Minutes{st.Medians[c], st.LogSD, st.Scaled}, u))
		}
		for _, e := range b.Events {
			if e.PerCanal {
				event(e)
			}
		}
	}
	return rest + math.Max(over, contact)
}

func span(n int) []int {
	var out []int
	for i := range n {
		out = append(out, i)
	}
	return out
}

func (s *sampler) treatment() drawn {
	m := s.m
	n, x := 0, s.rng.Float64()
	for i, p := range m.Canals.P {
		n = i
		if x -= p; x < 0 {
			break
		}
	}
	caseU := m.Factor.CaseLogSD * s.rng.NormFloat64()
	at := m.Begin
	locates := -1
	for i, st := range m.Stages {
		if st.Locates {
			locates = i
		}
	}
	if locates < 0 && at.Found == 0 {
		at.Found = min(n, m.Canals.Expected)
	}
	var d drawn
	for v := 1; v <= m.Horizon; v++ {
		u := math.Exp(caseU + m.Factor.VisitLogSD*s.rng.NormFloat64())
		barred := false
		length := s.lengths[[4]int{v, at.Stage, at.Canal, at.Found}]
		used := s.block(m.Start, true, nil, false, u, &barred)
		if v > 1 || at != (State{}) {
			if !(v == 1 && m.Begin == (State{})) {
				used += s.block(m.Stops[at.Stage].Resume, true, span(at.Found), false, u, &barred)
			}
		}
		if s.watch != nil && !s.watch(v, used, at) {
			return d
		}
		for first := true; ; first = false {
			st := m.Stages[at.Stage]
			if s.fills[at.Stage] && (barred || v < s.forbid) {
				break
			}
			if !first && m.Stops[at.Stage].Allowed {
				left := max(0, length-int(math.Floor(used+0.5)))
				b := 0
				if barred {
					b = 1
				}
				e, ok := s.table[[5]int{v, at.Stage, at.Canal, at.Found, b}]
				if !ok {
					panic("no entry")
				}
				if left < e.LeastLeft {
					break
				}
			}
			if st.Gate != nil && at.Canal == 0 {
				used += s.minutes(st.Gate.Check, u)
				p := st.Gate.AfterDress
				if v == 1 && m.Begin == (State{}) {
					p = st.Gate.FirstVisit
				}
				if s.rng.Float64() >= p {
					break
				}
			}
			split := st.StopAfterCanal && at.Found > 0
			found := 0
			if st.Locates {
				found = min(n, m.Canals.Expected)
				for range n - found {
					if s.rng.Float64() < st.Discovery {
						found++
					}
				}
			} else if at.Stage > locates && at.Found < n && (!split || at.Canal < m.Canals.Expected) {
				for range n - at.Found {
					if s.rng.Float64() < st.Discovery {
						found++
					}
				}
			}
			if split {
				used += s.block(st.Work, at.Canal == 0, []int{at.Canal}, false, u, &barred)
			} else {
				used += s.block(st.Work, true, span(at.Found+found), false, u, &barred)
			}
			if !st.Locates {
				for c := at.Found; c < at.Found+found; c++ {
					for i := range at.Stage {
						used += s.block(m.Stages[i].Work, false, []int{c}, true, u, &barred)
					}
				}
			}
			at.Found += found
			if split && at.Canal+1 < at.Found {
				at.Canal++
			} else {
				at.Stage, at.Canal = at.Stage+1, 0
			}
			if s.watch != nil && !s.watch(v, used, at) {
				return d
			}
			if at.Stage == len(m.Stages) {
				break
			}
		}
		used += s.block(m.Stops[at.Stage].End, true, span(at.Found), false, u, &barred)
		d.visits, d.minutes, d.lengths = v, append(d.minutes, used), append(d.lengths, length)
		if at.Stage == len(m.Stages) {
			d.complete = true
			break
		}
	}
	d.found = at.Found
	return d
}
