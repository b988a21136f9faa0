package server

import (
	"context"
	"net"
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"google.golang.org/grpc/status"
)

// metrics counts calls in a registry of its own. Labels are the method and the
// code, never a practice, a token or a patient.
type metrics struct {
	registry *prometheus.Registry
	calls    *prometheus.CounterVec
	seconds  *prometheus.HistogramVec
	inFlight prometheus.Gauge
}

func newMetrics() *metrics {
	m := &metrics{
		registry: prometheus.NewRegistry(),
		calls: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "visitwright_calls_total", Help: "Calls answered, by method and status code.",
		}, []string{"method", "code"}),
		seconds: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name: "visitwright_call_seconds", Help: "Time from the call's arrival to its answer, in seconds.",
			Buckets: []float64{.0001, .00025, .0005, .001, .0025, .005, .01, .025, .05, .1, .25, .5, 1, 2.5, 10},
		}, []string{"method"}),
		inFlight: prometheus.NewGauge(prometheus.GaugeOpts{
			Name: "visitwright_calls_in_flight", Help: "Calls being worked on.",
		}),
	}
	m.registry.MustRegister(m.calls, m.seconds, m.inFlight,
		collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return m
}

func (m *metrics) link(now func() time.Time) link {
	return link{
		name: LinkMetrics, after: []string{LinkRecovery, LinkLog},
		around: func(ctx context.Context, call *Call, next func(context.Context) error) error {
			m.inFlight.Inc()
			defer m.inFlight.Dec()
			err := next(ctx)
			m.calls.WithLabelValues(call.Method, status.Code(err).String()).Inc()
			m.seconds.WithLabelValues(call.Method).Observe(now().Sub(call.Began).Seconds())
			return err
		},
	}
}

// metricsListener serves the registry over plain HTTP, on this machine only:
// Options.CheckAddresses has seen to that.
type metricsListener struct {
	listener net.Listener
	server   *http.Server
	done     chan struct{}
}

func (m *metrics) listen(address string) (*metricsListener, error) {
	listener, err := net.Listen("tcp", address)
	if err != nil {
		return nil, err
	}
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{}))
	l := &metricsListener{
		listener: listener,
		server:   &http.Server{Handler: mux, ReadHeaderTimeout: 5 * time.Second, WriteTimeout: 10 * time.Second, MaxHeaderBytes: MaxHeaderBytes},
		done:     make(chan struct{}),
	}
	go func() {
		defer close(l.done)
		_ = l.server.Serve(listener) // returns http.ErrServerClosed when stopped
	}()
	return l, nil
}

func (l *metricsListener) stop() {
	_ = l.server.Close()
	<-l.done
}
