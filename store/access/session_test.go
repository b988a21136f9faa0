package access_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/store/access"
	"github.com/visitwright/visitwright/store/storetest"
)

func TestASessionOpensWhatItsPersonMayOpenNowWhileItLasts(t *testing.T) {
	text, id, hash := access.MintSession("willow-lane")
	now := storetest.Start
	good := store.Session{ID: id, Practice: "willow-lane", PersonID: "p1", Hash: hash, ExpireTime: now.Add(time.Hour), Idle: 15 * time.Minute, UseTime: now,
		Person: store.Person{ID: "p1", Role: store.RoleClinician, Clinician: "c1", Active: true}}
	for name, c := range map[string]struct {
		spoil func(*store.Session, *string)
		want  error
	}{
		"in force":                       {func(*store.Session, *string) {}, nil},
		"nearly idle":                    {func(s *store.Session, _ *string) { s.UseTime = now.Add(-15*time.Minute + 1) }, nil},
		"idle":                           {func(s *store.Session, _ *string) { s.UseTime = now.Add(-15 * time.Minute) }, access.ErrSessionIdle},
		"expired":                        {func(s *store.Session, _ *string) { s.ExpireTime = now }, access.ErrSessionEnded},
		"idle and expired":               {func(s *store.Session, _ *string) { s.ExpireTime, s.UseTime = now, now.Add(-time.Hour) }, access.ErrSessionEnded},
		"signed out":                     {func(s *store.Session, _ *string) { s.EndTime = now }, access.ErrSessionEnded},
		"may not sign in":                {func(s *store.Session, _ *string) { s.Person.Active = false }, access.ErrSessionEnded},
		"role without sense":             {func(s *store.Session, _ *string) { s.Person.Role = "owner" }, access.ErrSessionEnded},
		"wrong secret":                   {func(s *store.Session, _ *string) { s.Hash[3]++ }, access.ErrUnauthenticated},
		"wrong secret of one that ended": {func(s *store.Session, _ *string) { s.Hash[3]++; s.EndTime = now }, access.ErrUnauthenticated},
		"another practice":               {func(_ *store.Session, t *string) { *t = strings.Replace(*t, "willow-lane", "harbour-steps", 1) }, access.ErrUnauthenticated},
		"sent as a token":                {func(_ *store.Session, t *string) { *t = strings.Replace(*t, "vws1", "vw1", 1) }, access.ErrUnauthenticated},
		"cut":                            {func(_ *store.Session, t *string) { *t = (*t)[:len(*t)-1] }, access.ErrUnauthenticated},
	} {
		kept, shown := good, text
		c.spoil(&kept, &shown)
		got, err := access.Authenticate(t.Context(), shelf{sessions: map[string]store.Session{"willow-lane/" + id: kept}, now: now}, shown)
		if !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", name, err, c.want)
		}
		if want := (access.Identity{Practice: "willow-lane", Token: id, Role: store.RoleClinician, Clinician: "c1", Person: "p1"}); c.want == nil && got != want {
			t.Errorf("%s: %+v, want %+v", name, got, want)
		}
		if c.want != nil && got != (access.Identity{}) {
			t.Errorf("%s: refused, and yet %+v", name, got)
		}
	}
	down := errors.New("down")
	if _, err := access.Authenticate(t.Context(), shelf{err: down}, text); !errors.Is(err, down) {
		t.Errorf("a store that cannot say: %v", err)
	}
}

// The trail names people, not the sessions that they happened to have.
func TestAPersonActsUnderOneNameInEverySession(t *testing.T) {
	call := access.Identity{Practice: "willow-lane", Token: "s1", Person: "p1", Role: store.RoleNurse}.Call("/m")
	if call.Actor != "people/p1" {
		t.Errorf("actor %q", call.Actor)
	}
	if call := (access.Identity{Practice: "willow-lane", Token: "t1"}).Call("/m"); call.Actor != "t1" {
		t.Errorf("actor %q", call.Actor)
	}
}
