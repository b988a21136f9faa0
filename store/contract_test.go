package store_test

import (
	"bytes"
	"context"
	"database/sql"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
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
	code := pgtest.Run(m)
	if err := goleak.Find(goleak.IgnoreTopFunction("database/sql.(*DB).connectionOpener")); err != nil && code == 0 {
		fmt.Fprintln(os.Stderr, "a closed store leaves goroutines behind:", err)
		code = 1
	}
	os.Exit(code)
}

func TestSQLiteKeepsTheContract(t *testing.T) { storetest.Run(t, sqliteBackend()) }

func TestPostgreSQLKeepsTheContract(t *testing.T) { storetest.Run(t, postgresBackend()) }

func sqliteBackend() storetest.Backend {
	return storetest.Backend{Name: "sqlite", New: func(t *testing.T) storetest.Place {
		path := filepath.Join(t.TempDir(), "it's a 100% file.db") // a path that needs escaping
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

func postgresBackend() storetest.Backend {
	return storetest.Backend{Name: "postgres", New: func(t *testing.T) storetest.Place {
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
