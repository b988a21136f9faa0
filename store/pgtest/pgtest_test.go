package pgtest_test

import (
	"database/sql"
	"os"
	"testing"

	"github.com/visitwright/visitwright/store/pgtest"
)

func TestMain(m *testing.M) { os.Exit(pgtest.Run(m)) }

func TestEachTestGetsACopyOfTheTemplate(t *testing.T) {
	prepare := func(url string) error {
		db, err := sql.Open("postgres", url)
		if err != nil {
			return err
		}
		defer func() { _ = db.Close() }()
		_, err = db.Exec(`CREATE TABLE shelf (book text)`)
		return err
	}
	for i := range 4 { // what one writes the next does not see
		t.Run("", func(t *testing.T) {
			borrow(t, prepare, i == 1)
		})
	}
}

// borrow writes into a fresh copy, and may spoil its schema.
func borrow(t *testing.T, prepare func(string) error, spoil bool) {
	url, _ := pgtest.New(t, prepare)
	db, err := sql.Open("postgres", url)
	if err != nil {
		t.Fatal(err)
	}
	var n int
	if err := db.QueryRow(`WITH w AS (INSERT INTO shelf VALUES ('mine')) SELECT count(*) FROM shelf`).Scan(&n); err != nil {
		t.Fatal(err)
	}
	if n != 0 { // a statement does not see its own insert
		t.Errorf("a fresh copy has %d rows, want none", n)
	}
	if spoil {
		if _, err := db.Exec(`DROP TABLE shelf`); err != nil {
			t.Error(err)
		}
	}
	if err := db.Close(); err != nil {
		t.Error(err)
	}
}

func TestAKilledServerComesBackWithWhatWasCommitted(t *testing.T) {
	s, err := pgtest.Start(pgtest.Options{Durable: true})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if err := s.CreateDatabase("kept", ""); err != nil {
		t.Fatal(err)
	}
	db, err := sql.Open("postgres", s.URL("kept"))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if _, err := db.Exec(`CREATE TABLE shelf (book text); INSERT INTO shelf VALUES ('one')`); err != nil {
		t.Fatal(err)
	}
	s.Kill()
	if err := db.Ping(); err == nil {
		t.Error("a killed server answers")
	}
	if err := s.Run(); err != nil {
		t.Fatal(err)
	}
	var n int
	if err := db.QueryRow(`SELECT count(*) FROM shelf`).Scan(&n); err != nil || n != 1 {
		t.Errorf("after a kill: %d rows, %v; want 1", n, err)
	}
}
