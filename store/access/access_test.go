package access_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/store/access"
	"github.com/visitwright/visitwright/store/storetest"
)

// shelf is a store of tokens in memory.
type shelf struct {
	tokens   map[string]store.Token
	sessions map[string]store.Session
	now      time.Time
	err      error
}

func (s shelf) FindToken(_ context.Context, practice, id string) (store.Token, time.Time, error) {
	if s.err != nil {
		return store.Token{}, s.now, s.err
	}
	t, ok := s.tokens[practice+"/"+id]
	if !ok {
		return store.Token{}, s.now, store.ErrNotFound
	}
	return t, s.now, nil
}

func (s shelf) FindSession(_ context.Context, practice, id string) (store.Session, time.Time, error) {
	if s.err != nil {
		return store.Session{}, s.now, s.err
	}
	if kept, ok := s.sessions[practice+"/"+id]; ok {
		return kept, s.now, nil
	}
	return store.Session{}, s.now, store.ErrNotFound
}

func (s shelf) UseSession(context.Context, string, string) error { return store.ErrNotFound }

func TestATokenOpensItsOwnPracticeAndNoOther(t *testing.T) {
	text, kept := access.Mint("willow-lane", store.RoleNurse, "bay 2")
	if strings.Contains(string(kept.Hash[:]), text) || len(text) < 43 {
		t.Fatal("the kept record holds the secret")
	}
	s := shelf{tokens: map[string]store.Token{"willow-lane/" + kept.ID: kept}, now: storetest.Start}
	id, err := access.Authenticate(t.Context(), s, text)
	if err != nil || id.Practice != "willow-lane" || id.Role != store.RoleNurse || id.Token != kept.ID {
		t.Fatalf("%+v, %v", id, err)
	}
	last := text[len(text)-1:]
	other := "A"
	if last == "A" {
		other = "B"
	}
	for name, bad := range map[string]string{
		"nothing":          "",
		"another secret":   text[:len(text)-1] + other,
		"another practice": strings.Replace(text, "willow-lane", "harbour-steps", 1),
		"a cut secret":     text[:len(text)-1],
		"one part more":    text + ".x",
		"another kind":     "x" + text,
		"an empty secret":  strings.Join(strings.Split(text, ".")[:3], ".") + ".",
	} {
		if _, err := access.Authenticate(t.Context(), s, bad); !errors.Is(err, access.ErrUnauthenticated) {
			t.Errorf("%s: %v, want unauthenticated", name, err)
		}
	}
}

func TestATokenEndsWhenItExpiresOrIsRevoked(t *testing.T) {
	text, kept := access.Mint("willow-lane", store.RoleManager, "")
	try := func(k store.Token) error {
		s := shelf{tokens: map[string]store.Token{"willow-lane/" + k.ID: k}, now: storetest.Start}
		_, err := access.Authenticate(t.Context(), s, text)
		return err
	}
	k := kept
	k.ExpireTime = storetest.Start.Add(time.Microsecond)
	if err := try(k); err != nil {
		t.Errorf("a microsecond before its end: %v", err)
	}
	k.ExpireTime = storetest.Start
	if err := try(k); !errors.Is(err, access.ErrUnauthenticated) {
		t.Errorf("at its end: %v", err)
	}
	k = kept
	k.RevokeTime = storetest.Start
	if err := try(k); !errors.Is(err, access.ErrUnauthenticated) {
		t.Errorf("revoked: %v", err)
	}
}

func TestADatabaseThatIsDownIsNotAWrongToken(t *testing.T) {
	text, _ := access.Mint("willow-lane", store.RoleManager, "")
	_, err := access.Authenticate(t.Context(), shelf{err: store.ErrUnavailable}, text)
	if !errors.Is(err, store.ErrUnavailable) {
		t.Errorf("%v", err)
	}
}

func TestWhatTheTableDoesNotNameNobodyMayCall(t *testing.T) {
	table := access.Table{"/s/Read": {store.RoleNurse, store.RoleClinician}, "/s/Nobody": nil}
	for _, c := range []struct {
		method string
		role   store.Role
		want   bool
	}{
		{"/s/Read", store.RoleNurse, true},
		{"/s/Read", store.RoleReception, false},
		{"/s/Nobody", store.RoleManager, false},
		{"/s/Other", store.RoleManager, false},
		{"s/Read", store.RoleNurse, false}, // a path without its slash is another method
		{"/s/Read", "", false},
		{"/s/Read", "owner", false},
	} {
		if got := table.Allows(c.method, c.role); got != c.want {
			t.Errorf("%s may call %s: %v, want %v", c.role, c.method, got, c.want)
		}
	}
	if err := table.Check([]string{"/s/Read", "/s/Nobody"}); err == nil {
		t.Error("a served method without a role passes")
	}
	if err := (access.Table{"/s/Read": {"owner"}}).Check([]string{"/s/Read"}); err == nil {
		t.Error("an unknown role passes")
	}
	if err := (access.Table{"/s/Read": {store.RoleNurse}, "/s/Gone": {store.RoleNurse}}).Check([]string{"/s/Read"}); err == nil {
		t.Error("a method that is not served passes")
	}
	if err := (access.Table{"/s/Read": {store.RoleNurse}}).Check([]string{"/s/Read"}); err != nil {
		t.Error(err)
	}
}

func TestIdentityTravelsInTheContext(t *testing.T) {
	if _, ok := access.From(t.Context()); ok {
		t.Error("an empty context has an identity")
	}
	id := access.Identity{Practice: "p", Token: "t", Role: store.RoleNurse, Clinician: "c"}
	got, ok := access.From(access.With(t.Context(), id))
	if !ok || got != id {
		t.Errorf("%+v", got)
	}
	want := store.Call{Practice: "p", Actor: "t", Role: store.RoleNurse, ActingFor: "c", Method: "/m"}
	if c := id.Call("/m"); c != want {
		t.Errorf("%+v", c)
	}
}

func embedded(dir string) access.Embedded {
	return access.Embedded{Folder: dir, Clock: storetest.NewClock().Now, Zone: "Europe/Vienna"}
}

func TestTheFirstStartMakesAPracticeAndTheSecondFindsIt(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	var first access.Credentials
	for n := range 2 {
		s, c, err := embedded(dir).Open(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		text, ok := c.Token("")
		if !ok {
			t.Fatal("no token")
		}
		id, err := access.Authenticate(t.Context(), s, text)
		if err != nil || id.Role != store.RoleClinician {
			t.Errorf("start %d: %+v, %v", n, id, err)
		}
		p, err := s.GetPractice(t.Context(), id.Call("/m"))
		if err != nil || p.Zone != "Europe/Vienna" {
			t.Errorf("start %d: %+v, %v", n, p, err)
		}
		if n == 0 {
			first = c
		} else if !reflect.DeepEqual(first, c) {
			t.Error("the second start has other credentials")
		}
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	}
	for _, name := range []string{access.KeyFile, access.CredentialsFile} {
		info, err := os.Stat(filepath.Join(dir, name))
		if err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v, mode %v, want 0600", name, err, info.Mode())
		}
	}
	if err := os.Chmod(filepath.Join(dir, access.CredentialsFile), 0o644); err != nil {
		t.Fatal(err)
	}
	if _, _, err := embedded(dir).Open(t.Context()); err == nil {
		t.Error("credentials that others may read are used")
	}
}

func TestTwoFirstStartsAtOnceEndWithOnePractice(t *testing.T) {
	dir := t.TempDir()
	var wg sync.WaitGroup
	got := make([]access.Credentials, 3)
	for i := range got {
		wg.Go(func() {
			s, c, err := embedded(dir).Open(t.Context())
			if err != nil {
				t.Error(err)
				return
			}
			got[i] = c
			text, _ := c.Token(store.RoleManager)
			if _, err := access.Authenticate(t.Context(), s, text); err != nil {
				t.Errorf("start %d: %v", i, err)
			}
			if err := s.Close(); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	if !reflect.DeepEqual(got[0], got[1]) || !reflect.DeepEqual(got[0], got[2]) {
		t.Error("credentials differ")
	}
}

func TestADatabaseElsewhereIsEnteredWithItsOwnKeysOnly(t *testing.T) {
	here, there := t.TempDir(), t.TempDir()
	e := embedded(here)
	e.Database = filepath.Join(there, "practice.db")
	s, first, err := e.Open(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	e.Keys = filepath.Join(here, access.KeyFile)
	s, second, err := e.Open(t.Context())
	if err != nil || !reflect.DeepEqual(first, second) {
		t.Fatalf("the second start: %v", err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	e.Folder, e.Keys = t.TempDir(), ""
	if _, _, err := e.Open(t.Context()); err == nil || !strings.Contains(err.Error(), access.KeyFile) {
		t.Errorf("%v, want the missing key file named", err)
	}
	if _, err := os.Stat(filepath.Join(e.Folder, access.KeyFile)); err == nil {
		t.Error("a key was made that opens nothing")
	}
}

func TestALostKeyFileIsNotReplaced(t *testing.T) {
	dir := t.TempDir()
	s, _, err := embedded(dir).Open(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(filepath.Join(dir, access.KeyFile)); err != nil {
		t.Fatal(err)
	}
	if _, _, err := embedded(dir).Open(t.Context()); err == nil || !strings.Contains(err.Error(), access.KeyFile) {
		t.Errorf("%v, want the missing key file named", err)
	}
}
