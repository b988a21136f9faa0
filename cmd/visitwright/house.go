package main

import (
	"context"
	"crypto/hkdf"
	"crypto/sha256"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"github.com/google/uuid"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"google.golang.org/grpc"

	"github.com/visitwright/visitwright/cmd/visitwright/identity"
	"github.com/visitwright/visitwright/cmd/visitwright/server"
	"github.com/visitwright/visitwright/planner"
	"github.com/visitwright/visitwright/proto/requests"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler"
	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/store/access"
)

// houseOptions says what to open.
type houseOptions struct {
	where *where
	now   func() time.Time
	log   *slog.Logger
	// name and zone are what a first start gives the practice.
	name, zone string
	// passing: the data folder goes with the process.
	passing bool
	server  server.Options
	// jobs runs the sweeps of follow-ups, provisional bookings, messages and
	// retention; a process that lives for one command leaves them alone.
	jobs bool
	// jobsLater leaves it to the caller when they begin.
	jobsLater bool
	// sessions says how long people stay signed in; 0 means the defaults.
	sessions SessionFlags
	// channels carry messages; what is missing is left to the telephone.
	channels scheduler.Channels
}

// house is the service with everything below it.
type house struct {
	store       *store.Store
	planner     *planner.Service
	credentials access.Credentials
	server      *server.Server
	jobs        *scheduler.Runner // nil without jobs
}

// openHouse opens the store and starts the services on it. The first start of
// a data folder makes keys, a practice and tokens.
func openHouse(ctx context.Context, o houseOptions) (*house, error) {
	// What cannot be served leaves no database behind.
	err := o.server.CheckAddresses()
	if err != nil {
		return nil, err
	}
	h := &house{}
	if h.store, h.credentials, err = openStore(ctx, o); err != nil {
		return nil, err
	}
	stopping := make(chan struct{})
	var diary *scheduler.Diary
	var followUps *scheduler.FollowUps
	if h.planner, diary, err = services(h.store, o, stopping); err == nil {
		followUps, err = scheduler.NewFollowUps(diary, h.store)
	}
	var people *identity.Service
	if err == nil {
		people, err = newIdentity(h.store, o)
	}
	if err == nil && !o.jobs {
		followUps.Replan = h.planner.ReplanOverdue // nobody else does it in a process of one command
	}
	if err == nil && o.jobs {
		h.jobs, err = newRunner(followUps, h.planner, o)
	}
	if err == nil {
		o.server.Register = func(r grpc.ServiceRegistrar) {
			h.planner.Register(r)
			diary.Register(r)
			followUps.Register(r)
			people.Register(r)
		}
		if h.jobs != nil {
			o.server.Collectors = append(o.server.Collectors, h.jobs.Collectors()...)
		}
		o.server.Draining = func() { close(stopping) }
		for name, pool := range h.store.Pools() {
			o.server.Collectors = append(o.server.Collectors, collectors.NewDBStatsCollector(pool.DB, name))
		}
		o.server.Table, o.server.Tokens, o.server.Refusals = server.Table, h.store, h.store
		o.server.Probe, o.server.Now, o.server.Log = h.store.Ready, o.now, o.log
		h.server, err = server.Start(o.server)
	}
	if err != nil {
		return nil, errors.Join(err, h.store.Close())
	}
	if h.jobs != nil && !o.jobsLater {
		h.jobs.Start()
	}
	return h, nil
}

// newRunner builds the runner of the sweeps, each replica with a name of its
// own in the outbox.
func newRunner(f *scheduler.FollowUps, p *planner.Service, o houseOptions) (*scheduler.Runner, error) {
	return scheduler.NewRunner(scheduler.RunnerConfig{
		FollowUps: f, Log: o.log, Now: o.now, Replan: p.ReplanOverdue,
		Sender: &scheduler.Sender{FollowUps: f, Channels: o.channels, Worker: uuid.NewString()},
	})
}

func openStore(ctx context.Context, o houseOptions) (*store.Store, access.Credentials, error) {
	if err := o.where.settle(); err != nil {
		return nil, access.Credentials{}, err
	}
	return access.Embedded{
		Folder: o.where.Data, Database: o.where.Database, Keys: o.where.KeyFile,
		Clock: o.now, Log: o.log, Name: o.name, Zone: o.zone, Passing: o.passing,
	}.Open(ctx)
}

func (h *house) close() error {
	if h.jobs != nil {
		h.jobs.Stop() // what is being sent is finished first
	}
	h.server.Stop()
	h.planner.Close() // what callers left behind may still read the store
	return h.store.Close()
}

// services builds the services on one store. stopping ends watch streams.
func services(s *store.Store, o houseOptions, stopping <-chan struct{}) (*planner.Service, *scheduler.Diary, error) {
	pageKey, err := o.where.pageKey()
	if err != nil {
		return nil, nil, err
	}
	plans, err := planner.New(planner.Config{
		Store: s, Chair: s, Overdue: s, PageKey: pageKey, Now: o.now,
		Caller: caller,
		Info: planner.Info{
			Version: version(), RequestBytes: server.MaxRequestBytes,
			LongestDeadline: server.LongestDeadline, DefaultDeadline: server.DefaultDeadline,
			Services: []string{vw.PlannerService_ServiceDesc.ServiceName, vw.DiaryService_ServiceDesc.ServiceName, vw.ChairService_ServiceDesc.ServiceName,
				vw.FollowUpService_ServiceDesc.ServiceName, vw.IdentityService_ServiceDesc.ServiceName},
		},
	})
	if err != nil {
		return nil, nil, err
	}
	diary, err := scheduler.NewDiary(scheduler.DiaryConfig{
		Store: s, PageKey: pageKey, Now: o.now, Stopping: stopping, Joint: plans.JointVisit,
		Caller: caller,
	})
	return plans, diary, err
}

// caller is who the server found out, and the clinician whom the token stands for.
func caller(ctx context.Context) (requests.Caller, bool) {
	id, known := access.From(ctx)
	method, _ := grpc.Method(ctx)
	return requests.Caller{Call: id.Call(method), Clinician: id.Clinician}, known
}

// pageKey authenticates page tokens. It comes from the key file, which every
// replica has.
func (w *where) pageKey() ([]byte, error) {
	path := w.KeyFile
	if path == "" {
		path = filepath.Join(w.Data, access.KeyFile)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("key file: %w", err)
	}
	return hkdf.Key(sha256.New, text, nil, "visitwright page tokens 1", 32)
}
