package access

import (
	"context"
	"crypto/subtle"
	"errors"
	"time"

	"github.com/visitwright/visitwright/store"
)

// Subject is who acts, as the audit trail names them: "people/<id>" for a
// person, whatever their session; the token's id otherwise.
func (id Identity) Subject() string {
	if id.Person != "" {
		return "people/" + id.Person
	}
	return id.Token
}

// AuthenticateUse is Authenticate for a call behind which somebody stands: it
// notes that the session is in use, when that has not been noted of late.
func AuthenticateUse(ctx context.Context, f Finder, text string) (Identity, error) {
	shown, ok := read(sessionPrefix, text)
	if !ok {
		return Authenticate(ctx, f, text)
	}
	id, stale, err := session(ctx, f, shown)
	if err == nil && stale {
		err = f.UseSession(ctx, id.Practice, id.Token)
	}
	return id, err
}

// session checks a session. stale says that its use may be noted again.
func session(ctx context.Context, f Finder, shown store.Token) (id Identity, stale bool, err error) {
	kept, now, err := f.FindSession(ctx, shown.Practice, shown.ID)
	if errors.Is(err, store.ErrNotFound) || errors.Is(err, store.ErrInvalid) {
		kept, err = store.Session{}, nil // compare all the same: a missing session takes as long as a wrong one
	}
	if err != nil {
		return Identity{}, false, err
	}
	if subtle.ConstantTimeCompare(kept.Hash[:], shown.Hash[:]) != 1 || kept.ID == "" {
		return Identity{}, false, ErrUnauthenticated
	}
	if err := InForce(kept, now); err != nil {
		return Identity{}, false, err
	}
	id = Identity{Practice: kept.Practice, Token: kept.ID, Role: kept.Person.Role, Clinician: kept.Person.Clinician, Person: kept.PersonID}
	return id, now.Sub(kept.UseTime) >= store.UseNoted, nil
}

// InForce says why a session may not be used at a time; nil when it may.
func InForce(s store.Session, now time.Time) error {
	switch {
	case !s.EndTime.IsZero(), !now.Before(s.ExpireTime), !s.Person.Active, !s.Person.Role.Valid():
		return ErrSessionEnded
	case now.Sub(s.UseTime) >= s.Idle:
		return ErrSessionIdle
	}
	return nil
}
