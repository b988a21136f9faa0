package identity_test

import (
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	client "github.com/visitwright/visitwright/clients/go"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

func mask(paths ...string) *fieldmaskpb.FieldMask { return &fieldmaskpb.FieldMask{Paths: paths} }

func retry(t *testing.T, err error) time.Duration {
	t.Helper()
	e, ok := err.(*client.Error) //nolint:errorlint // the client returns it as it is
	if !ok {
		t.Fatalf("%T", err)
	}
	return e.RetryAfter
}

func TestASessionThatIsUsedLivesAndOneThatLiesIdleDoesNot(t *testing.T) {
	p := open(t, lane)
	one, two := p.serve(p.store), p.serve(p.replica())
	p.add(one, "ida", vw.Role_ROLE_NURSE)
	token := p.enter(one, "ida", phrase)
	for range 6 { // an hour of work, now on this replica and now on that
		for _, c := range []*client.Client{two, one} {
			p.clock.Advance(10 * time.Minute)
			if _, err := p.me(c, token); err != nil {
				t.Fatal(err)
			}
		}
	}
	p.clock.Advance(15 * time.Minute)
	for _, c := range []*client.Client{one, two, one} { // asking does not wake it
		_, err := p.me(c, token)
		refused(t, err, codes.Unauthenticated, "SESSION_IDLE")
	}
	p.enter(two, "ida", phrase)
}

func TestAScreenThatRefreshesItselfKeepsNoSessionAlive(t *testing.T) {
	p := open(t, lane)
	c := p.serve(p.store)
	p.add(c, "ida", vw.Role_ROLE_NURSE)
	token := p.enter(c, "ida", phrase)
	for range 14 {
		p.clock.Advance(time.Minute)
		if _, err := c.Identity.GetMe(client.Unattended(p.as(token)), &vw.GetMeRequest{}); err != nil {
			t.Fatal(err)
		}
	}
	p.clock.Advance(time.Minute)
	_, err := p.me(c, token)
	refused(t, err, codes.Unauthenticated, "SESSION_IDLE")
}

func TestASessionEndsAfterADayHoweverBusy(t *testing.T) {
	p := open(t, lane)
	c := p.serve(p.store)
	p.add(c, "ida", vw.Role_ROLE_NURSE)
	token := p.enter(c, "ida", phrase)
	for range 12*6 - 1 {
		p.clock.Advance(10 * time.Minute)
		if _, err := p.me(c, token); err != nil {
			t.Fatal(err)
		}
	}
	p.clock.Advance(10 * time.Minute)
	_, err := p.me(c, token)
	refused(t, err, codes.Unauthenticated, "SESSION_ENDED")
}

func TestWhoSignsOutIsOutOnEveryReplicaAndOnThatScreenAlone(t *testing.T) {
	p := open(t, lane)
	one, two := p.serve(p.store), p.serve(p.replica())
	p.add(one, "ida", vw.Role_ROLE_NURSE)
	here, there := p.enter(one, "ida", phrase), p.enter(two, "ida", phrase)
	if _, err := one.Identity.SignOut(p.as(here), &vw.SignOutRequest{}); err != nil {
		t.Fatal(err)
	}
	_, err := p.me(two, here)
	refused(t, err, codes.Unauthenticated, "SESSION_ENDED")
	if _, err := p.me(one, there); err != nil {
		t.Error(err)
	}
	_, err = one.Identity.SignOut(p.manager(lane), &vw.SignOutRequest{})
	refused(t, err, codes.FailedPrecondition, "NO_SESSION")
	_, err = one.Identity.SignOut(t.Context(), &vw.SignOutRequest{})
	refused(t, err, codes.Unauthenticated, "TOKEN_MISSING")
	_, err = p.me(one, there[:len(there)-1]+"x")
	refused(t, err, codes.Unauthenticated, "TOKEN_INVALID")
}

func TestWhoIsDeactivatedIsOutAtOnceAndStaysOut(t *testing.T) {
	p := open(t, lane)
	one, two := p.serve(p.store), p.serve(p.replica())
	ida := p.add(one, "ida", vw.Role_ROLE_NURSE)
	token := p.enter(two, "ida", phrase)
	ida.Active = false
	ida, err := one.Identity.UpdatePerson(p.manager(lane), &vw.UpdatePersonRequest{Person: ida, UpdateMask: mask("active")})
	if err != nil {
		t.Fatal(err)
	}
	_, err = p.me(two, token)
	refused(t, err, codes.Unauthenticated, "SESSION_ENDED")
	ida.Active = true
	if _, err = one.Identity.UpdatePerson(p.manager(lane), &vw.UpdatePersonRequest{Person: ida, UpdateMask: mask("active")}); err != nil {
		t.Fatal(err)
	}
	_, err = p.me(two, token) // coming back opens no old session
	refused(t, err, codes.Unauthenticated, "SESSION_ENDED")
	p.enter(two, "ida", phrase)
}

func TestAnotherRoleHoldsFromTheNextCall(t *testing.T) {
	p := open(t, lane)
	c := p.serve(p.store)
	ida := p.add(c, "ida", vw.Role_ROLE_NURSE)
	token := p.enter(c, "ida", phrase)
	_, err := c.Identity.ListPeople(p.as(token), &vw.ListPeopleRequest{Parent: "practices/" + lane})
	refused(t, err, codes.PermissionDenied, "ROLE_NOT_ALLOWED")
	ida.Role = vw.Role_ROLE_MANAGER
	if _, err := c.Identity.UpdatePerson(p.manager(lane), &vw.UpdatePersonRequest{Person: ida, UpdateMask: mask("role")}); err != nil {
		t.Fatal(err)
	}
	if _, err = c.Identity.ListPeople(p.as(token), &vw.ListPeopleRequest{Parent: "practices/" + lane}); err != nil {
		t.Error(err)
	}
}
