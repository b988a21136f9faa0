package store_test

import (
	"path/filepath"
	"testing"

	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/store/storetest"
)

// openWith opens a file with a way of keeping the entries of reads, and one patient.
func openWith(t *testing.T, mode store.ReadAudit) (*store.Store, string, store.Patient) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "audit.db")
	s, err := store.Open(t.Context(), store.Config{Database: path, Keys: storetest.TestKeys(t), Clock: storetest.NewClock().Now, ReadAudit: mode})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	storetest.CreatePractice(t, s, "willow-lane")
	p, err := s.CreatePatient(t.Context(), killCall, store.Patient{Reference: "a"})
	if err != nil {
		t.Fatal(err)
	}
	return s, path, p
}

func readsInTrail(t *testing.T, path string) (n int) {
	t.Helper()
	if err := sqliteBackendAt(t, path).QueryRow(`SELECT coalesce(sum(times), 0) FROM audit WHERE fields = '[]'`).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

func TestAReadThatWaitsForItsEntryFindsItKept(t *testing.T) {
	s, path, p := openWith(t, store.AuditReadsFirst)
	for want := 1; want <= 3; want++ {
		if _, err := s.GetPatient(t.Context(), killCall, p.ID); err != nil {
			t.Fatal(err)
		}
		if n := readsInTrail(t, path); n != want {
			t.Errorf("after %d reads the trail has %d", want, n)
		}
	}
}

func TestEntriesOfReadsAreKeptWhenTheStoreCloses(t *testing.T) {
	s, path, p := openWith(t, store.AuditReadsPromptly)
	for range 5 {
		if _, err := s.GetPatient(t.Context(), killCall, p.ID); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if n := readsInTrail(t, path); n != 5 {
		t.Errorf("the trail has %d reads, want 5", n)
	}
	if _, err := s.GetPatient(t.Context(), killCall, p.ID); err == nil {
		t.Error("a closed store answers")
	}
}

// While entries cannot be written nobody reads: a read without its entry is
// never answered a second time.
func TestReadsAreRefusedWhileTheirEntriesCannotBeWritten(t *testing.T) {
	s, path, p := openWith(t, store.AuditReadsPromptly)
	raw := sqliteBackendAt(t, path)
	if _, err := raw.Exec(`CREATE TRIGGER broken BEFORE INSERT ON audit BEGIN SELECT RAISE(ABORT, 'broken'); END`); err != nil {
		t.Fatal(err)
	}
	if _, err := s.GetPatient(t.Context(), killCall, p.ID); err != nil {
		t.Errorf("the first cannot know yet: %v", err)
	}
	if err := s.FlushAudit(t.Context()); err == nil {
		t.Error("flushing says that all is written")
	}
	if _, err := s.GetPatient(t.Context(), killCall, p.ID); err == nil {
		t.Error("read without an entry")
	}
	if _, err := raw.Exec(`DROP TRIGGER broken`); err != nil {
		t.Fatal(err)
	}
	// The first try finds that entries can be written again.
	if _, err := s.GetPatient(t.Context(), killCall, p.ID); err != nil {
		t.Errorf("afterwards: %v", err)
	}
	if err := s.FlushAudit(t.Context()); err != nil {
		t.Error(err)
	}
	// The one that was answered before anybody knew is there too, the one that
	// was refused as well.
	if n := readsInTrail(t, path); n != 3 {
		t.Errorf("the trail has %d reads, want 3", n)
	}
}
