package identity

import (
	"context"
	"errors"
	"slices"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/store/access"
)

// nobodys stands for every practice that does not exist: attempts there are
// spaced too, and nothing is found. No practice can have this id.
const nobodys = "-"

// SignIn begins a session. Whatever is wrong, the answer and the work are the
// same, so that nobody learns which names exist.
func (s *Service) SignIn(ctx context.Context, r *vw.SignInRequest) (*vw.SignInResponse, error) {
	practice, err := s.practiceFor(ctx, r.GetParent())
	if err != nil {
		return nil, err
	}
	call := who(ctx).call
	call.Practice, call.Actor = practice, "sign-in"
	wait, err := s.store.TakeAttempt(ctx, practice, r.GetSignInName())
	if err != nil {
		return nil, told(err, practice)
	}
	if wait > 0 {
		return nil, tooMany(wait)
	}
	person, secret, err := s.store.FindPerson(ctx, practice, r.GetSignInName())
	if err != nil && !errors.Is(err, store.ErrNotFound) {
		return nil, told(err, practice)
	}
	right, err := s.hasher.Check(ctx, secret, r.GetPassphrase())
	if err != nil {
		return nil, told(err, practice)
	}
	if !right || !person.Active {
		return nil, s.refuse(ctx, call, person.ID)
	}
	token, id, hash := access.MintSession(practice)
	call.Actor, call.Role, call.ActingFor = "people/"+person.ID, person.Role, person.Clinician
	begun, err := s.store.BeginSession(ctx, call, store.NewSession{ID: id, Hash: hash, Client: r.GetClient(), Person: person.ID,
		SecretTime: person.SecretTime, Lifetime: s.lifetime, Idle: s.idle})
	if errors.Is(err, store.ErrWrongState) { // changed while the passphrase was checked
		call.Actor, call.Role, call.ActingFor = "sign-in", "", ""
		return nil, s.refuse(ctx, call, person.ID)
	}
	if err != nil {
		return nil, told(err, practice)
	}
	return &vw.SignInResponse{SessionToken: token, Person: personToProto(practice, begun.Person),
		ExpireTime: timestamppb.New(begun.ExpireTime), IdleLimit: durationpb.New(begun.Idle)}, nil
}

// practiceFor is the practice that a request means.
func (s *Service) practiceFor(ctx context.Context, parent string) (string, error) {
	all, err := s.store.Practices(ctx)
	if err != nil {
		return "", told(err, "")
	}
	if parent == "" {
		if len(all) == 1 {
			return all[0], nil
		}
		return "", fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_FIELD, "parent", "practices/{practice}, where there is not just one practice")
	}
	n, err := names.Parse(names.PracticePattern, parent)
	if err != nil {
		return "", fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_NAME, "parent", err.Error())
	}
	if !slices.Contains(all, n.Practice) {
		return nobodys, nil
	}
	return n.Practice, nil
}

// refuse writes the refusal down and says no. The trail names the person when
// there is one, and never what was typed.
func (s *Service) refuse(ctx context.Context, call store.Call, person string) error {
	resource := "people"
	if person != "" {
		resource += "/" + person
	}
	if call.Practice != nobodys {
		if err := s.store.RecordRefusal(ctx, call, resource, fault.ReasonName(vw.ErrorReason_ERROR_REASON_SIGN_IN_REFUSED)); err != nil {
			return told(err, call.Practice) // what cannot be written down is not answered
		}
	}
	return &fault.Fault{Code: codes.Unauthenticated, Reason: vw.ErrorReason_ERROR_REASON_SIGN_IN_REFUSED,
		Text: "name and passphrase do not belong together, or may not sign in here; a manager of the practice sets another passphrase"}
}

// SignOut ends the session with whose token it was called.
func (s *Service) SignOut(ctx context.Context, _ *vw.SignOutRequest) (*vw.SignOutResponse, error) {
	c, err := known(ctx)
	if err != nil {
		return nil, err
	}
	if c.Person == "" {
		return nil, fault.State(vw.ErrorReason_ERROR_REASON_NO_SESSION, "", "an access token is not signed out: who owns the database revokes it")
	}
	err = s.store.EndSession(ctx, c.call, c.Token)
	if err != nil && !errors.Is(err, store.ErrNotFound) { // ended meanwhile: that is what was wanted
		return nil, told(err, c.Practice)
	}
	return &vw.SignOutResponse{}, nil
}
