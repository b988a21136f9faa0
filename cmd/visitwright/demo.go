package main

import (
	"errors"
	"log/slog"
	"os"

	"github.com/visitwright/visitwright/clients/cli"
	client "github.com/visitwright/visitwright/clients/go"
	"github.com/visitwright/visitwright/cmd/visitwright/server"
	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/testdata/demo"
)

// demoCommand shows the main job from start to end.
type demoCommand struct {
	Listen string `help:"Loopback address for the demo's service." default:"127.0.0.1:0" placeholder:"HOST:PORT"`
}

// Run opens an invented practice on an embedded database, starts the gRPC
// service on it, and walks one case through that service as any client would.
func (c *demoCommand) Run(r *errand) (err error) {
	if r.where.Data == "" {
		folder, err := os.MkdirTemp("", "visitwright-demo-")
		if err != nil {
			return err
		}
		r.where.Data = folder
		defer func() { err = errors.Join(err, os.RemoveAll(folder)) }()
	}
	h, err := openHouse(r.ctx, houseOptions{
		where: r.where, now: r.world.now, log: slog.New(slog.DiscardHandler),
		name: demo.Practice, zone: demo.Zone, server: server.Options{Listen: c.Listen},
	})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, h.close()) }()
	token, _ := h.credentials.Token(store.RoleClinician)
	dial, err := client.Connect(h.server.Address(), client.Options{Token: token})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, dial.Close()) }()
	return cli.Demo(&cli.Session{
		Context: r.ctx, Client: dial, Practice: h.credentials.Practice, Out: r.world.out,
		JSON: r.where.Output == "json", Now: r.world.now, Kept: true,
	}, demo.Practice, demo.Case)
}

// demoRate lets the demo's people call as fast as they like: its clock stands
// while the practice is played, and no allowance would ever be refilled.
const demoRate = 1e6
