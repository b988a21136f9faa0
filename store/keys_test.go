package store

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

const keyA, keyB = "AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA=", "BBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBA="

func mustKeys(t *testing.T, text string) *Keys {
	t.Helper()
	k, err := ParseKeys([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func TestASealedValueOpensOnlyWhereItBelongs(t *testing.T) {
	k := mustKeys(t, "key 1 "+keyA)
	sealed := k.seal([]byte("plain"), "p", "patients/1")
	if bytes.Contains(sealed, []byte("plain")) {
		t.Error("not sealed")
	}
	if got, err := k.open(sealed, "p", "patients/1"); err != nil || string(got) != "plain" {
		t.Errorf("%q %v", got, err)
	}
	if bytes.Equal(sealed, k.seal([]byte("plain"), "p", "patients/1")) {
		t.Error("the same value sealed twice looks the same")
	}
	for _, c := range []struct{ practice, record string }{{"q", "patients/1"}, {"p", "patients/2"}, {"p", "cases/1"}} {
		if _, err := k.open(sealed, c.practice, c.record); !errors.Is(err, ErrSealed) {
			t.Errorf("opens as %v: %v", c, err)
		}
	}
	for i := range sealed {
		bad := bytes.Clone(sealed)
		bad[i] ^= 1
		if _, err := k.open(bad, "p", "patients/1"); !errors.Is(err, ErrSealed) {
			t.Errorf("byte %d changed, and it opens", i)
		}
		if _, err := k.open(sealed[:i], "p", "patients/1"); !errors.Is(err, ErrSealed) {
			t.Errorf("cut to %d bytes, and it opens", i)
		}
	}
}

func TestANewKeySealsAndTheOldOneStillOpens(t *testing.T) {
	old := mustKeys(t, "key 1 "+keyA)
	both := mustKeys(t, "# two\n\nkey 1 "+keyA+"\nkey 2 "+keyB+"\n")
	sealed := old.seal([]byte("x"), "p", "r")
	if _, err := both.open(sealed, "p", "r"); err != nil {
		t.Errorf("the old value: %v", err)
	}
	if _, err := old.open(both.seal([]byte("x"), "p", "r"), "p", "r"); !errors.Is(err, ErrSealed) {
		t.Errorf("the new value opens with the old key: %v", err)
	}
	if !bytes.Equal(old.wordHash("p", "w:anna"), both.wordHash("p", "w:anna")) {
		t.Error("a new key loses the index of words")
	}
	if bytes.Equal(old.wordHash("p", "w:anna"), old.wordHash("q", "w:anna")) {
		t.Error("two practices share a hash")
	}
}

func TestADamagedKeyFileIsRefusedAndNotRepeated(t *testing.T) {
	for _, text := range []string{"", "key 1", "key 0 " + keyA, "key 70000 " + keyA, "key 1 c2hvcnQ=", "lock 1 " + keyA,
		"key 1 " + keyA + "\nkey 1 " + keyB, "key 1 " + keyA + " more"} {
		_, err := ParseKeys([]byte(text))
		if err == nil {
			t.Errorf("%q passes", text)
		} else if strings.Contains(err.Error(), keyA) {
			t.Errorf("%v shows the key", err)
		}
	}
}

func TestAKeyFileIsMadeOnceAndReadByItsOwnerAlone(t *testing.T) {
	path := filepath.Join(t.TempDir(), "sub", "k")
	if err := CreateKeyFile(path); err != nil {
		t.Fatal(err)
	}
	if err := CreateKeyFile(path); !errors.Is(err, ErrExists) {
		t.Errorf("made twice: %v", err)
	}
	if _, err := LoadKeyFile(path); err != nil {
		t.Error(err)
	}
	if err := os.Chmod(path, 0o640); err != nil {
		t.Fatal(err)
	}
	if _, err := LoadKeyFile(path); err == nil {
		t.Error("a key file that others may read is used")
	}
}

func FuzzKeyFile(f *testing.F) {
	f.Add([]byte("key 1 " + keyA))
	f.Add([]byte("# x\nkey 2 " + keyB + "\nkey 1 " + keyA))
	f.Fuzz(func(t *testing.T, text []byte) {
		k, err := ParseKeys(text)
		if err != nil {
			return
		}
		if got, err := k.open(k.seal(text, "p", "r"), "p", "r"); err != nil || !bytes.Equal(got, text) {
			t.Errorf("keys that parse do not open what they seal: %v", err)
		}
	})
}
