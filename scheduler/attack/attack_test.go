package attack_test

import (
	"context"
	"database/sql"
	"net/url"
	"path/filepath"
	"testing"
	"time"

	_ "github.com/ncruces/go-sqlite3/driver" // registers "sqlite3"

	"github.com/visitwright/visitwright/store/pgtest"
)

// check is what must hold after any attack.
func (l *load) check(t *testing.T, raw *sql.DB) {
	t.Helper()
	if n := overlaps(t, raw); n != 0 {
		t.Errorf("%d pairs of our bookings share a resource at one time", n)
	}
	kept := states(t, raw)
	for booking, state := range l.last {
		if kept[booking] != state {
			t.Errorf("booking %s was acknowledged as %s and is %q", booking, state, kept[booking])
		}
	}
	if n := len(kept) - len(l.a.filled); n != len(l.last) {
		t.Errorf("%d bookings are kept, %d were acknowledged", n, len(l.last))
	}
	if l.booked.Load() < 5 || l.refused.Load() < 100 || l.confirmed.Load() == 0 || l.cancelled.Load() == 0 {
		t.Error("the attack did not try everything")
	}
	// Who is refused is told which resource was in the way, unless it was free
	// again by the time of asking.
	if e, r := l.explained.Load(), l.refused.Load(); float64(e) < 0.85*float64(r) {
		t.Errorf("%d of %d refusals name the resource", e, r)
	}
	if !linearizable(t, l.whole()) {
		t.Error("the history has no order in which it could have happened")
	}
}

func setUp(t *testing.T, database string, days int) *arena {
	t.Helper()
	s, err := openHasty(t.Context(), database)
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	}()
	return newArena(t, s, database, days)
}

func openRaw(t *testing.T, driver, name string) *sql.DB {
	t.Helper()
	db, err := sql.Open(driver, name)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = db.Close() })
	return db
}

func migrate(database string) error {
	s, err := openStore(context.Background(), database)
	if err != nil {
		return err
	}
	return s.Close()
}

func sqliteURL(path string) string {
	return "file:" + (&url.URL{Path: filepath.ToSlash(path)}).EscapedPath() + "?_pragma=busy_timeout(20000)"
}

func TestNobodyIsBookedTwiceOnTwoReplicasOfPostgreSQL(t *testing.T) {
	database, super := pgtest.New(t, migrate)
	a := setUp(t, database, arenaDays)
	l := attack(t, a, []string{startReplica(t, database).address, startReplica(t, database).address}, attempts, nil)
	l.check(t, openRaw(t, "postgres", super))
}

func TestNobodyIsBookedTwiceOnOneServerOfSQLite(t *testing.T) {
	path := filepath.Join(t.TempDir(), "diary.db")
	a := setUp(t, path, arenaDays)
	l := attack(t, a, []string{startReplica(t, path).address}, attempts, nil)
	l.check(t, openRaw(t, "sqlite3", sqliteURL(path)))
}

// At a third and at two thirds of the load one replica is killed and started
// again; clients that lose their answer ask again with the same request id.
func TestAReplicaThatIsKilledInMidLoadLosesNothing(t *testing.T) {
	database, super := pgtest.New(t, migrate)
	a := setUp(t, database, arenaDays)
	one, other := startReplica(t, database), startReplica(t, database)
	l := attack(t, a, []string{one.address, other.address}, disturbedAttempts, func(tried func() int64) {
		for i, r := range []*replica{one, other} {
			waitFor(t, func() bool { return tried() > int64((i+1)*disturbedAttempts/3) })
			r.kill()
			r.start()
		}
	})
	if l.repeated.Load() == 0 {
		t.Error("no client noticed that a replica was killed")
	}
	l.check(t, openRaw(t, "postgres", super))
}

// PostgreSQL itself is ended as by a loss of power, recovers from its log, and
// later is stopped and started by an administrator.
func TestPostgreSQLThatRestartsInMidLoadLosesNothing(t *testing.T) {
	server, err := pgtest.Start(pgtest.Options{Durable: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(server.Close)
	if err := server.CreateDatabase("diary", ""); err != nil {
		t.Fatal(err)
	}
	database := server.URL("diary")
	a := setUp(t, database, arenaDays)
	l := attack(t, a, []string{startReplica(t, database).address, startReplica(t, database).address}, disturbedAttempts, func(tried func() int64) {
		for i, end := range []func(){server.Kill, server.Stop} {
			waitFor(t, func() bool { return tried() > int64((i+1)*disturbedAttempts/3) })
			end()
			if err := server.Run(); err != nil {
				t.Error(err)
				return
			}
		}
	})
	if l.repeated.Load() == 0 {
		t.Error("no client noticed that the database restarted")
	}
	l.check(t, openRaw(t, "postgres", server.SuperURL("diary")))
}

// With the constraint dropped, the same load double-books, and both the
// self-join and the history show it: what keeps bookings apart is the schema,
// and these tests can see it fail.
func TestWithoutTheConstraintTheSameLoadBooksTwice(t *testing.T) {
	for name, on := range map[string]struct {
		set  func(t *testing.T) (database string, raw *sql.DB, replicas int)
		drop []string
	}{
		"PostgreSQL": {func(t *testing.T) (string, *sql.DB, int) {
			database, super := pgtest.New(t, migrate)
			return database, openRaw(t, "postgres", super), 2
		}, []string{"ALTER TABLE spans DROP CONSTRAINT spans_taken"}},
		"SQLite": {func(t *testing.T) (string, *sql.DB, int) {
			path := filepath.Join(t.TempDir(), "diary.db")
			if err := migrate(path); err != nil {
				t.Fatal(err)
			}
			return path, openRaw(t, "sqlite3", sqliteURL(path)), 1
		}, []string{"DROP TRIGGER spans_taken_i", "DROP TRIGGER spans_taken_u"}},
	} {
		t.Run(name, func(t *testing.T) {
			database, raw, replicas := on.set(t)
			a := setUp(t, database, 3)
			for _, text := range on.drop {
				if _, err := raw.Exec(text); err != nil {
					t.Fatal(err)
				}
			}
			var addresses []string
			for range replicas {
				addresses = append(addresses, startReplica(t, database).address)
			}
			l := attack(t, a, addresses, droppedAttempts, nil)
			if overlaps(t, raw) == 0 {
				t.Error("the self-join sees no double booking")
			}
			if linearizable(t, l.whole()) {
				t.Error("the checker sees nothing wrong with the history")
			}
		})
	}
}

// waitFor looks again and again until something holds or the test ends.
func waitFor(t *testing.T, holds func() bool) {
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for !holds() {
		select {
		case <-t.Context().Done():
			return
		case <-tick.C:
		}
	}
}
