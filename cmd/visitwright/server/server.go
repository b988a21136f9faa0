// Package server builds and runs the gRPC server: one chain of named
// interceptors in a checked order, deny by default, TLS 1.3, health that tells
// the truth, and a stop that waits for calls under way but not for ever.
package server

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"slices"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/reflection"
	"google.golang.org/grpc/test/bufconn"

	"github.com/visitwright/visitwright/store/access"
)

// Options is everything a server is built from. Tests start it on port 0.
type Options struct {
	// Listen is host:port. Without TLS the host must be a loopback address.
	Listen string
	// Listener, when set, is used in place of Listen: the in-process
	// connection of the command line. It is trusted to stay in the process.
	Listener net.Listener
	TLS      TLSFiles
	// Metrics is the loopback address for Prometheus; empty means none.
	Metrics string
	// Collectors add to the server's registry, for example those of the
	// database's pools.
	Collectors []prometheus.Collector
	// Reflection serves reflection also on an address that others can reach;
	// on loopback it is always on.
	Reflection bool

	// Register adds the services. Every method of theirs must stand in Table.
	Register func(grpc.ServiceRegistrar)
	Table    access.Table
	Tokens   access.Finder
	// Refusals keeps calls that were refused in the audit trail; what is done
	// and read is kept by the store itself, with the change.
	Refusals RefusalWriter
	// Probe asks the store whether it can answer.
	Probe func(context.Context) error

	// Draining, when set, is called once as the server begins to stop, after
	// health has said so: watch streams end then, so that their clients go on
	// with another replica.
	Draining func()

	// CallsPerSecond and CallsBurst limit one token; 0 means the constants.
	CallsPerSecond float64
	CallsBurst     int
	// SessionRecheck is how often a stream looks whether its session is still in
	// force; 0 means the constant.
	SessionRecheck time.Duration
	// Grace is how long calls under way may take at the end; 0 means StopGrace.
	Grace time.Duration

	Now func() time.Time
	Log *slog.Logger
}

// Server is a running server.
type Server struct {
	grpc     *grpc.Server
	listener net.Listener
	inside   *bufconn.Listener
	metrics  *metricsListener
	health   *healthTeller
	log      *slog.Logger
	grace    time.Duration
	draining func()
	served   chan error
}

// Start builds the server and begins to serve. It refuses, before anything
// listens, an address that would send patient data in the clear, a chain out
// of order and a method that nobody was given.
func Start(o Options) (*Server, error) {
	if err := o.complete(); err != nil {
		return nil, err
	}
	meter := newMetrics()
	for _, c := range o.Collectors {
		if err := meter.registry.Register(c); err != nil {
			return nil, fmt.Errorf("metrics: %w", err)
		}
	}
	audit := &refusals{writer: o.Refusals, log: o.Log}
	links, err := newChain(o.Now, o.links(meter, audit)...)
	if err != nil {
		return nil, err
	}
	options, err := o.transport(links)
	if err != nil {
		return nil, err
	}
	s := &Server{grpc: grpc.NewServer(options...), inside: listenInside(), log: o.Log, grace: o.Grace, draining: o.Draining, served: make(chan error, 1)}

	o.Register(s.grpc)
	var services []string
	for name := range s.grpc.GetServiceInfo() {
		services = append(services, name)
	}
	slices.Sort(services)
	s.health = newHealthTeller(o.Probe, services, o.Log)
	healthpb.RegisterHealthServer(s.grpc, s.health)
	if o.Reflection || o.local() {
		reflection.RegisterV1(s.grpc)
	}
	if err := s.listen(o, meter); err != nil {
		s.grpc.Stop() // its workers wait already
		return nil, err
	}
	s.health.start(ProbeEvery)
	go func() { s.served <- s.grpc.Serve(s.listener) }()
	// It ends with the server, and has no reason of its own to end before.
	go func() { _ = s.grpc.Serve(s.inside) }()
	return s, nil
}

// listen opens the ports, once every registered method has been given to
// somebody.
func (s *Server) listen(o Options, meter *metrics) (err error) {
	if err := covered(o.Table, s.grpc.GetServiceInfo()); err != nil {
		return err
	}
	s.listener = o.Listener
	if s.listener == nil {
		if s.listener, err = net.Listen("tcp", o.Listen); err != nil {
			return err
		}
	}
	if o.Metrics != "" {
		if s.metrics, err = meter.listen(o.Metrics); err != nil {
			return errors.Join(err, s.listener.Close())
		}
	}
	return nil
}

func (o *Options) complete() error {
	switch {
	case o.Register == nil, o.Tokens == nil, o.Refusals == nil, o.Probe == nil, o.Now == nil, o.Log == nil:
		return errors.New("server options: services, tokens, audit, probe, clock and log are all needed")
	}
	if err := o.CheckAddresses(); err != nil {
		return err
	}
	if o.CallsPerSecond <= 0 {
		o.CallsPerSecond = CallsPerSecond
	}
	if o.CallsBurst <= 0 {
		o.CallsBurst = CallsBurst
	}
	if o.SessionRecheck <= 0 {
		o.SessionRecheck = SessionRecheck
	}
	if o.Grace <= 0 {
		o.Grace = StopGrace
	}
	return nil
}

// CheckAddresses refuses addresses that would show patient data in the clear,
// or the metrics at all, to other machines.
func (o *Options) CheckAddresses() error {
	if o.Metrics != "" {
		if host, _, err := net.SplitHostPort(o.Metrics); err != nil || !isLoopback(host) {
			return errors.New("metrics are served on a loopback address only, for example 127.0.0.1:9646")
		}
	}
	if o.Listener != nil {
		return nil
	}
	return checkAddress(o.Listen, o.TLS.Set())
}

// local reports whether only this machine, or this process, can call.
func (o *Options) local() bool {
	if o.Listener != nil {
		return true
	}
	host, _, err := net.SplitHostPort(o.Listen)
	return err == nil && isLoopback(host)
}

// links is the chain, outermost first.
func (o *Options) links(meter *metrics, audit *refusals) []link {
	return []link{
		recoveryLink(LinkRecovery, nil, o.Log),
		logLink(o.Log, o.Now),
		meter.link(o.Now),
		deadlineLink(),
		authenticateLink(o.Tokens, newLimiter(BadTokensPerMinute/60.0, BadTokensBurst, o.Now), o.SessionRecheck),
		roleLink(o.Table, audit),
		practiceLink(audit),
		rateLink(newLimiter(o.CallsPerSecond, o.CallsBurst, o.Now)),
		validateLink(),
		auditLink(audit),
		faultLink(o.Log),
		recoveryLink(LinkInnerRecovery, []string{LinkLog, LinkMetrics, LinkAudit, LinkFaultMap}, o.Log),
	}
}

func (o *Options) transport(links *chain) ([]grpc.ServerOption, error) {
	options := []grpc.ServerOption{
		grpc.UnaryInterceptor(links.unary),
		grpc.StreamInterceptor(links.stream),
		grpc.MaxRecvMsgSize(MaxRequestBytes),
		grpc.MaxSendMsgSize(MaxReplyBytes),
		grpc.MaxHeaderListSize(MaxHeaderBytes),
		grpc.MaxConcurrentStreams(MaxStreams),
		grpc.ConnectionTimeout(ConnectionTimeout),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: KeepaliveLeast, PermitWithoutStream: true}),
		grpc.KeepaliveParams(keepalive.ServerParameters{
			MaxConnectionIdle: ConnectionIdle, MaxConnectionAge: ConnectionAge, MaxConnectionAgeGrace: ConnectionAgeGrace,
		}),
		// Workers keep their grown stacks from call to call; a call that finds all
		// of them busy gets a goroutine of its own.
		grpc.NumStreamWorkers(StreamWorkers),
		// A handler must not outlive the store that it reads.
		grpc.WaitForHandlers(true),
	}
	if o.TLS.Set() {
		config, err := o.TLS.config(o.Now, o.Log)
		if err != nil {
			return nil, err
		}
		options = append(options, grpc.Creds(newOrInside(credentials.NewTLS(config))))
	}
	return options, nil
}

// Address is where the server listens.
func (s *Server) Address() string { return s.listener.Addr().String() }

// MetricsAddress is where Prometheus is served, or "".
func (s *Server) MetricsAddress() string {
	if s.metrics == nil {
		return ""
	}
	return s.metrics.listener.Addr().String()
}

// Failed receives the reason when the server stops serving by itself.
func (s *Server) Failed() <-chan error { return s.served }

// Stop says NOT_SERVING, lets calls under way finish until the grace is over,
// and cuts off the rest. The store may be closed when it returns: a call that
// does not end even then gets the store's error.
func (s *Server) Stop() {
	s.health.stop()
	if s.draining != nil {
		s.draining()
	}
	finished := make(chan struct{})
	go func() {
		s.grpc.GracefulStop()
		close(finished)
	}()
	timer := time.NewTimer(s.grace)
	defer timer.Stop()
	select {
	case <-finished:
	case <-timer.C:
		s.log.Warn("calls under way were cut off", "after", s.grace)
		go s.grpc.Stop() // waits for the handlers, whose contexts end now
		timer.Reset(s.grace)
		select {
		case <-finished:
		case <-timer.C:
			s.log.Error("a call does not end although it was cut off; stopping without it")
		}
	}
	if s.metrics != nil {
		s.metrics.stop()
	}
}

// covered reports every registered method that nobody may call.
func covered(table access.Table, services map[string]grpc.ServiceInfo) error {
	var missing []string
	for service, info := range services {
		for _, method := range info.Methods {
			full := "/" + service + "/" + method.Name
			if len(table[full]) == 0 && !open(full) {
				missing = append(missing, full)
			}
		}
	}
	if len(missing) > 0 {
		slices.Sort(missing)
		return fmt.Errorf("methods that no role was given: %s", strings.Join(missing, ", "))
	}
	return nil
}
