package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"strings"
	"syscall"
	"time"

	"github.com/visitwright/visitwright/clients/desk"
	client "github.com/visitwright/visitwright/clients/go"
	"github.com/visitwright/visitwright/cmd/visitwright/fortnight"
	"github.com/visitwright/visitwright/cmd/visitwright/server"
	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/testdata/demo"
)

// demoCommand opens an invented practice. It has a data folder of its own, which
// goes with it: it never touches the practice of anybody.
type demoCommand struct {
	Listen  string `help:"Loopback address of the web desk; when it is taken, a free port." default:"127.0.0.1:7647" placeholder:"HOST:PORT"`
	Service string `help:"Loopback address of the demo's gRPC service." default:"127.0.0.1:0" placeholder:"HOST:PORT"`
	Print   bool   `help:"Open no desk: plan one tooth, from referral to visit sheet, and print it."`
}

// demoPatience is how long one call of the play may take: nobody waits for it
// alone, and a busy machine is slow to keep passphrases.
const demoPatience = 45 * time.Second

// demoRate lets the demo's people call as fast as they like: its clock stands
// while the practice is played, and no allowance would ever be refilled.
const demoRate = 1e6

// Run opens the practice and keeps it open until it is told to stop.
func (c *demoCommand) Run(r *errand) (err error) {
	folder, err := os.MkdirTemp("", "visitwright-demo-")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(folder)) }()
	if c.Print {
		return c.print(r, &where{Data: folder})
	}
	d, err := c.open(r, &where{Data: folder})
	if err != nil {
		if r.ctx.Err() != nil {
			return nil // stopped while it was being furnished
		}
		return err
	}
	defer func() { err = errors.Join(err, d.desk.close(), d.house.close()) }()
	d.house.jobs.Start()
	d.clock.Run()
	d.tell(r)
	select {
	case <-r.ctx.Done():
		return nil
	case err = <-d.house.server.Failed():
	case err = <-d.desk.failed():
	}
	return err
}

// demoHouse is the demo practice with its desk.
type demoHouse struct {
	house  *house
	desk   *openedDesk
	clock  *fortnight.Clock
	played fortnight.Played
}

// open plays the practice and opens the desk on it.
func (c *demoCommand) open(r *errand, w *where) (*demoHouse, error) {
	log := slog.New(slog.DiscardHandler)
	web := server.WebOptions{Listen: c.Listen, Log: log}
	if err := web.CheckAddress(); err != nil {
		return nil, err
	}
	zone, err := civil.Embedded().Zone(demo.Zone)
	if err != nil {
		return nil, err
	}
	now, err := fortnight.Start(r.world.now(), zone.Location())
	if err != nil {
		return nil, err
	}
	_, _ = fmt.Fprintf(r.world.out, "Furnishing the %s: two weeks of diary, three dozen patients. A moment.\n", demo.Practice)
	d := &demoHouse{clock: fortnight.NewClock(fortnight.Before(now), r.world.now)}
	web.Now = d.clock.Now
	d.house, err = openHouse(r.ctx, houseOptions{where: w, now: d.clock.Now, log: log, name: demo.Practice, zone: demo.Zone, passing: true, jobs: true, jobsLater: true,
		server: server.Options{Listen: c.Service, CallsPerSecond: demoRate, CallsBurst: demoRate}})
	if err != nil {
		return nil, err
	}
	if d.played, err = playOn(r.ctx, d.house, d.clock, now); err != nil {
		return nil, errors.Join(err, d.house.close())
	}
	options := deskOptions{client: client.Options{Dial: d.house.server.Inside()}, practice: d.house.credentials.Practice, demo: d.people(), web: web}
	d.desk, err = openDesk(options)
	if errors.Is(err, syscall.EADDRINUSE) {
		host, _, _ := net.SplitHostPort(c.Listen) // checked above
		options.web.Listen = net.JoinHostPort(host, "0")
		d.desk, err = openDesk(options)
	}
	if err != nil {
		return nil, errors.Join(err, d.house.close())
	}
	return d, nil
}

// playOn plays the practice on an open house.
func playOn(ctx context.Context, h *house, clock *fortnight.Clock, now time.Time) (fortnight.Played, error) {
	f := fortnight.House{Practice: h.credentials.Practice, Clock: clock, Now: now}
	for role, into := range map[store.Role]**client.Client{
		store.RoleReception: &f.Reception, store.RoleNurse: &f.Nurse, store.RoleClinician: &f.Clinician, store.RoleManager: &f.Manager,
	} {
		token, _ := h.credentials.Token(role)
		c, err := client.Connect("", client.Options{Token: token, Dial: h.server.Inside(), Deadline: demoPatience})
		if err != nil {
			return fortnight.Played{}, err
		}
		defer func() { _ = c.Close() }() // everything was answered
		*into = c
	}
	return fortnight.Play(ctx, f)
}

// people are those who can sign in with one tap.
func (d *demoHouse) people() *desk.Demo {
	out := &desk.Demo{}
	for _, p := range d.played.People {
		out.People = append(out.People, desk.DemoPerson{Name: p.SignIn, Passphrase: fortnight.Passphrase, Title: p.Name + ", " + p.Role})
	}
	return out
}

// tell says where the desk is, who may sign in and how to stop.
func (d *demoHouse) tell(r *errand) {
	roles := map[string][]string{}
	for _, p := range d.played.People {
		roles[p.Role] = append(roles[p.Role], p.SignIn)
	}
	page := func(format string, args ...any) { _, _ = fmt.Fprintf(r.world.out, format+"\n", args...) }
	page("")
	page("Open in a browser:  %s", d.desk.web.Address())
	page("")
	for _, role := range []string{"reception", "nurse", "clinician", "manager"} {
		page("  sign in as %-10s %s", role+":", strings.Join(roles[role], ", "))
	}
	page("  passphrase of everybody: %s", fortnight.Passphrase)
	page("")
	page("The practice keeps a clock of its own: it is %s there, and it ticks,", d.clock.Now().Format("Monday 2 January 2006, 15:04"))
	page("so that somebody is in the chair whenever you come. Everything is invented.")
	page("To try: patient INVENTED-0046, lower right first molar, is to be assessed and booked.")
	page("The same over gRPC: %s", d.house.server.Address())
	page("Stop with Ctrl-C; nothing is left behind.")
}
