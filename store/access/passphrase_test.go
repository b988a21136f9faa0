package access_test

import (
	"context"
	"errors"
	"strings"
	"testing"

	"github.com/visitwright/visitwright/store/access"
)

var cheap = access.Work{Memory: 64, Passes: 1, Threads: 1}

func hasher() *access.Hasher { return access.NewHasher(cheap, 2) }

func TestTheRightPassphraseIsTakenAndNoOther(t *testing.T) {
	h := hasher()
	kept, err := h.Hash(t.Context(), "nine small herons")
	if err != nil {
		t.Fatal(err)
	}
	if again, _ := h.Hash(t.Context(), "nine small herons"); string(again) == string(kept) {
		t.Error("two hashes of one passphrase are alike: there is no salt")
	}
	for typed, want := range map[string]bool{"nine small herons": true, "Nine small herons": false, "nine small heron": false, "": false, "nine small herons ": false} {
		got, err := h.Check(t.Context(), kept, typed)
		if err != nil || got != want {
			t.Errorf("%q: %v, %v, want %v", typed, got, err, want)
		}
	}
	if strings.Contains(string(kept), "heron") {
		t.Error("the passphrase is kept")
	}
}

// One keyboard sends ü as one character, another as u and two dots.
func TestOnePassphraseTypedOnTwoKeyboardsIsOne(t *testing.T) {
	h := hasher()
	kept, err := h.Hash(t.Context(), "m\u00fcder Kranich")
	if err != nil {
		t.Fatal(err)
	}
	if right, err := h.Check(t.Context(), kept, "mu\u0308der Kranich"); err != nil || !right {
		t.Errorf("%v, %v", right, err)
	}
}

func TestTheLengthOfAPassphraseIsCountedInCharacters(t *testing.T) {
	h := hasher()
	for text, ok := range map[string]bool{"ninechars": false, "tencharact": true, "zehnüüüüüü": true, strings.Repeat("ü", 128): true, strings.Repeat("x", 129): false, "": false} {
		if _, err := h.Hash(t.Context(), text); (err == nil) != ok || !ok && !errors.Is(err, access.ErrPassphraseLength) {
			t.Errorf("%d bytes: %v", len(text), err)
		}
	}
}

func TestWhereNothingIsKeptNothingIsRight(t *testing.T) {
	if right, err := hasher().Check(t.Context(), nil, ""); right || err != nil {
		t.Errorf("%v, %v", right, err)
	}
}

// Made by the reference program of argon2's authors, version 20171227 (Debian
// package argon2): echo -n "nine small herons" | argon2 somesalt -id -t 3 -k 65536 -p 4 -l 32 -e
func TestAHashOfTheReferenceProgramIsUnderstood(t *testing.T) {
	const kept = "$argon2id$v=19$m=65536,t=3,p=4$c29tZXNhbHQ$0xcAS9eDCpe15nAj4L9b9haGmVQw+ggs1gB5JrtLgRU"
	right, err := hasher().Check(t.Context(), []byte(kept), "nine small herons")
	if err != nil || !right {
		t.Errorf("%v, %v", right, err)
	}
}

func TestADamagedHashStopsNothing(t *testing.T) {
	for _, kept := range []string{
		"x", "$argon2i$v=19$m=64,t=1,p=1$c29tZXNhbHQ$AAAAAAAAAAAAAAAAAAAAAA", "$argon2id$v=19$m=4294967295,t=1,p=1$c29tZXNhbHQ$AAAAAAAAAAAAAAAAAAAAAA",
		"$argon2id$v=19$m=64,t=0,p=1$c29tZXNhbHQ$AAAAAAAAAAAAAAAAAAAAAA", "$argon2id$v=19$m=64,t=1,p=0$c29tZXNhbHQ$AAAAAAAAAAAAAAAAAAAAAA",
		"$argon2id$v=19$m=64,t=1,p=1$c29tZXNhbHQ$", "$argon2id$v=19$m=64,t=1,p=1$$AAAAAAAAAAAAAAAAAAAAAA", "$argon2id$v=16$m=64,t=1,p=1$c29tZXNhbHQ$AAAAAAAAAAAAAAAAAAAAAA",
	} {
		if right, err := hasher().Check(t.Context(), []byte(kept), "nine small herons"); right || !errors.Is(err, access.ErrDamagedHash) {
			t.Errorf("%s: %v, %v", kept, right, err)
		}
	}
}

func TestWhoWaitsTooLongForATurnIsSentAway(t *testing.T) {
	h := hasher()
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	for range 50 { // a free turn may win against the end: then the hash is made
		if kept, err := h.Hash(ended, "nine small herons"); err != nil && !errors.Is(err, context.Canceled) || err == nil && len(kept) == 0 {
			t.Fatal(err)
		}
	}
}

func TestTheUsualWorkIsTheOneThatTheStandardRecommends(t *testing.T) {
	if access.UsualWork != (access.Work{Memory: 65536, Passes: 3, Threads: 4}) { // RFC 9106, section 4, second option
		t.Errorf("%+v", access.UsualWork)
	}
}

func BenchmarkOnePassphrase(b *testing.B) {
	h := access.NewHasher(access.UsualWork, 1)
	kept, err := h.Hash(b.Context(), "nine small herons")
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, err := h.Check(b.Context(), kept, "nine small herons"); err != nil {
			b.Fatal(err)
		}
	}
}
