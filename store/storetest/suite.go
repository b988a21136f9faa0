// Package storetest is the contract of the store: one suite that both databases
// pass. It is for the tests of package store; a third database would run it too.
package storetest

import (
	"context"
	"database/sql"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/visitwright/visitwright/store"
)

// Backend is one kind of database under test.
type Backend struct {
	Name string
	// New returns a place for one test: its schema is up to date, its tables are
	// empty.
	New func(t *testing.T) Place
	// Empty returns the address of a place that has no schema yet.
	Empty func(t *testing.T) string
}

// Place is one database of one test.
type Place struct {
	Database string // for store.Config
	// Raw opens the database past the store, as somebody with a SQL prompt
	// would; row security does not hold for it.
	Raw func(t *testing.T) *sql.DB
	// Bytes returns everything that lies in the database at rest.
	Bytes func(t *testing.T) []byte
}

// Start of the injected clock: an ordinary Tuesday morning.
var Start = time.Date(2026, 3, 3, 8, 0, 0, 0, time.UTC)

// Clock is a clock that moves only when told.
type Clock struct {
	mu sync.Mutex
	at time.Time
}

// NewClock starts at Start.
func NewClock() *Clock { return &Clock{at: Start} }

// Now returns the clock's time.
func (c *Clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.at
}

// Advance moves the clock.
func (c *Clock) Advance(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at = c.at.Add(d)
}

// TestKeys are the keys of the suite, known and worthless.
func TestKeys(t testing.TB) *store.Keys {
	t.Helper()
	k, err := store.ParseKeys([]byte("key 1 " + strings.Repeat("A", 43) + "="))
	if err != nil {
		t.Fatal(err)
	}
	return k
}

// bench is what one test works with.
type bench struct {
	*testing.T
	s     *store.Store
	clock *Clock
	place Place
	ctx   context.Context
	shift int // days by which the next helper's booking lies later
}

// Practices of the suite.
const (
	ours   = "willow-lane"
	theirs = "harbour-steps"
)

// call is the clinician of a practice asking.
func call(practice string) store.Call {
	return store.Call{Practice: practice, Actor: "tok-" + practice, Role: store.RoleClinician, Method: "/test/Method"}
}

func newBench(t *testing.T, b Backend) *bench {
	t.Helper()
	place := b.New(t)
	clock := NewClock()
	x := &bench{T: t, clock: clock, place: place, ctx: t.Context(), s: OpenPlace(t, place, clock)}
	for _, p := range []string{ours, theirs} {
		CreatePractice(t, x.s, p)
	}
	return x
}

// OpenPlace opens a store and closes it after the test.
func OpenPlace(t *testing.T, place Place, clock *Clock) *store.Store {
	t.Helper()
	s, err := store.Open(t.Context(), store.Config{Database: place.Database, Keys: TestKeys(t), Clock: clock.Now})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

// CreatePractice makes a practice with a manager's token.
func CreatePractice(t testing.TB, s *store.Store, id string) {
	t.Helper()
	_, err := s.CreatePractice(t.Context(), store.NewPractice{ID: id, Name: "Practice " + id, Zone: "Europe/Vienna",
		Tokens: []store.Token{{ID: "first", Role: store.RoleManager, Hash: [32]byte{1}}}})
	if err != nil {
		t.Fatal(err)
	}
}

func (b *bench) must(err error) {
	b.Helper()
	if err != nil {
		b.Fatal(err)
	}
}

func (b *bench) patient(practice, reference string) store.Patient {
	b.Helper()
	p, err := b.s.CreatePatient(b.ctx, call(practice), store.Patient{Reference: reference})
	b.must(err)
	return p
}

func (b *bench) openCase(practice string) store.Case {
	b.Helper()
	p := b.patient(practice, "ref-"+b.Name()[strings.LastIndex(b.Name(), "/")+1:][:8])
	c, err := b.s.CreateCase(b.ctx, call(practice), store.Case{PatientID: p.ID, Tooth: 46})
	b.must(err)
	return c
}

// Run runs the whole contract on one backend.
func Run(t *testing.T, b Backend) {
	for _, group := range []struct {
		name  string
		tests map[string]func(*bench)
	}{
		{"records", recordTests},
		{"plans", planTests},
		{"walls", wallTests},
		{"audit", auditTests},
		{"requests", requestTests},
		{"tokens", tokenTests},
		{"people", peopleTests},
		{"diary", diaryTests},
		{"taking in", takeInTests},
		{"changes", changeTests},
		{"short notice", shortNoticeTests},
		{"calendar feeds", calendarFeedTests},
		{"chair", chairTests},
		{"follow-ups", careTests},
		{"setup", setupTests},
	} {
		t.Run(group.name, func(t *testing.T) {
			for name, test := range group.tests {
				t.Run(name, func(t *testing.T) { test(newBench(t, b)) })
			}
		})
	}
	t.Run("two replicas start on an empty database at once", func(t *testing.T) { twoReplicasStart(t, b) })
}
