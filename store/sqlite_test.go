package store_test

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/store/storetest"
)

func TestANewDatabaseFileIsForItsOwnerAlone(t *testing.T) {
	path := filepath.Join(t.TempDir(), "practice.db")
	s, err := store.Open(t.Context(), store.Config{Database: path, Keys: storetest.TestKeys(t), Clock: storetest.NewClock().Now})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	}()
	beside, err := filepath.Glob(path + "*")
	if err != nil || len(beside) < 2 {
		t.Fatalf("files %v, %v", beside, err)
	}
	for _, name := range beside {
		if info, err := os.Stat(name); err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v, mode %v", filepath.Base(name), err, info.Mode())
		}
	}
}
