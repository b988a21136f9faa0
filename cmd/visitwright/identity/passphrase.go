package identity

import (
	"context"
	"errors"
	"time"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/store/access"
)

// SetPassphrase sets a passphrase. All other sessions of the person end.
func (s *Service) SetPassphrase(ctx context.Context, r *vw.SetPassphraseRequest) (*vw.Person, error) {
	c, err := s.writer(ctx, r)
	if err != nil {
		return nil, err
	}
	id, err := c.one(names.PersonPattern, "name", r.GetName(), vw.ErrorReason_ERROR_REASON_PERSON_NOT_FOUND)
	if err != nil {
		return nil, err
	}
	own := c.Person == id
	if !own && c.Role != store.RoleManager {
		return nil, fault.Denied(vw.ErrorReason_ERROR_REASON_ROLE_NOT_ALLOWED, "one sets one's own passphrase; a manager sets another's")
	}
	person, err := s.store.GetPerson(ctx, c.call, id)
	if err != nil {
		return nil, told(err, c.Practice)
	}
	keep := ""
	if own {
		keep = c.Token
		if err := s.own(ctx, c, person, r); err != nil {
			return nil, err
		}
	}
	secret, err := s.hash(ctx, "new_passphrase", r.GetNewPassphrase())
	if err != nil {
		return nil, err
	}
	if r.GetValidateOnly() {
		return personToProto(c.Practice, person), nil
	}
	changed, err := s.store.SetSecret(ctx, c.call, id, secret, keep)
	if err != nil {
		return nil, told(err, c.Practice)
	}
	return personToProto(c.Practice, changed), nil
}

// own checks the passphrase until now, spaced like signing in: an unattended
// screen must not serve to guess it.
func (s *Service) own(ctx context.Context, c caller, person store.Person, r *vw.SetPassphraseRequest) error {
	wait, err := s.store.TakeAttempt(ctx, c.Practice, person.SignInName)
	if err != nil {
		return told(err, c.Practice)
	}
	if wait > 0 {
		return tooMany(wait)
	}
	_, secret, err := s.store.FindPerson(ctx, c.Practice, person.SignInName)
	if err != nil {
		return told(err, c.Practice)
	}
	right, err := s.hasher.Check(ctx, secret, r.GetOldPassphrase())
	if err == nil && !right && r.GetRequestId() != "" {
		// A repeated call finds its own work done; the store then gives the first answer.
		right, err = s.hasher.Check(ctx, secret, r.GetNewPassphrase())
	}
	if err != nil {
		return told(err, c.Practice)
	}
	if !right {
		refused := fault.Invalid(vw.ErrorReason_ERROR_REASON_WRONG_PASSPHRASE, "old_passphrase", "the passphrase until now")
		if err := s.store.RecordRefusal(ctx, c.call, "people/"+person.ID, fault.ReasonName(refused.Reason)); err != nil {
			return told(err, c.Practice)
		}
		return refused
	}
	return told(s.store.ReturnAttempt(ctx, c.Practice, person.SignInName), c.Practice)
}

// hash is what is kept of a passphrase.
func (s *Service) hash(ctx context.Context, field, passphrase string) ([]byte, error) {
	secret, err := s.hasher.Hash(ctx, passphrase)
	if errors.Is(err, access.ErrPassphraseLength) {
		return nil, fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_FIELD, field, err.Error()).Because(err)
	}
	return secret, told(err, "")
}

// sessionOf reads the session with which somebody calls.
func (s *Service) sessionOf(ctx context.Context, c caller) (store.Session, time.Time, error) {
	session, now, err := s.store.FindSession(ctx, c.Practice, c.Token)
	return session, now, told(err, c.Practice)
}
