package main

import (
	"log/slog"
	"testing"
	"time"

	"google.golang.org/grpc/test/bufconn"

	client "github.com/visitwright/visitwright/clients/go"
	"github.com/visitwright/visitwright/cmd/visitwright/fortnight"
	"github.com/visitwright/visitwright/cmd/visitwright/server"
	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/testdata/demo"
)

// demoPractice is the played practice, as read back over gRPC.
type demoPractice struct {
	house  *house
	played fortnight.Played
	now    time.Time
	parent string
	as     map[store.Role]*client.Client
}

func playedAt(t *testing.T, real time.Time) *demoPractice {
	t.Helper()
	zone, err := time.LoadLocation(demo.Zone)
	if err != nil {
		t.Fatal(err)
	}
	now, err := fortnight.Start(real, zone)
	if err != nil {
		t.Fatal(err)
	}
	clock := fortnight.NewClock(fortnight.Before(now), func() time.Time { return now })
	pipe := bufconn.Listen(256 << 10)
	h, err := openHouse(t.Context(), houseOptions{where: &where{Data: t.TempDir()}, now: clock.Now, log: slog.New(slog.NewTextHandler(t.Output(), &slog.HandlerOptions{Level: slog.LevelWarn})),
		name: demo.Practice, zone: demo.Zone, server: server.Options{Listener: pipe, CallsPerSecond: 1e6, CallsBurst: 1e6}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = h.close() })
	p := &demoPractice{house: h, now: now, parent: "practices/" + h.credentials.Practice, as: map[store.Role]*client.Client{}}
	for _, role := range []store.Role{store.RoleReception, store.RoleNurse, store.RoleClinician, store.RoleManager} {
		token, _ := h.credentials.Token(role)
		c, err := client.Connect("", client.Options{Token: token, Dial: pipe.DialContext})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = c.Close() })
		p.as[role] = c
	}
	began := time.Now()
	p.played, err = fortnight.Play(t.Context(), fortnight.House{Practice: h.credentials.Practice, Clock: clock, Now: now,
		Reception: p.as[store.RoleReception], Nurse: p.as[store.RoleNurse], Clinician: p.as[store.RoleClinician], Manager: p.as[store.RoleManager]})
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("played in %v", time.Since(began))
	return p
}

func TestFortnight(t *testing.T) {
	p := playedAt(t, time.Date(2026, 11, 28, 8, 0, 0, 0, time.UTC))
	t.Log(p.played)
}
