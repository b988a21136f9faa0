package identity_test

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"

	client "github.com/visitwright/visitwright/clients/go"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

func TestAReceptionistSignsInAndIsKnown(t *testing.T) {
	p := open(t, lane)
	c := p.serve(p.store)
	made := p.add(c, "Front.Desk", vw.Role_ROLE_RECEPTION)
	in, err := c.Identity.SignIn(t.Context(), &vw.SignInRequest{SignInName: " front.desk ", Passphrase: phrase})
	if err != nil {
		t.Fatal(err) // the only practice need not be named, and case does not count
	}
	if in.GetPerson().GetName() != made.GetName() || in.GetIdleLimit().AsDuration() != 15*time.Minute ||
		!in.GetExpireTime().AsTime().Equal(p.clock.Now().Add(12*time.Hour)) {
		t.Errorf("signed in as %v", in)
	}
	me, err := p.me(c, in.GetSessionToken())
	if err != nil {
		t.Fatal(err)
	}
	if me.GetPerson() != made.GetName() || me.GetDisplayName() != "Invented Front.Desk" || me.GetRole() != vw.Role_ROLE_RECEPTION || me.GetZone() != "Europe/Vienna" ||
		me.GetPracticeTitle() != "Practice willow-lane" || !me.GetServerTime().AsTime().Equal(p.clock.Now()) || me.GetNotation() != vw.ToothNotation_TOOTH_NOTATION_ISO ||
		!strings.HasSuffix(me.GetPerson(), me.GetSubject()) {
		t.Errorf("me: %v", me)
	}
	_, err = c.Identity.ListPeople(p.as(in.GetSessionToken()), &vw.ListPeopleRequest{Parent: "practices/" + lane})
	refused(t, err, codes.PermissionDenied, "ROLE_NOT_ALLOWED")
}

func TestWhateverIsWrongTheAnswerIsTheSame(t *testing.T) {
	p := open(t, lane, steps)
	c := p.serve(p.store)
	p.add(c, "ida", vw.Role_ROLE_NURSE)
	p.add(c, "without", vw.Role_ROLE_NURSE)
	gone := p.add(c, "gone", vw.Role_ROLE_NURSE)
	gone.Active = false
	if _, err := c.Identity.UpdatePerson(p.manager(lane), &vw.UpdatePersonRequest{Person: gone, UpdateMask: mask("active")}); err != nil {
		t.Fatal(err)
	}
	_, err := c.Identity.CreatePerson(p.manager(lane), &vw.CreatePersonRequest{Parent: "practices/" + lane, Person: &vw.Person{SignInName: "mute", DisplayName: "x", Role: vw.Role_ROLE_NURSE}})
	if err != nil {
		t.Fatal(err)
	}
	said := map[string]bool{}
	for _, r := range []*vw.SignInRequest{
		{Parent: "practices/" + lane, SignInName: "ida", Passphrase: "nine small egrets"},
		{Parent: "practices/" + lane, SignInName: "nobody", Passphrase: phrase},
		{Parent: "practices/" + lane, SignInName: "gone", Passphrase: phrase},
		{Parent: "practices/" + lane, SignInName: "mute", Passphrase: phrase},
		{Parent: "practices/" + steps, SignInName: "ida", Passphrase: phrase},
		{Parent: "practices/no-such-place", SignInName: "ida", Passphrase: phrase},
		{Parent: "practices/" + strings.Repeat("long", 15), SignInName: "ida", Passphrase: phrase},
	} {
		_, err := c.Identity.SignIn(t.Context(), r)
		refused(t, err, codes.Unauthenticated, "SIGN_IN_REFUSED")
		said[err.Error()] = true
	}
	if len(said) != 1 {
		t.Errorf("the answers differ: %v", said)
	}
	_, err = c.Identity.SignIn(t.Context(), &vw.SignInRequest{SignInName: "ida", Passphrase: phrase})
	refused(t, err, codes.InvalidArgument, "INVALID_FIELD")
	for _, text := range []string{phrase, "egrets", "nobody"} {
		if strings.Contains(p.log.String(), text) {
			t.Errorf("the log holds %q", text)
		}
	}
}

func TestGuessingIsSpacedForNamesThatExistAndNamesThatDoNot(t *testing.T) {
	for _, name := range []string{"ida", "nobody"} {
		p := open(t, lane)
		one, two := p.serve(p.store), p.serve(p.replica())
		p.add(one, "ida", vw.Role_ROLE_NURSE)
		for i := range store.NameAttempts {
			c := []*client.Client{one, two}[i%2] // the replicas count together
			_, err := p.try(c, name, "nine small egrets")
			refused(t, err, codes.Unauthenticated, "SIGN_IN_REFUSED")
		}
		_, err := p.try(one, strings.ToUpper(name), phrase)
		refused(t, err, codes.ResourceExhausted, "TOO_MANY_ATTEMPTS")
		if wait := retry(t, err); wait <= 0 || wait > store.NameEvery {
			t.Errorf("%s: wait %v", name, wait)
		}
		p.clock.Advance(store.NameEvery)
		_, err = p.try(two, name, phrase)
		if name == "ida" && err != nil {
			t.Errorf("the right passphrase is refused after the wait: %v", err)
		}
		if name != "ida" {
			refused(t, err, codes.Unauthenticated, "SIGN_IN_REFUSED")
		}
	}
}

func TestManyNamesDoNotGetAroundTheSpacing(t *testing.T) {
	p := open(t, lane)
	c := p.serve(p.store)
	for i := range store.PracticeAttempts {
		if _, err := p.try(c, "name"+string(rune('a'+i%26))+string(rune('a'+i/26)), phrase); client.ReasonOf(err) != "SIGN_IN_REFUSED" {
			t.Fatalf("attempt %d: %v", i, err)
		}
	}
	_, err := p.try(c, "another", phrase)
	refused(t, err, codes.ResourceExhausted, "TOO_MANY_ATTEMPTS")
}

func TestSigningInAllDayIsNotGuessing(t *testing.T) {
	p := open(t, lane)
	c := p.serve(p.store)
	p.add(c, "ida", vw.Role_ROLE_NURSE)
	for range 2 * store.PracticeAttempts {
		p.enter(c, "ida", phrase)
	}
}
