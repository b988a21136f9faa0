package main

import (
	"errors"
	"log/slog"

	"github.com/visitwright/visitwright/clients/cli"
	client "github.com/visitwright/visitwright/clients/go"
	"github.com/visitwright/visitwright/cmd/visitwright/server"
	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/testdata/demo"
)

// print shows the main job from start to end, in the terminal: it walks one case
// through the service as any client would.
func (c *demoCommand) print(r *errand, w *where) (err error) {
	h, err := openHouse(r.ctx, houseOptions{
		where: w, now: r.world.now, log: slog.New(slog.DiscardHandler),
		name: demo.Practice, zone: demo.Zone, server: server.Options{Listen: c.Service},
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
