package main

import (
	"errors"
	"fmt"
	"log/slog"

	client "github.com/visitwright/visitwright/clients/go"
	"github.com/visitwright/visitwright/cmd/visitwright/server"
)

// serveCommand serves until it is told to stop.
type serveCommand struct {
	Listen       string  `help:"Address to serve on. Outside this machine it needs --tls-cert and --tls-key." default:"127.0.0.1:7646" placeholder:"HOST:PORT"`
	TLSCert      string  `name:"tls-cert" help:"PEM file of the server's certificate, its issuers behind it; read again when it is renewed." placeholder:"FILE"`
	TLSKey       string  `name:"tls-key" help:"PEM file of its private key." placeholder:"FILE"`
	ClientCA     string  `name:"client-ca" help:"PEM file of the authority that must have signed each client's certificate." placeholder:"FILE"`
	Desk         string  `help:"Address of the web desk, served beside the services; outside this machine with the same certificate. Empty serves none." placeholder:"HOST:PORT"`
	Metrics      string  `help:"Loopback address for Prometheus; empty serves none." placeholder:"HOST:PORT"`
	Feed         string  `help:"Address for calendar feeds over HTTP, for calendar programs to subscribe to; outside this machine with the same certificate. Empty serves none." placeholder:"HOST:PORT"`
	Reflection   bool    `help:"Serve reflection also beyond this machine."`
	Rate         float64 `help:"Calls a second that one token may make on average." default:"200" placeholder:"N"`
	Burst        int     `help:"Calls that one token may make at once." default:"400" placeholder:"N"`
	SessionFlags `group:"Sessions"`
	ChannelFlags `group:"Messages"`
	LogLevel     string `help:"Least level that is logged: debug, info, warn or error." enum:"debug,info,warn,error" default:"info" placeholder:"LEVEL"`
}

// Run serves. It writes the address to standard output once it answers.
func (c *serveCommand) Run(r *errand) error {
	var level slog.Level
	if err := level.UnmarshalText([]byte(c.LogLevel)); err != nil {
		return err
	}
	log := server.NewLogger(r.world.err, level)
	if err := c.SessionFlags.check(); err != nil {
		return err
	}
	channels, err := c.channels(r.world.now)
	if err != nil {
		return err
	}
	files := server.TLSFiles{Certificate: c.TLSCert, Key: c.TLSKey, ClientCA: c.ClientCA}
	web := server.WebOptions{Listen: c.Feed, TLS: files, Now: r.world.now, Log: log}
	if c.Feed != "" { // what cannot be served leaves no database behind
		if err := web.CheckAddress(); err != nil {
			return err
		}
	}
	pages := server.WebOptions{Listen: c.Desk, TLS: files, Now: r.world.now, Log: log}
	if c.Desk != "" {
		if err := pages.CheckAddress(); err != nil {
			return err
		}
	}
	h, err := openHouse(r.ctx, houseOptions{where: r.where, now: r.world.now, log: log, jobs: true, channels: channels, sessions: c.SessionFlags, server: server.Options{
		Listen: c.Listen, TLS: files, Metrics: c.Metrics, Reflection: c.Reflection, CallsPerSecond: c.Rate, CallsBurst: c.Burst,
	}})
	if err != nil {
		return err
	}
	var feeds *feedServer
	if c.Feed != "" {
		if feeds, err = openFeed(h, web); err != nil {
			return errors.Join(err, h.close())
		}
		_, _ = fmt.Fprintf(r.world.out, "feeds %s\n", feeds.web.Address())
	}
	var desk *openedDesk
	if c.Desk != "" {
		if desk, err = openDesk(deskOptions{client: client.Options{Dial: h.server.Inside()}, practice: h.credentials.Practice, web: pages}); err != nil {
			return errors.Join(err, feeds.close(), h.close())
		}
		_, _ = fmt.Fprintf(r.world.out, "desk %s\n", desk.web.Address())
	}
	if _, err := fmt.Fprintf(r.world.out, "serving %s\n", h.server.Address()); err != nil {
		return errors.Join(err, desk.close(), feeds.close(), h.close())
	}
	if at := h.server.MetricsAddress(); at != "" {
		_, _ = fmt.Fprintf(r.world.out, "metrics http://%s/metrics\n", at)
	}
	select {
	case <-r.ctx.Done():
		log.Info("stopping")
	case err = <-h.server.Failed():
	case err = <-feeds.failed():
	case err = <-desk.failed():
	}
	return errors.Join(err, desk.close(), feeds.close(), h.close())
}
