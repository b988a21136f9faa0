package identity_test

import (
	"path/filepath"
	"testing"
	"time"

	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/store/access"
	"github.com/visitwright/visitwright/store/storetest"
)

// Every call pays for finding out who asks: a session beside a token, on the
// embedded database.
func BenchmarkWhoAsks(b *testing.B) {
	s, err := store.Open(b.Context(), store.Config{Database: filepath.Join(b.TempDir(), "v.db"), Keys: storetest.TestKeys(b), Clock: storetest.NewClock().Now})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = s.Close() })
	token, record := access.Mint(lane, store.RoleManager, "first")
	if _, err := s.CreatePractice(b.Context(), store.NewPractice{ID: lane, Name: "x", Zone: "UTC", Tokens: []store.Token{record}}); err != nil {
		b.Fatal(err)
	}
	call := store.Call{Practice: lane, Actor: "bench", Method: "/bench"}
	p, err := s.CreatePerson(b.Context(), call, store.Person{SignInName: "ida", DisplayName: "Ida", Role: store.RoleNurse}, []byte("hash"))
	if err != nil {
		b.Fatal(err)
	}
	session, id, hash := access.MintSession(lane)
	if _, err := s.BeginSession(b.Context(), call, store.NewSession{ID: id, Hash: hash, Person: p.ID, SecretTime: p.SecretTime, Lifetime: time.Hour, Idle: time.Hour}); err != nil {
		b.Fatal(err)
	}
	for name, text := range map[string]string{"token": token, "session": session} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				if _, err := access.AuthenticateUse(b.Context(), s, text); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
