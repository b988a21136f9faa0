package pgtest

import (
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
func New(t testing.TB, prepare func(url string) error) (owner, super string) {
	t.Helper()
	s := Shared(t)
	if err := s.template(prepare); err != nil {
		t.Fatal(err)
	}
	name := fmt.Sprintf("test_%d", number.Add(1))
	if err := s.CreateDatabase(name, "template_ready"); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.DropDatabase(name); err != nil {
			t.Error(err)
		}
	})
	return s.URL(name), s.SuperURL(name)
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
