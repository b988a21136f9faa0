package identity_test

import (
	"context"
	"strings"
	"testing"

	"github.com/google/uuid"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	client "github.com/visitwright/visitwright/clients/go"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

func create(name string) *vw.CreatePersonRequest {
	return &vw.CreatePersonRequest{Parent: "practices/" + lane, Passphrase: phrase,
		Person: &vw.Person{SignInName: name, DisplayName: "Invented", Role: vw.Role_ROLE_NURSE}}
}

func TestWhatAPersonCannotBeIsSaidByItsField(t *testing.T) {
	p := open(t, lane)
	c := p.serve(p.store)
	p.add(c, "ida", vw.Role_ROLE_NURSE)
	for name, try := range map[string]struct {
		spoil  func(*vw.CreatePersonRequest)
		code   codes.Code
		reason string
		field  string
	}{
		"no name":          {func(r *vw.CreatePersonRequest) { r.Person.SignInName = "" }, codes.InvalidArgument, "INVALID_FIELD", "person.sign_in_name"},
		"name of spaces":   {func(r *vw.CreatePersonRequest) { r.Person.SignInName = "  " }, codes.InvalidArgument, "INVALID_FIELD", "person.sign_in_name"},
		"script":           {func(r *vw.CreatePersonRequest) { r.Person.SignInName = "<script>" }, codes.InvalidArgument, "INVALID_FIELD", "person.sign_in_name"},
		"huge name":        {func(r *vw.CreatePersonRequest) { r.Person.SignInName = strings.Repeat("x", 65) }, codes.InvalidArgument, "INVALID_FIELD", "person.sign_in_name"},
		"taken":            {func(r *vw.CreatePersonRequest) { r.Person.SignInName = "IDA" }, codes.AlreadyExists, "SIGN_IN_NAME_TAKEN", ""},
		"not called":       {func(r *vw.CreatePersonRequest) { r.Person.DisplayName = "" }, codes.InvalidArgument, "INVALID_FIELD", "person.display_name"},
		"no role":          {func(r *vw.CreatePersonRequest) { r.Person.Role = 0 }, codes.InvalidArgument, "UNKNOWN_ENUM_VALUE", "person.role"},
		"integration":      {func(r *vw.CreatePersonRequest) { r.Person.Role = vw.Role_ROLE_INTEGRATION }, codes.InvalidArgument, "UNKNOWN_ENUM_VALUE", "person.role"},
		"future role":      {func(r *vw.CreatePersonRequest) { r.Person.Role = 77 }, codes.InvalidArgument, "UNKNOWN_ENUM_VALUE", "person.role"},
		"nurse who treats": {func(r *vw.CreatePersonRequest) { r.Person.Clinician = "practices/" + lane + "/clinicians/c" }, codes.InvalidArgument, "INVALID_FIELD", "person.clinician"},
		"no such clinician": {func(r *vw.CreatePersonRequest) {
			r.Person.Role, r.Person.Clinician = vw.Role_ROLE_CLINICIAN, "practices/"+lane+"/clinicians/c"
		}, codes.NotFound, "CLINICIAN_NOT_FOUND", ""},
		"foreign clinician": {func(r *vw.CreatePersonRequest) {
			r.Person.Role, r.Person.Clinician = vw.Role_ROLE_CLINICIAN, "practices/"+steps+"/clinicians/c"
		}, codes.NotFound, "PRACTICE_NOT_FOUND", ""},
		"short passphrase": {func(r *vw.CreatePersonRequest) { r.Passphrase = "ninechars" }, codes.InvalidArgument, "INVALID_FIELD", "passphrase"},
		"endless one":      {func(r *vw.CreatePersonRequest) { r.Passphrase = strings.Repeat("ä", 129) }, codes.InvalidArgument, "INVALID_FIELD", "passphrase"},
		"another practice": {func(r *vw.CreatePersonRequest) { r.Parent = "practices/" + steps }, codes.NotFound, "PRACTICE_NOT_FOUND", ""},
	} {
		r := create("ben")
		try.spoil(r)
		for _, r.ValidateOnly = range []bool{false, true} { // a look is refused as the work would be
			_, err := c.Identity.CreatePerson(p.manager(lane), r)
			if client.ReasonOf(err) != try.reason {
				t.Errorf("%s, only a look %v: %v", name, r.GetValidateOnly(), err)
				continue
			}
			refused(t, err, try.code, try.reason)
			if e := err.(*client.Error); try.field != "" && e.Fields[0].Field != try.field { //nolint:errorlint // the client returns it as it is
				t.Errorf("%s: field %s", name, e.Fields[0].Field)
			}
			if strings.Contains(err.Error(), "ninechars") || strings.Contains(err.Error(), "script>") {
				t.Errorf("%s: the answer repeats what was sent: %v", name, err)
			}
		}
	}
	all, err := c.Identity.ListPeople(p.manager(lane), &vw.ListPeopleRequest{Parent: "practices/" + lane})
	if err != nil || len(all.GetPeople()) != 1 {
		t.Errorf("kept: %v, %v", all, err)
	}
}

func TestARepeatedCallIsDoneOnceAndAPreviewNotAtAll(t *testing.T) {
	p := open(t, lane)
	c := p.serve(p.store)
	r := create("ida")
	r.ValidateOnly = true
	if seen, err := c.Identity.CreatePerson(p.manager(lane), r); err != nil || seen.GetName() != "" {
		t.Fatalf("preview: %v, %v", seen, err)
	}
	r.ValidateOnly, r.RequestId = false, uuid.NewString()
	first, err := c.Identity.CreatePerson(p.manager(lane), r)
	if err != nil {
		t.Fatal(err)
	}
	again, err := c.Identity.CreatePerson(p.manager(lane), r)
	if err != nil || !proto.Equal(first, again) {
		t.Errorf("first %v\nagain %v, %v", first, again, err)
	}
	r.Passphrase += "!"
	_, err = c.Identity.CreatePerson(p.manager(lane), r)
	refused(t, err, codes.InvalidArgument, "REQUEST_ID_REUSED")

	token := p.enter(c, "ida", phrase)
	change := &vw.SetPassphraseRequest{Name: first.GetName(), OldPassphrase: phrase, NewPassphrase: "ten grey herons", RequestId: uuid.NewString()}
	for range 2 { // the second finds its own work done
		if _, err := c.Identity.SetPassphrase(p.as(token), change); err != nil {
			t.Fatal(err)
		}
	}
	p.enter(c, "ida", "ten grey herons")
}

func TestOneSetsOnesOwnPassphraseWithTheOldOneAndAManagerAnothers(t *testing.T) {
	p := open(t, lane)
	c := p.serve(p.store)
	ida, ben := p.add(c, "ida", vw.Role_ROLE_NURSE), p.add(c, "ben", vw.Role_ROLE_MANAGER)
	here, there, boss := p.enter(c, "ida", phrase), p.enter(c, "ida", phrase), p.enter(c, "ben", phrase)
	set := func(ctx context.Context, whom *vw.Person, old, now string) error {
		_, err := c.Identity.SetPassphrase(ctx, &vw.SetPassphraseRequest{Name: whom.GetName(), OldPassphrase: old, NewPassphrase: now})
		return err
	}
	refused(t, set(p.as(here), ben, "", "ten grey herons"), codes.PermissionDenied, "ROLE_NOT_ALLOWED")
	refused(t, set(p.as(here), ida, "", "ten grey herons"), codes.InvalidArgument, "WRONG_PASSPHRASE")
	refused(t, set(p.as(boss), ben, "", "ten grey herons"), codes.InvalidArgument, "WRONG_PASSPHRASE")
	refused(t, set(p.as(here), ida, phrase, "short"), codes.InvalidArgument, "INVALID_FIELD")
	if err := set(p.as(here), ida, phrase, "ten grey herons"); err != nil {
		t.Fatal(err)
	}
	if _, err := p.me(c, here); err != nil {
		t.Errorf("the screen at which it was changed: %v", err)
	}
	_, err := p.me(c, there)
	refused(t, err, codes.Unauthenticated, "SESSION_ENDED")
	_, err = p.try(c, "ida", phrase)
	refused(t, err, codes.Unauthenticated, "SIGN_IN_REFUSED")
	if err := set(p.as(boss), ida, "", "eleven owls, all awake"); err != nil {
		t.Fatal(err)
	}
	_, err = p.me(c, here)
	refused(t, err, codes.Unauthenticated, "SESSION_ENDED")
	here = p.enter(c, "ida", "eleven owls, all awake")
	// An unattended screen does not serve to guess it.
	for range store.NameAttempts {
		refused(t, set(p.as(here), ida, "guess", "ten grey herons"), codes.InvalidArgument, "WRONG_PASSPHRASE")
	}
	refused(t, set(p.as(here), ida, "eleven owls, all awake", "ten grey herons"), codes.ResourceExhausted, "TOO_MANY_ATTEMPTS")
	_, err = c.Identity.SetPassphrase(p.manager(lane), &vw.SetPassphraseRequest{Name: "practices/" + lane + "/people/nobody", NewPassphrase: phrase})
	refused(t, err, codes.NotFound, "PERSON_NOT_FOUND")
}

func TestNobodyLocksThemselvesOut(t *testing.T) {
	p := open(t, lane)
	c := p.serve(p.store)
	ben := p.add(c, "ben", vw.Role_ROLE_MANAGER)
	boss := p.enter(c, "ben", phrase)
	for _, r := range []*vw.UpdatePersonRequest{
		{Person: &vw.Person{Name: ben.GetName(), Etag: ben.GetEtag()}, UpdateMask: mask("active")},
		{Person: &vw.Person{Name: ben.GetName(), Etag: ben.GetEtag(), Role: vw.Role_ROLE_NURSE}, UpdateMask: mask("role")},
		{Person: &vw.Person{Name: ben.GetName(), Etag: ben.GetEtag(), Role: vw.Role_ROLE_NURSE, Active: true, DisplayName: "x", SignInName: "ben"}, UpdateMask: mask("*")},
	} {
		_, err := c.Identity.UpdatePerson(p.as(boss), r)
		refused(t, err, codes.FailedPrecondition, "OWN_ACCESS")
	}
	for name, try := range map[string]struct {
		r      *vw.UpdatePersonRequest
		code   codes.Code
		reason string
	}{
		"stale":        {&vw.UpdatePersonRequest{Person: &vw.Person{Name: ben.GetName(), Etag: `"9"`, DisplayName: "Ben"}, UpdateMask: mask("display_name")}, codes.Aborted, "ETAG_MISMATCH"},
		"stale look":   {&vw.UpdatePersonRequest{Person: &vw.Person{Name: ben.GetName(), Etag: `"9"`, DisplayName: "Ben"}, UpdateMask: mask("display_name"), ValidateOnly: true}, codes.Aborted, "ETAG_MISMATCH"},
		"no etag":      {&vw.UpdatePersonRequest{Person: &vw.Person{Name: ben.GetName(), DisplayName: "Ben"}, UpdateMask: mask("display_name")}, codes.InvalidArgument, "INVALID_FIELD"},
		"unknown mask": {&vw.UpdatePersonRequest{Person: &vw.Person{Name: ben.GetName(), Etag: ben.GetEtag()}, UpdateMask: mask("passphrase_set")}, codes.InvalidArgument, "INVALID_UPDATE_MASK"},
		"elsewhere":    {&vw.UpdatePersonRequest{Person: &vw.Person{Name: "practices/" + steps + "/people/x", Etag: ben.GetEtag()}, UpdateMask: mask("active")}, codes.NotFound, "PRACTICE_NOT_FOUND"},
	} {
		if _, err := c.Identity.UpdatePerson(p.as(boss), try.r); client.ReasonOf(err) != try.reason {
			t.Errorf("%s: %v", name, err)
		}
	}
	now, err := c.Identity.UpdatePerson(p.as(boss), &vw.UpdatePersonRequest{Person: &vw.Person{Name: ben.GetName(), Etag: ben.GetEtag(), DisplayName: "Ben"}, UpdateMask: mask("display_name")})
	if err != nil || now.GetDisplayName() != "Ben" || now.GetSignInName() != "ben" || !now.GetActive() {
		t.Errorf("%v, %v", now, err)
	}
}

func TestWhoIsNoClinicianAnyMoreStandsForNone(t *testing.T) {
	p := open(t, lane)
	c := p.serve(p.store)
	kept, err := p.store.PutClinician(t.Context(), store.Call{Practice: lane, Actor: "t", Method: "/t"}, store.Clinician{Name: "Dr Invented", Active: true})
	if err != nil {
		t.Fatal(err)
	}
	r := create("doc")
	r.Person.Role, r.Person.Clinician = vw.Role_ROLE_CLINICIAN, "practices/"+lane+"/clinicians/"+kept.ID
	doc, err := c.Identity.CreatePerson(p.manager(lane), r)
	if err != nil {
		t.Fatal(err)
	}
	token := p.enter(c, "doc", phrase)
	me, err := p.me(c, token)
	if err != nil || me.GetClinician() != r.GetPerson().GetClinician() {
		t.Errorf("me %v, %v", me, err)
	}
	doc.Role = vw.Role_ROLE_RECEPTION
	if doc, err = c.Identity.UpdatePerson(p.manager(lane), &vw.UpdatePersonRequest{Person: doc, UpdateMask: mask("role")}); err != nil || doc.GetClinician() != "" {
		t.Errorf("%v, %v", doc, err)
	}
	if me, err = p.me(c, token); err != nil || me.GetClinician() != "" || me.GetRole() != vw.Role_ROLE_RECEPTION {
		t.Errorf("me %v, %v", me, err)
	}
}

func TestPeopleAreListedInPages(t *testing.T) {
	p := open(t, lane, steps)
	c := p.serve(p.store)
	for _, name := range []string{"cleo", "Ada", "Ben", "dora", "eva"} {
		p.add(c, name, vw.Role_ROLE_NURSE)
	}
	r := &vw.ListPeopleRequest{Parent: "practices/" + lane, PageSize: 2}
	var seen []string
	for range 5 {
		page, err := c.Identity.ListPeople(p.manager(lane), r)
		if err != nil {
			t.Fatal(err)
		}
		for _, one := range page.GetPeople() {
			seen = append(seen, one.GetSignInName())
		}
		if r.PageToken = page.GetNextPageToken(); r.GetPageToken() == "" {
			break
		}
		r.PageSize = 1
	}
	if got := strings.Join(seen, " "); got != "Ada Ben cleo dora eva" {
		t.Errorf("seen %s", got)
	}
	_, err := c.Identity.ListPeople(p.manager(lane), &vw.ListPeopleRequest{Parent: "practices/" + lane, PageToken: "made-up"})
	refused(t, err, codes.InvalidArgument, "INVALID_PAGE_TOKEN")
	page, err := c.Identity.ListPeople(p.manager(steps), &vw.ListPeopleRequest{Parent: "practices/" + steps})
	if err != nil || len(page.GetPeople()) != 0 {
		t.Errorf("another practice sees %v, %v", page, err)
	}
}

func TestWhoCameWhoWentAndWhoWasRefusedIsInTheTrail(t *testing.T) {
	p := open(t, lane)
	c := p.serve(p.store)
	ida := p.add(c, "ida", vw.Role_ROLE_NURSE)
	id := strings.TrimPrefix(ida.GetName(), "practices/"+lane+"/")
	for _, name := range []string{"ida", "plantedpassphrase"} {
		_, err := p.try(c, name, "wrong guess")
		refused(t, err, codes.Unauthenticated, "SIGN_IN_REFUSED")
	}
	token := p.enter(c, "ida", phrase)
	if _, err := c.Identity.SignOut(p.as(token), &vw.SignOutRequest{}); err != nil {
		t.Fatal(err)
	}
	trail, _, err := p.store.ListAudit(t.Context(), store.Call{Practice: lane}, store.AuditQuery{})
	if err != nil {
		t.Fatal(err)
	}
	var lines []string
	for _, e := range trail {
		lines = append(lines, strings.Join([]string{e.Actor, e.Method[strings.LastIndexByte(e.Method, '/')+1:], strings.SplitN(e.Resource, "/", 2)[0], e.Outcome}, " "))
		if e.Correlation == "" && strings.Contains(e.Method, "Sign") {
			t.Errorf("%s names no call", e.Method)
		}
	}
	got := strings.Join(lines[:4], "\n")
	want := strings.Join([]string{id + " SignOut sessions ok", id + " SignIn people ok", "sign-in SignIn people SIGN_IN_REFUSED", "sign-in SignIn people SIGN_IN_REFUSED"}, "\n")
	if got != want || trail[3].Resource != id || trail[2].Resource != "people" {
		t.Errorf("the trail:\n%s\nwant\n%s", got, want)
	}
}

func TestATokenIsToldWhatItIs(t *testing.T) {
	p := open(t, lane)
	c := p.serve(p.store)
	me, err := p.me(c, p.managers[lane])
	if err != nil || me.GetRole() != vw.Role_ROLE_MANAGER || me.GetPerson() != "" || me.GetDisplayName() != "first" || me.GetExpireTime() != nil || me.GetIdleLimit() != nil {
		t.Errorf("me %v, %v", me, err)
	}
}
