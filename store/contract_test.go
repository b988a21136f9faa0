package store_test

import (
	"bytes"
	"context"
	"database/sql"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"

	_ "github.com/ncruces/go-sqlite3/driver"
	"go.uber.org/goleak"

	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/store/pgtest"
	"github.com/visitwright/visitwright/store/storetest"
)

func TestMain(m *testing.M) {
	if os.Getenv(writerEnv) != "" {
		os.Exit(runWriter())
	}
	if path := os.Getenv(openerEnv); path != "" {
		if err := migrateFile(path); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	code := pgtest.Run(m)
	if err := goleak.Find(goleak.IgnoreTopFunction("database/sql.(*DB).connectionOpener")); err != nil && code == 0 {
		fmt.Fprintln(os.Stderr, "a closed store leaves goroutines behind:", err)
		code = 1
	}
	os.Exit(code)
}

// openerEnv makes this test binary a program that opens a file and ends.
const openerEnv = "VISITWRIGHT_TEST_OPENER"

// Nothing but the file itself keeps two processes apart.
func TestSeveralProcessesStartOnOneEmptyFileAtOnce(t *testing.T) {
	path := filepath.Join(t.TempDir(), "empty.db")
	var wg sync.WaitGroup
	for range 4 {
		wg.Go(func() {
			cmd := exec.CommandContext(t.Context(), os.Args[0])
			cmd.Env = append(os.Environ(), openerEnv+"="+path)
			if out, err := cmd.CombinedOutput(); err != nil {
				t.Errorf("%v: %s", err, out)
			}
		})
	}
	wg.Wait()
	s := storetest.OpenPlace(t, storetest.Place{Database: path}, storetest.NewClock())
	storetest.CreatePractice(t, s, "willow-lane")
}

func TestSQLiteKeepsTheContract(t *testing.T) { storetest.Run(t, sqliteBackend()) }

func TestPostgreSQLKeepsTheContract(t *testing.T) { storetest.Run(t, postgresBackend()) }

func sqliteBackend() storetest.Backend {
	empty := func(t *testing.T) string { return filepath.Join(t.TempDir(), "empty.db") }
	return storetest.Backend{Name: "sqlite", Empty: empty, New: func(t *testing.T) storetest.Place {
		path := filepath.Join(t.TempDir(), "it's a 100% file.db") // a path that needs escaping
		if err := os.WriteFile(path, sqliteTemplate(t), 0o600); err != nil {
			t.Fatal(err)
		}
		return storetest.Place{
			Database: path,
			Raw: func(t *testing.T) *sql.DB {
				db, err := sql.Open("sqlite3", sqliteURL(path))
				if err != nil {
					t.Fatal(err)
				}
				t.Cleanup(func() { _ = db.Close() })
				return db
			},
			Bytes: func(t *testing.T) []byte {
				var all []byte
				for _, suffix := range []string{"", "-wal"} {
					b, err := os.ReadFile(path + suffix)
					if err != nil {
						t.Fatal(err)
					}
					all = append(all, b...)
				}
				return all
			},
		}
	}}
}

// sqliteTemplate is a file that has been brought up to date, so that not every
// test does it.
func sqliteTemplate(t *testing.T) []byte {
	t.Helper()
	templateOnce.Do(func() {
		path := filepath.Join(t.TempDir(), "template.db")
		if template, errTemplate = nil, migrateFile(path); errTemplate == nil {
			template, errTemplate = os.ReadFile(path)
		}
	})
	if errTemplate != nil {
		t.Fatal(errTemplate)
	}
	return template
}

var (
	templateOnce sync.Once
	template     []byte
	errTemplate  error
)

func migrateFile(path string) error {
	keys, err := store.ParseKeys([]byte("key 1 AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA="))
	if err != nil {
		return err
	}
	s, err := store.Open(context.Background(), store.Config{Database: path, Keys: keys, Clock: storetest.NewClock().Now})
	if err != nil {
		return err
	}
	return s.Close() // the last connection that closes moves the log into the file
}

func postgresBackend() storetest.Backend {
	empty := func(t *testing.T) string { return pgtest.Empty(t) }
	return storetest.Backend{Name: "postgres", Empty: empty, New: func(t *testing.T) storetest.Place {
		url, super := pgtest.New(t, migrate)
		return storetest.Place{
			Database: url,
			Raw: func(t *testing.T) *sql.DB {
				db, err := sql.Open("postgres", super)
				if err != nil {
					t.Fatal(err)
				}
				t.Cleanup(func() { _ = db.Close() })
				return db
			},
			Bytes: func(t *testing.T) []byte {
				// pg_dump shows every row; binary columns as hexadecimal, so that
				// texts are looked for in both spellings.
				out, err := exec.CommandContext(t.Context(), filepath.Join(pgtest.Shared(t).Bin(), "pg_dump"), "--inserts", super).Output()
				if err != nil {
					t.Fatal(err)
				}
				var decoded []byte
				for _, part := range bytes.Split(out, []byte(`\x`)) {
					var b []byte
					_, _ = fmt.Sscanf(string(part), "%x", &b)
					decoded = append(decoded, b...)
				}
				return append(out, decoded...)
			},
		}
	}}
}

func migrate(url string) error {
	keys, err := store.ParseKeys([]byte("key 1 AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA="))
	if err != nil {
		return err
	}
	s, err := store.Open(context.Background(), store.Config{Database: url, Keys: keys})
	if err != nil {
		return err
	}
	return s.Close()
}

func sqliteBackendAt(t *testing.T, path string) *sql.DB {
	t.Helper()
	db, err := sql.Open("sqlite3", sqliteURL(path))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = db.Close() })
	return db
}
