package identity_test

import (
	"context"
	"log/slog"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	client "github.com/visitwright/visitwright/clients/go"
	"github.com/visitwright/visitwright/cmd/visitwright/identity"
	"github.com/visitwright/visitwright/cmd/visitwright/server"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/store/access"
	"github.com/visitwright/visitwright/store/storetest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// cheap is work that only a test may ask for.
var cheap = access.Work{Memory: 64, Passes: 1, Threads: 1}

const (
	lane  = "willow-lane"
	steps = "harbour-steps"
)

// practice is a database with replicas on it.
type practice struct {
	t        *testing.T
	clock    *storetest.Clock
	file     string
	store    *store.Store
	managers map[string]string // token of each practice's first manager
	log      *lines
}

// lines keeps what a server logged.
type lines struct {
	mu   sync.Mutex
	text []byte
}

func (l *lines) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.text = append(l.text, b...)
	return len(b), nil
}

func (l *lines) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return string(l.text)
}

func open(t *testing.T, practices ...string) *practice {
	t.Helper()
	p := &practice{t: t, clock: storetest.NewClock(), file: filepath.Join(t.TempDir(), "v.db"), managers: map[string]string{}, log: &lines{}}
	p.store = p.replica()
	for _, id := range practices {
		text, record := access.Mint(id, store.RoleManager, "first")
		_, err := p.store.CreatePractice(t.Context(), store.NewPractice{ID: id, Name: "Practice " + id, Zone: "Europe/Vienna", Tokens: []store.Token{record}})
		if err != nil {
			t.Fatal(err)
		}
		p.managers[id] = text
	}
	return p
}

func (p *practice) replica() *store.Store {
	return storetest.OpenPlace(p.t, storetest.Place{Database: p.file}, p.clock)
}

// serve starts a server on a store and returns a client without a token.
func (p *practice) serve(s *store.Store) *client.Client {
	p.t.Helper()
	key := make([]byte, 32)
	people, err := identity.New(identity.Config{Store: s, PageKey: key, Now: p.clock.Now, Work: cheap})
	if err != nil {
		p.t.Fatal(err)
	}
	log := server.NewLogger(p.log, slog.LevelDebug)
	running, err := server.Start(server.Options{
		Listen: "127.0.0.1:0", Table: server.Table, Tokens: s, Refusals: s, Probe: s.Ready, Now: p.clock.Now, Log: log,
		SessionRecheck: 10 * time.Millisecond,
		Register:       func(r grpc.ServiceRegistrar) { people.Register(r) },
	})
	if err != nil {
		p.t.Fatal(err)
	}
	p.t.Cleanup(running.Stop)
	c, err := client.Connect(running.Address(), client.Options{})
	if err != nil {
		p.t.Fatal(err)
	}
	p.t.Cleanup(func() { _ = c.Close() })
	return c
}

// as speaks with a token.
func (p *practice) as(token string) context.Context { return client.WithToken(p.t.Context(), token) }

func (p *practice) manager(id string) context.Context { return p.as(p.managers[id]) }

const phrase = "nine small herons" // every test person's first passphrase

// add makes a person with the usual passphrase.
func (p *practice) add(c *client.Client, name string, role vw.Role) *vw.Person {
	p.t.Helper()
	made, err := c.Identity.CreatePerson(p.manager(lane), &vw.CreatePersonRequest{Parent: "practices/" + lane, Passphrase: phrase,
		Person: &vw.Person{SignInName: name, DisplayName: "Invented " + name, Role: role}})
	if err != nil {
		p.t.Fatal(err)
	}
	return made
}

// enter signs somebody in and returns the session's token.
func (p *practice) enter(c *client.Client, name, passphrase string) string {
	p.t.Helper()
	in, err := p.try(c, name, passphrase)
	if err != nil {
		p.t.Fatal(err)
	}
	return in.GetSessionToken()
}

func (p *practice) try(c *client.Client, name, passphrase string) (*vw.SignInResponse, error) {
	return c.Identity.SignIn(p.t.Context(), &vw.SignInRequest{Parent: "practices/" + lane, SignInName: name, Passphrase: passphrase, Client: "test"})
}

func (p *practice) me(c *client.Client, token string) (*vw.Me, error) {
	return c.Identity.GetMe(p.as(token), &vw.GetMeRequest{})
}

func refused(t *testing.T, err error, code codes.Code, reason string) {
	t.Helper()
	if status.Code(err) != code || client.ReasonOf(err) != reason {
		t.Fatalf("got %v %q, want %v %q: %v", status.Code(err), client.ReasonOf(err), code, reason, err)
	}
}
