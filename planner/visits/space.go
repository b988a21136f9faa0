package visits

import "math"

// space knows the states of a treatment and how a portion leads from one to the
// next. It depends on the model's stages and canals, not on its minutes.
type space struct {
	m       Model
	most    int // canals that the belief can hold
	locates int // stage that locates, or -1
	fills   []bool
	states  []State
	index   map[State]int
	moves   [][]move // by state: what a portion begun there can lead to
	entry   []begin  // where the first visit begins
}

// move is one outcome of a portion: so many canals found, with a probability
// that follows from the belief.
type move struct {
	found int // canals found in the portion
	to    int // index of the state reached
	prob  float64
}

func newSpace(m Model) *space {
	sp := &space{m: m, most: len(m.Canals.P) - 1, locates: m.locating(), index: map[State]int{}}
	sp.fills = make([]bool, len(m.Stages))
	any := false
	for i, s := range m.Stages {
		sp.fills[i] = s.Fills
		any = any || s.Fills
	}
	if !any {
		sp.fills[len(m.Stages)-1] = true
	}
	return sp
}

// enumerate lists every state that can be met from the beginning, in an order
// in which each portion leads to a later one, and the moves between them.
func (sp *space) enumerate() {
	var todo []State
	seen := map[State]bool{}
	add := func(s State) {
		if !seen[s] {
			seen[s] = true
			todo = append(todo, s)
		}
	}
	sp.entry = sp.begins()
	for _, b := range sp.entry {
		add(b.state)
	}
	for len(todo) > 0 {
		s := todo[len(todo)-1]
		todo = todo[:len(todo)-1]
		for g := 0; g <= sp.most; g++ {
			if sp.possible(s, g) {
				add(sp.after(s, g))
			}
		}
	}
	for stage := 0; stage <= len(sp.m.Stages); stage++ {
		for canal := 0; canal <= sp.most; canal++ {
			for found := 0; found <= sp.most; found++ {
				if s := (State{stage, canal, found}); seen[s] {
					sp.index[s] = len(sp.states)
					sp.states = append(sp.states, s)
				}
			}
		}
	}
	sp.moves = make([][]move, len(sp.states))
	for i, s := range sp.states {
		if sp.complete(s) {
			continue
		}
		p := sp.discovery(s)
		for g := 0; g <= sp.most; g++ {
			if sp.possible(s, g) {
				sp.moves[i] = append(sp.moves[i], move{found: g, to: sp.index[sp.after(s, g)], prob: p[g]})
			}
		}
	}
}

// begin is a state in which the first visit begins, with its probability.
type begin struct {
	state State
	prob  float64
}

// begins returns the states in which visit 1 begins. There is one, unless no
// stage locates and the number of canals in hand is not given.
func (sp *space) begins() []begin {
	b := sp.m.Begin
	if sp.locates >= 0 || b.Found > 0 {
		return []begin{{b, 1}}
	}
	odds := make([]float64, sp.most+1)
	for n, p := range sp.m.Canals.P {
		odds[min(n, sp.m.Canals.Expected)] += p
	}
	var out []begin
	for f, p := range odds {
		if p > 0 {
			out = append(out, begin{State{b.Stage, b.Canal, f}, p})
		}
	}
	return out
}

func (sp *space) complete(s State) bool { return s.Stage == len(sp.m.Stages) }

// splits reports whether the next portion of the state is the work on one canal.
func (sp *space) splits(s State) bool {
	return sp.m.Stages[s.Stage].StopAfterCanal && s.Found > 0
}

// after is the state reached by a portion in which that many canals were found.
func (sp *space) after(s State, found int) State {
	f := s.Found + found
	if sp.splits(s) && s.Canal+1 < f {
		return State{s.Stage, s.Canal + 1, f}
	}
	return State{s.Stage + 1, 0, f}
}

// searches reports whether canals still unfound can be found in the next
// portion: in a whole stage always, in a stage that stops after each canal only
// while one of the expected canals is worked on. That keeps the chance that a
// canal was missed the same on every path into a state.
func (sp *space) searches(s State) bool {
	if s.Stage <= sp.locates {
		return false
	}
	return !sp.splits(s) || s.Canal < sp.m.Canals.Expected
}

// possible reports whether a portion begun in the state can find that many
// canals, whatever the belief.
func (sp *space) possible(s State, found int) bool {
	switch {
	case sp.complete(s):
		return false
	case s.Stage == sp.locates:
		return found >= 1 && found <= sp.most
	case found == 0:
		return true
	case s.Found < sp.m.Canals.Expected || !sp.searches(s):
		return false
	}
	return sp.m.Stages[s.Stage].Discovery > 0 && s.Found+found <= sp.most
}

// missed is the probability that a canal beyond the expected ones has escaped
// every search up to the state.
func (sp *space) missed(s State) float64 {
	q := 1.0
	for i := 0; i < s.Stage; i++ {
		miss := 1 - sp.m.Stages[i].Discovery
		switch {
		case i < sp.locates:
		case sp.m.Stages[i].StopAfterCanal:
			q *= math.Pow(miss, float64(sp.m.Canals.Expected))
		default:
			q *= miss
		}
	}
	if s.Canal > 0 {
		q *= math.Pow(1-sp.m.Stages[s.Stage].Discovery, float64(min(s.Canal, sp.m.Canals.Expected)))
	}
	return q
}

// belief is what is believed about the number of canals in a state, not
// normalised: weight n belongs to exactly n canals.
//
// Given n, each canal beyond the expected E is found at search j with
// probability d_j(1-d_1)...(1-d_{j-1}), independently, so a path on which f
// canals were found by now has probability C(n-E, f-E) times a factor that does
// not depend on n times (missed)^(n-f). What is not a function of n cancels:
// the belief depends on the state alone, not on when the canals were found.
func (sp *space) belief(s State) []float64 {
	b, e := sp.m.Canals.P, sp.m.Canals.Expected
	w := make([]float64, sp.most+1)
	switch {
	case sp.locates >= 0 && s.Stage <= sp.locates:
		copy(w, b)
	case s.Found < e:
		w[s.Found] = b[s.Found]
	default:
		q := sp.missed(s)
		for n := s.Found; n <= sp.most; n++ {
			w[n] = b[n] * choose(n-e, s.Found-e) * math.Pow(q, float64(n-s.Found))
		}
	}
	return w
}

// discovery returns the probability of finding g canals in the next portion.
func (sp *space) discovery(s State) []float64 {
	out := make([]float64, sp.most+1)
	w := sp.belief(s)
	total := 0.0
	for _, p := range w {
		total += p
	}
	if total == 0 { // a state that the belief excludes: nothing more is expected
		for g := range out {
			if sp.possible(s, g) {
				out[g] = 1
				return out
			}
		}
	}
	d := sp.m.Stages[s.Stage].Discovery
	for n, p := range w {
		p /= total
		if p == 0 {
			continue
		}
		if s.Stage == sp.locates {
			in := min(n, sp.m.Canals.Expected)
			for g := 0; g <= n-in; g++ {
				out[in+g] += p * binomial(n-in, g, d)
			}
			continue
		}
		if !sp.searches(s) || n <= s.Found {
			out[0] += p
			continue
		}
		for g := 0; g <= n-s.Found; g++ {
			out[g] += p * binomial(n-s.Found, g, d)
		}
	}
	return out
}

func choose(n, k int) float64 {
	c := 1.0
	for i := 0; i < k; i++ {
		c = c * float64(n-i) / float64(i+1)
	}
	return c
}

func binomial(n, k int, p float64) float64 {
	return choose(n, k) * math.Pow(p, float64(k)) * math.Pow(1-p, float64(n-k))
}
