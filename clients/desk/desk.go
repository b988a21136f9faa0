// Package desk is the web desk: pages rendered on the server, for reception,
// nurse, clinician and manager. It is a client of the gRPC services and of
// nothing else; it keeps no state, so that any replica can answer any request.
package desk

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"time"

	client "github.com/visitwright/visitwright/clients/go"
)

// MostFormBytes is the largest form that is read.
const MostFormBytes = 256 << 10

// Options is everything a desk is built from.
type Options struct {
	// Client reaches the services. It carries no token of its own: each request
	// speaks with the token of whoever is signed in.
	Client *client.Client
	// Practice is the id that sign-in names when the service serves several;
	// empty leaves it to the service.
	Practice string
	// Secure marks the session cookie for TLS alone.
	Secure bool
	// Demo is shown on every page of a demonstration; nil for a real practice.
	Demo *Demo
	Now  func() time.Time
	Log  *slog.Logger
}

// Demo says on each page that everything is invented, and lets people sign in
// with one tap.
type Demo struct {
	// People who can be signed in as, with their passphrases.
	People []DemoPerson
}

// DemoPerson is one invented person of a demonstration.
type DemoPerson struct{ Name, Passphrase, Title string }

// Desk answers the requests of browsers.
type Desk struct {
	o       Options
	texts   *texts
	views   *views
	assets  *assets
	handler http.Handler
	// stopping ends live streams, so that a stop does not wait for browsers.
	stopping context.Context
	stop     context.CancelFunc
	titles   titles
}

// New builds a desk. It refuses templates and texts that do not go together.
func New(o Options) (*Desk, error) {
	if o.Client == nil || o.Now == nil || o.Log == nil {
		return nil, errors.New("desk options: client, clock and log are all needed")
	}
	d := &Desk{o: o}
	var err error
	if d.texts, err = readTexts("en"); err != nil {
		return nil, err
	}
	if d.assets, err = readAssets(); err != nil {
		return nil, err
	}
	if d.views, err = readViews(d.assets); err != nil {
		return nil, fmt.Errorf("desk pages: %w", err)
	}
	d.stopping, d.stop = context.WithCancel(context.Background())
	d.handler = d.guard(d.mux())
	return d, nil
}

// ServeHTTP answers one request.
func (d *Desk) ServeHTTP(w http.ResponseWriter, r *http.Request) { d.handler.ServeHTTP(w, r) }

// Close ends the live streams. The client stays open: whoever made it closes it.
func (d *Desk) Close() { d.stop() }
