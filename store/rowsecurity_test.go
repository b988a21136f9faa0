package store_test

import (
	"database/sql"
	"testing"

	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/store/pgtest"
	"github.com/visitwright/visitwright/store/storetest"
)

// Row security is the second wall: a statement that forgets its practice still
// sees nothing of another.
func TestAStatementThatForgetsItsPracticeSeesNothing(t *testing.T) {
	url, super := pgtest.New(t, migrate)
	s := storetest.OpenPlace(t, storetest.Place{Database: url}, storetest.NewClock())
	for _, p := range []string{"willow-lane", "harbour-steps"} {
		storetest.CreatePractice(t, s, p)
		_, err := s.CreatePatient(t.Context(), store.Call{Practice: p, Actor: "t", Method: "/m"}, store.Patient{Reference: "a"})
		if err != nil {
			t.Fatal(err)
		}
	}
	owner, err := sql.Open("postgres", url)
	if err != nil {
		t.Fatal(err)
	}
	defer owner.Close()
	count := func(setting string) (n int) {
		t.Helper()
		tx, err := owner.Begin()
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = tx.Rollback() }()
		if setting != "" {
			if _, err := tx.Exec(`SELECT set_config('visitwright.practice', $1, true)`, setting); err != nil {
				t.Fatal(err)
			}
		}
		if err := tx.QueryRow(`SELECT count(*) FROM patients`).Scan(&n); err != nil {
			t.Fatal(err)
		}
		return n
	}
	for setting, want := range map[string]int{"": 0, "willow-lane": 1, "*": 2} {
		if n := count(setting); n != want {
			t.Errorf("as %q: %d patients, want %d", setting, n, want)
		}
	}
	// Every table that holds rows of a practice stands behind the wall.
	admin, err := sql.Open("postgres", super)
	if err != nil {
		t.Fatal(err)
	}
	defer admin.Close()
	rows, err := admin.Query(`SELECT c.relname, c.relrowsecurity AND c.relforcerowsecurity FROM pg_class c
		JOIN pg_namespace n ON n.oid = c.relnamespace WHERE n.nspname = 'public' AND c.relkind = 'r' AND c.relname NOT LIKE 'goose%'`)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		var name string
		var walled bool
		if err := rows.Scan(&name, &walled); err != nil {
			t.Fatal(err)
		}
		if !walled {
			t.Errorf("table %s has no forced row security", name)
		}
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
}
