package main

import (
	"errors"
	"fmt"
	"log/slog"
	"net/http"

	"github.com/visitwright/visitwright/clients/cli"
	"github.com/visitwright/visitwright/clients/desk"
	"github.com/visitwright/visitwright/clients/feed"
	client "github.com/visitwright/visitwright/clients/go"
	"github.com/visitwright/visitwright/cmd/visitwright/server"
)

// deskCommand serves the web desk for a running service.
type deskCommand struct {
	Listen   string `help:"Address of the pages. Outside this machine it needs --tls-cert and --tls-key." default:"127.0.0.1:7647" placeholder:"HOST:PORT"`
	TLSCert  string `name:"tls-cert" help:"PEM file of the desk's certificate, its issuers behind it; read again when it is renewed." placeholder:"FILE"`
	TLSKey   string `name:"tls-key" help:"PEM file of its private key." placeholder:"FILE"`
	LogLevel string `help:"Least level that is logged: debug, info, warn or error." enum:"debug,info,warn,error" default:"info" placeholder:"LEVEL"`
}

// Run serves the pages for the service of --server until it is told to stop.
func (c *deskCommand) Run(r *errand) (err error) {
	var level slog.Level
	if err := level.UnmarshalText([]byte(c.LogLevel)); err != nil {
		return err
	}
	if r.where.Server == "" {
		return fmt.Errorf("%w: desk needs --server, the service it speaks to; `visitwright serve --desk %s` serves both", cli.ErrUsage, c.Listen)
	}
	log := server.NewLogger(r.world.err, level)
	d, err := openDesk(deskOptions{
		target: r.where.Server, client: client.Options{CA: r.where.CA, TLS: r.where.TLS}, practice: r.where.Practice,
		web: server.WebOptions{Listen: c.Listen, TLS: server.TLSFiles{Certificate: c.TLSCert, Key: c.TLSKey}, Now: r.world.now, Log: log},
	})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, d.close()) }()
	_, _ = fmt.Fprintf(r.world.out, "desk %s\n", d.web.Address())
	select {
	case <-r.ctx.Done():
		return nil
	case err := <-d.web.Failed():
		return err
	}
}

// deskOptions says which service a desk speaks to and where it is served.
type deskOptions struct {
	target   string
	client   client.Options
	practice string // id; empty leaves it to the service
	demo     *desk.Demo
	web      server.WebOptions
}

// openedDesk is a desk with its listener and its connection.
type openedDesk struct {
	web    *server.Web
	desk   *desk.Desk
	client *client.Client
}

func openDesk(o deskOptions) (*openedDesk, error) {
	if err := o.web.CheckAddress(); err != nil {
		return nil, err
	}
	c, err := client.Connect(o.target, o.client)
	if err != nil {
		return nil, err
	}
	d := &openedDesk{client: c}
	d.desk, err = desk.New(desk.Options{Client: c, Practice: o.practice, Secure: o.web.TLS.Set(), Demo: o.demo, Now: o.web.Now, Log: o.web.Log})
	if err == nil {
		// Calendar feeds are told by their path; whoever subscribes has no session.
		pages := http.NewServeMux()
		pages.Handle(feed.Path, feed.Handler(c.Diary))
		pages.Handle("/", d.desk)
		o.web.Handler, o.web.Closing = pages, d.desk.Close
		d.web, err = server.StartWeb(o.web)
	}
	if err != nil {
		return nil, errors.Join(err, c.Close())
	}
	return d, nil
}

func (d *openedDesk) close() error {
	if d == nil {
		return nil
	}
	return errors.Join(d.web.Stop(), d.client.Close())
}

// failed receives the reason when the desk stops by itself; nil blocks.
func (d *openedDesk) failed() <-chan error {
	if d == nil {
		return nil
	}
	return d.web.Failed()
}
