package planner

import (
	"context"
	"fmt"
	"slices"
	"sync"

	"github.com/visitwright/visitwright/planner/visits"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// ChairStore is what ChairService needs of the store.
type ChairStore interface {
	store.Chair
	GetAppointment(ctx context.Context, call store.Call, id string) (store.Appointment, error)
	ListAppointments(ctx context.Context, call store.Call, q store.AppointmentQuery) ([]store.Appointment, string, error)
}

// ChairService is the gRPC ChairService: the running visit and what it teaches.
//
// It keeps nothing that a second replica would miss: a visit is read from its
// marks with each call. What it remembers (plans that never change, kernels) only
// spares work.
type ChairService struct {
	vw.UnsafeChairServiceServer // a method of the contract without a handler does not compile

	*Service
	chair ChairStore

	plans   remembered[chairPlan]
	solvers remembered[*visits.Solver]
}

var _ vw.ChairServiceServer = (*ChairService)(nil)

// remembered holds the values used last.
type remembered[T any] struct {
	mu     sync.Mutex
	values map[string]T
	order  []string // the one used longest ago first
}

// mostRemembered is the number of visits that run at once in a large house.
const mostRemembered = 64

// get returns the value of a key, made when it is not there.
func (r *remembered[T]) get(key string, build func() (T, error)) (T, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if v, ok := r.values[key]; ok {
		return v, nil
	}
	v, err := build()
	if err != nil {
		return v, err
	}
	if r.values == nil {
		r.values = map[string]T{}
	}
	if len(r.order) >= mostRemembered {
		delete(r.values, r.order[0])
		r.order = r.order[1:]
	}
	r.values[key] = v
	r.order = append(r.order, key)
	return v, nil
}

// look returns the value of a key when it is there.
func (r *remembered[T]) look(key string) (T, bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	v, ok := r.values[key]
	return v, ok
}

// forget lets a value go before its turn.
func (r *remembered[T]) forget(key string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if _, ok := r.values[key]; ok {
		delete(r.values, key)
		r.order = slices.DeleteFunc(r.order, func(k string) bool { return k == key })
	}
}

// key is what the kernels of a running visit are remembered by.
func (o openVisit) key(caller Caller) string {
	return fmt.Sprintf("%s/%s/%d", caller.Practice, o.kept.CaseID, o.kept.Number)
}

func (s *ChairService) solver(key string) *visits.Solver {
	v, _ := s.solvers.get(key, func() (*visits.Solver, error) { return new(visits.Solver), nil })
	return v
}
