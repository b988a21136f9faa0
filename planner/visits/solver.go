package visits

import (
	"math"
	"reflect"
	"slices"
	"sync"

	"github.com/visitwright/visitwright/planner/chairtime"
)

// Solver solves models and keeps what it has computed about their steps: the
// same steps under another belief, other costs, lengths or options are not
// convolved again. The zero Solver is ready; it may be used by several
// goroutines at once. Results do not depend on what was solved before.
type Solver struct {
	mu   sync.Mutex
	key  shopKey
	shop *workshop

	// The model seen last: its options share everything but lengths and thresholds.
	// It is a copy, which the caller cannot change.
	last   *Model
	lastKS *kernelSet
	lastSP *space
	lastOf []bool // the states that mattered, nil for all

	// For the question in the chair, each with its own kernels: with the plan that was
	// accepted, and without.
	chair, anew      *Solver
	answers, planned bool // this is one of those, the first

	way    *workshop // for the way to the end
	wayKey shopKey
}

type shopKey struct {
	factor Factor
	cap    int
	counts nodeCounts
}

// keepKernels bounds what a Solver keeps; beyond it everything is forgotten.
const keepKernels = 4096

// Solve is the function Solve with kernels kept.
func (s *Solver) Solve(m Model, o Option) (Result, error) {
	r, err := s.prepare(m, o)
	if err != nil {
		return Result{}, err
	}
	defer r.free()
	return r.solve()
}

// Distribution is the function Distribution.
func (s *Solver) Distribution(m Model) (Treatment, error) { return Distribution(m) }

// Follow is the function Follow with kernels kept.
func (s *Solver) Follow(m Model, o Option, lengths []Length, table []Entry) (Result, error) {
	r, err := s.prepare(m, o)
	if err != nil {
		return Result{}, err
	}
	defer r.free()
	if err := r.given(lengths, table); err != nil {
		return Result{}, err
	}
	return r.result(0, r.followed()), nil
}

// prepare validates, and makes the kernels that are missing.
func (s *Solver) prepare(m Model, o Option) (*run, error) {
	return s.prepareWith(m, o, everything, func(r *run) error {
		r.findStarts()
		r.findBeginnings(s.shop, 0)
		return nil
	})
}

// everything matters.
func everything(*space) []bool { return nil }

// prepareWith is prepare with the beginnings found by a function, which may use
// the workshop, and with kernels for what matters.
func (s *Solver) prepareWith(m Model, o Option, matters func(*space) []bool, find func(*run) error) (*run, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	known := s.last != nil && reflect.DeepEqual(*s.last, m) // and so was valid
	if !known {
		if err := Validate(m); err != nil {
			return nil, err
		}
	}
	o, err := o.resolve(m)
	if err != nil {
		return nil, err
	}
	key := shopKey{m.Factor, m.Cap, o.counts(m.Factor)}
	key.counts.chair, key.counts.planned = s.answers, s.planned
	if s.shop == nil || s.key != key || len(s.shop.kernels)+len(s.shop.turns) > keepKernels {
		s.key, s.shop, s.last, known = key, newWorkshop(m.Factor, m.Cap, key.counts, new(scratch)), nil, false
	}
	if !known {
		own := m.Clone()
		sp := newSpace(own)
		sp.enumerate()
		s.last, s.lastSP = &own, sp
	}
	if of := matters(s.lastSP); !known || !slices.Equal(of, s.lastOf) {
		s.lastOf, s.lastKS = of, s.shop.kernelsOf(s.lastSP, of)
	}
	r := newRun(s.lastSP, s.lastKS, o)
	if err := find(r); err != nil {
		r.free()
		return nil, err
	}
	return r, nil
}

// Solve finds the appointment lengths and the go-on table that cost least for
// one option, and the odds that follow. It returns a *FieldError for a model or
// option out of range, and an error that wraps ErrTooShort or ErrUnbearable when
// the option cannot be kept.
func Solve(m Model, o Option) (Result, error) { return new(Solver).Solve(m, o) }

// Distribution returns the minutes of the whole treatment in one go. It returns
// a *FieldError for a model out of range.
func Distribution(m Model) (Treatment, error) {
	if err := Validate(m); err != nil {
		return Treatment{}, err
	}
	// In one visit both factors act as one, with the sum of their variances.
	both := Factor{CaseLogSD: math.Hypot(m.Factor.CaseLogSD, m.Factor.VisitLogSD)}
	s := spaces.Get().(*scratch)
	defer func() { s.convolver.Forget(); s.cells.empty(); spaces.Put(s) }()
	w := newWorkshop(both, m.Cap, nodeCounts{}, s)
	sp := newSpace(m)
	sp.enumerate()
	o, err := Option{}.resolve(m)
	if err != nil {
		return Treatment{}, err
	}
	r := newRun(sp, w.straightOf(sp), o)
	defer r.free()
	r.set = r.ks.sets[odds]
	return r.treatment(), nil
}

// scratch is the working space of a workshop, and the cells that it hands out.
type scratch struct {
	convolver chairtime.Convolver
	cells     arena
}

var spaces = sync.Pool{New: func() any { return new(scratch) }}

// Follow returns what follows from lengths and a table that are given, instead
// of chosen, as Solve returned them or changed. Entries and lengths that are
// missing count as always going on and as the longest length on the grid. It
// returns a *FieldError for a model, option, length or entry out of range.
func Follow(m Model, o Option, lengths []Length, table []Entry) (Result, error) {
	return new(Solver).Follow(m, o, lengths, table)
}
