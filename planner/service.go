// Package planner is the gRPC PlannerService: patients, cases, assessments and
// plans.
//
// A handler translates, checks rights and calls; the pure packages below this
// one decide, and the store keeps, in one transaction each. There is one file
// for each rpc, and one for the conversion of each message.
package planner

import (
	"context"
	"errors"
	"time"

	"google.golang.org/grpc"

	"github.com/visitwright/visitwright/planner/protocol"
	"github.com/visitwright/visitwright/proto/names"
	"github.com/visitwright/visitwright/proto/requests"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// Config is what the service is built from. Everything but Info is required.
type Config struct {
	Store store.Planning
	// Chair keeps what happens in the chair; without it there is no ChairService.
	Chair ChairStore
	// Overdue keeps dates that have passed; without it nothing is planned anew by
	// itself.
	Overdue OverdueStore
	// Caller tells who calls: what the server's chain found out and put into
	// the context. ok is false when nobody did, which is a fault of the wiring.
	Caller func(context.Context) (caller requests.Caller, ok bool)
	// PageKey authenticates page tokens: at least 32 bytes, the same on every
	// replica.
	PageKey []byte
	// Now is used for calendar days alone (how long ago a dressing was placed);
	// what is kept gets its times from the store.
	Now  func() time.Time
	Info Info
}

// Caller is who calls.
type Caller struct{ requests.Caller }

// Info is what GetServerInfo answers beside what this package knows.
type Info struct {
	Version         string        // of the program
	RequestBytes    int64         // largest request
	LongestDeadline time.Duration // longer ones are cut to it
	DefaultDeadline time.Duration // of a call that brings none
	Services        []string      // full names of all services of the server
}

// Service implements PlannerService.
type Service struct {
	vw.UnsafePlannerServiceServer // a method of the contract without a handler does not compile

	store  store.Planning
	caller func(context.Context) (requests.Caller, bool)
	pager  *names.Pager
	now    func() time.Time
	info   Info

	shipped   *protocol.Catalogue
	notation  notations
	computing *computing

	overdue OverdueStore // nil plans nothing by itself

	kept  ChairStore // nil without a ChairService
	paces paces
	chair *ChairService
}

var _ vw.PlannerServiceServer = (*Service)(nil)

// New builds the service. It fails when the embedded clinical data is broken or
// something is missing from the configuration.
func New(c Config) (*Service, error) {
	if c.Store == nil || c.Caller == nil || c.Now == nil {
		return nil, errors.New("planner: store, caller and clock are all needed")
	}
	pager, err := names.NewPager(c.PageKey)
	if err != nil {
		return nil, err
	}
	shipped, err := protocol.Shipped()
	if err != nil {
		return nil, err
	}
	s := &Service{store: c.Store, caller: c.Caller, pager: pager, now: c.Now, info: c.Info, shipped: shipped, computing: newComputing(), kept: c.Chair, overdue: c.Overdue}
	if c.Chair != nil {
		s.chair = &ChairService{Service: s, chair: c.Chair}
	}
	return s, nil
}

// Close waits for computations whose callers have gone. Call it after the
// server has stopped.
func (s *Service) Close() { s.computing.wait() }

// Register adds the service to a server, and ChairService with it.
func (s *Service) Register(r grpc.ServiceRegistrar) {
	vw.RegisterPlannerServiceServer(r, s)
	if s.chair != nil {
		vw.RegisterChairServiceServer(r, s.chair)
	}
}
