package server

import (
	"context"
	"errors"
	"log/slog"
	"net"
	"net/http"
	"time"
)

// WebOptions is what an HTTP server beside the gRPC server is built from.
type WebOptions struct {
	// Listen is host:port. Without TLS the host must be a loopback address: a
	// proxy that ends TLS stands on the same machine.
	Listen string
	// TLS is the certificate; its ClientCA is for gRPC alone, since browsers and
	// calendar programs have no certificate of their own.
	TLS     TLSFiles
	Handler http.Handler
	// Closing, when set, is called once as the server begins to stop, so that
	// streams to browsers end.
	Closing func()
	// WriteTimeout is how long an answer may take from the end of the request's
	// headers; 0 sets no limit, for streams.
	WriteTimeout time.Duration
	Now          func() time.Time
	Log          *slog.Logger
}

// CheckAddress refuses an address that would show data in the clear.
func (o *WebOptions) CheckAddress() error { return checkAddress(o.Listen, o.TLS.Set()) }

// Web is a running HTTP server.
type Web struct {
	listener net.Listener
	server   *http.Server
	secure   bool
	done     chan error
}

// StartWeb opens the port and serves until Stop.
func StartWeb(o WebOptions) (*Web, error) {
	if err := o.CheckAddress(); err != nil {
		return nil, err
	}
	w := &Web{secure: o.TLS.Set(), done: make(chan error, 1), server: &http.Server{
		Handler: o.Handler, ReadHeaderTimeout: WebHeaderTimeout, ReadTimeout: WebReadTimeout, IdleTimeout: WebIdleTimeout, WriteTimeout: o.WriteTimeout,
		MaxHeaderBytes: MaxHeaderBytes, ErrorLog: slog.NewLogLogger(o.Log.Handler(), slog.LevelDebug),
	}}
	if w.secure {
		files := o.TLS
		files.ClientCA = ""
		config, err := files.config(o.Now, o.Log)
		if err != nil {
			return nil, err
		}
		w.server.TLSConfig = config
	}
	if o.Closing != nil {
		w.server.RegisterOnShutdown(o.Closing)
	}
	var err error
	if w.listener, err = net.Listen("tcp", o.Listen); err != nil {
		return nil, err
	}
	go func() {
		if w.secure {
			w.done <- w.server.ServeTLS(w.listener, "", "") // the certificate is in its configuration
			return
		}
		w.done <- w.server.Serve(w.listener)
	}()
	return w, nil
}

// Address is where the server answers, as a URL without a path.
func (w *Web) Address() string {
	if w.secure {
		return "https://" + w.listener.Addr().String()
	}
	return "http://" + w.listener.Addr().String()
}

// Failed receives the reason when the server stops serving by itself.
func (w *Web) Failed() <-chan error { return w.done }

// Stop lets answers under way finish for a while and cuts off the rest.
func (w *Web) Stop() error {
	ctx, cancel := context.WithTimeout(context.Background(), WebGrace)
	defer cancel()
	err := w.server.Shutdown(ctx)
	if errors.Is(err, context.DeadlineExceeded) {
		err = w.server.Close()
	}
	return err
}
