package server

import (
	"context"
	"log/slog"
	"math/rand/v2"
	"sync"
	"time"

	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
)

// LivenessService is the health name that says only that the process answers.
// It does not ask the store, so that a store that is down does not make a
// supervisor kill a program that could do no better after a restart.
const LivenessService = "live"

// healthTeller answers health for the whole server ("") and for each service
// by what the store last said.
type healthTeller struct {
	*health.Server
	probe    func(context.Context) error
	services []string
	log      *slog.Logger

	cancel context.CancelFunc
	done   chan struct{}
	mu     sync.Mutex
	known  bool
	well   bool
}

func newHealthTeller(probe func(context.Context) error, services []string, log *slog.Logger) *healthTeller {
	h := &healthTeller{Server: health.NewServer(), probe: probe, services: append([]string{""}, services...), log: log, done: make(chan struct{})}
	h.SetServingStatus(LivenessService, healthpb.HealthCheckResponse_SERVING)
	return h
}

// start asks the store once before it returns, so that the first answer is
// true, and then goes on asking in the background until stop.
func (h *healthTeller) start(every time.Duration) {
	ctx, cancel := context.WithCancel(context.Background())
	h.cancel = cancel
	h.ask(ctx)
	go func() {
		defer close(h.done)
		for {
			// Replicas that started together should not ask together.
			wait := every - every/10 + rand.N(every/5+1)
			select {
			case <-ctx.Done():
				return
			case <-time.After(wait):
				h.ask(ctx)
			}
		}
	}()
}

// ask puts one question to the store and tells its answer.
func (h *healthTeller) ask(ctx context.Context) {
	ctx, cancel := context.WithTimeout(ctx, ProbeTimeout)
	defer cancel()
	err := h.probe(ctx)
	if ctx.Err() == context.Canceled {
		return // stopping: Shutdown has the last word
	}
	h.mu.Lock()
	changed := !h.known || h.well != (err == nil)
	h.known, h.well = true, err == nil
	h.mu.Unlock()
	status := healthpb.HealthCheckResponse_SERVING
	if err != nil {
		status = healthpb.HealthCheckResponse_NOT_SERVING
	}
	for _, service := range h.services {
		h.SetServingStatus(service, status)
	}
	if changed && err != nil {
		h.log.Error("not serving: the store does not answer")
	} else if changed {
		h.log.Info("serving")
	}
}

// stop says NOT_SERVING for good and ends the asking.
func (h *healthTeller) stop() {
	h.Shutdown()
	if h.cancel != nil {
		h.cancel()
		<-h.done
	}
}
