package pgtest

import (
	"database/sql"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
)

// The server that the tests of one binary share.
var (
	shared     *Server
	sharedErr  error
	sharedOnce sync.Once

	templateMu  sync.Mutex
	templateErr error
	templated   bool

	number atomic.Int64
)

// Run runs a package's tests and ends the shared server after them:
//
//	func TestMain(m *testing.M) { os.Exit(pgtest.Run(m)) }
func Run(m *testing.M) int {
	defer func() {
		if shared != nil {
			shared.Close()
		}
	}()
	return m.Run()
}

// Shared returns the server of this test binary and starts it when it does not
// run yet.
func Shared(t testing.TB) *Server {
	t.Helper()
	sharedOnce.Do(func() { shared, sharedErr = Start(Options{}) })
	if sharedErr != nil {
		t.Fatal(sharedErr)
	}
	return shared
}

// New returns the URL of a database of the test's own, and the URL by which the
// superuser reaches it. The first call lets prepare bring a template up to date;
// each database is a copy of it. prepare is the same for all tests of a binary.
//
// Making a copy costs some hundred file operations, so a database whose schema a
// test left as it was is emptied and lent again.
func New(t testing.TB, prepare func(url string) error) (owner, super string) {
	t.Helper()
	s := Shared(t)
	if err := s.template(prepare); err != nil {
		t.Fatal(err)
	}
	name, err := s.lend()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.takeBack(name); err != nil {
			t.Error(err)
		}
	})
	return s.URL(name), s.SuperURL(name)
}

var (
	idleMu sync.Mutex
	idle   []string
)

func (s *Server) lend() (string, error) {
	idleMu.Lock()
	if n := len(idle); n > 0 {
		name := idle[n-1]
		idle = idle[:n-1]
		idleMu.Unlock()
		return name, nil
	}
	idleMu.Unlock()
	name := fmt.Sprintf("test_%d", number.Add(1))
	return name, s.CreateDatabase(name, "template_ready")
}

func (s *Server) takeBack(name string) error {
	clean, err := s.empty(name)
	if err != nil || !clean {
		return errors.Join(err, s.DropDatabase(name))
	}
	idleMu.Lock()
	defer idleMu.Unlock()
	idle = append(idle, name)
	return nil
}

// fingerprint names every table, index, constraint, trigger and column there is.
const fingerprint = `SELECT md5(coalesce(string_agg(x, ',' ORDER BY x), '')) FROM (
	SELECT c.relname::text || '.' || a.attname::text || '.' || a.atttypid::text FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid
		WHERE c.relnamespace = 'public'::regnamespace AND NOT a.attisdropped
	UNION ALL SELECT conrelid::regclass || '/' || conname || '/' || coalesce(pg_get_constraintdef(oid), '') FROM pg_constraint WHERE connamespace = 'public'::regnamespace
	UNION ALL SELECT tgrelid::regclass || '#' || tgname || tgenabled::text FROM pg_trigger) AS f(x)`

// empty removes all rows past every trigger and reports whether the schema is
// still the template's.
func (s *Server) empty(name string) (bool, error) {
	want, err := s.schema("template_ready")
	if err != nil {
		return false, err
	}
	got, err := s.schema(name)
	if err != nil || got != want {
		return false, err
	}
	db, err := sql.Open("postgres", s.SuperURL(name))
	if err != nil {
		return false, err
	}
	defer func() { _ = db.Close() }()
	_, err = db.Exec(`DO $$ DECLARE t regclass; BEGIN
		SET LOCAL session_replication_role = replica;
		FOR t IN SELECT oid FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relkind = 'r' AND relname NOT LIKE 'goose%'
		LOOP EXECUTE 'DELETE FROM ' || t; END LOOP; END $$`)
	return err == nil, err
}

func (s *Server) schema(name string) (sum string, err error) {
	db, err := sql.Open("postgres", s.SuperURL(name))
	if err != nil {
		return "", err
	}
	defer func() { _ = db.Close() }()
	return sum, db.QueryRow(fingerprint).Scan(&sum)
}

// Empty returns the URL of a database without any table.
func Empty(t testing.TB) string {
	t.Helper()
	s := Shared(t)
	name := fmt.Sprintf("empty_%d", number.Add(1))
	if err := s.CreateDatabase(name, ""); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.DropDatabase(name); err != nil {
			t.Error(err)
		}
	})
	return s.URL(name)
}

func (s *Server) template(prepare func(url string) error) error {
	templateMu.Lock()
	defer templateMu.Unlock()
	if templated {
		return templateErr
	}
	templated = true
	if templateErr = s.CreateDatabase("template_ready", ""); templateErr == nil {
		templateErr = prepare(s.URL("template_ready"))
	}
	return templateErr
}
