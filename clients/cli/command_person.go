package cli

import (
	"crypto/rand"
	"fmt"
	"strings"

	"google.golang.org/protobuf/types/known/fieldmaskpb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// PersonCommand keeps the people who sign in.
type PersonCommand struct {
	Add        PersonAdd        `cmd:"" help:"Let somebody sign in with a name and a passphrase."`
	List       PersonList       `cmd:"" default:"1" help:"List who may sign in."`
	Change     PersonChange     `cmd:"" help:"Change a person; --no-active signs them out everywhere."`
	Passphrase PersonPassphrase `cmd:"" help:"Set a passphrase. Whoever is signed in under the name is signed out."`
}

// PassphraseFlags say where a new passphrase comes from.
type PassphraseFlags struct {
	Invent bool `help:"Make a passphrase and show it once; without it the passphrase is asked for, or read from standard input."`
}

// choose asks for a new passphrase, or makes one; invented says which.
func (f PassphraseFlags) choose(s *Session, name string) (passphrase string, invented bool, err error) {
	if f.Invent {
		return inventPassphrase(), true, nil
	}
	if passphrase, err = s.ask("New passphrase for " + name + ", 10 to 128 characters"); err != nil {
		return "", false, err
	}
	again, err := s.askAgain("The same once more", passphrase)
	if err == nil && again != passphrase {
		err = usage("the two passphrases differ; nothing was changed")
	}
	return passphrase, false, err
}

// ask asks for a secret.
func (s *Session) ask(question string) (string, error) {
	if s.Secret == nil {
		return "", usage("no passphrase can be asked for here")
	}
	return s.Secret(question)
}

// askAgain asks a person a second time; what comes from a file is not asked twice.
func (s *Session) askAgain(question, first string) (string, error) {
	if !s.Typed {
		return first, nil
	}
	return s.ask(question)
}

// Letters and digits that nobody takes for one another when they are read out.
const readable = "abcdefghjkmnpqrstuvwxyz23456789"

// inventPassphrase makes four groups of four: 79 bits.
func inventPassphrase() string {
	var out strings.Builder
	raw := make([]byte, 1)
	for n := 0; n < 16; {
		_, _ = rand.Read(raw)                     // crypto/rand never fails: the program ends instead
		if int(raw[0]) >= 256-256%len(readable) { // every letter is equally likely
			continue
		}
		if n > 0 && n%4 == 0 {
			out.WriteByte('-')
		}
		out.WriteByte(readable[int(raw[0])%len(readable)])
		n++
	}
	return out.String()
}

func roleOf(text string) vw.Role { return vw.Role(vw.Role_value["ROLE_"+strings.ToUpper(text)]) }

// PersonAdd makes a person.
type PersonAdd struct {
	SignInName string `arg:"" name:"name" help:"What the person types to sign in; upper and lower case are the same."`
	Role       string `arg:"" help:"reception, nurse, clinician or manager." enum:"reception,nurse,clinician,manager"`
	Called     string `help:"How people in the practice call the person; without it the sign-in name." placeholder:"TEXT"`
	Clinician  string `help:"Id of the clinician that a person of role clinician is." placeholder:"ID"`
	PassphraseFlags
}

// Run makes the person.
func (c *PersonAdd) Run(s *Session) error {
	person := &vw.Person{SignInName: c.SignInName, DisplayName: c.Called, Role: roleOf(c.Role), Active: true}
	if c.Called == "" {
		person.DisplayName = c.SignInName
	}
	if c.Clinician != "" {
		person.Clinician = s.name("clinicians", c.Clinician)
	}
	passphrase, invented, err := c.choose(s, c.SignInName)
	if err != nil {
		return err
	}
	made, err := s.Client.Identity.CreatePerson(s.Context, &vw.CreatePersonRequest{Parent: s.parent(), Person: person, Passphrase: passphrase})
	if err != nil {
		return err
	}
	return s.showPerson(made, passphrase, invented)
}

// showPerson shows a person, and a passphrase that was made for them.
func (s *Session) showPerson(p *vw.Person, passphrase string, invented bool) error {
	if invented && s.JSON { // the contract's answer has no place for it
		_, _ = fmt.Fprintf(s.Err, "passphrase: %s\n", passphrase)
	}
	return s.Show(p, func(page *Page) {
		showPeople(page, []*vw.Person{p}, "")
		if invented {
			page.Gap()
			page.Field("passphrase", "%s", passphrase)
			page.Text("This is the only time that it is shown. Who got it sets another: `visitwright person passphrase`.")
		}
	})
}

// PersonList lists people.
type PersonList struct{ PageFlags }

// Run lists the people.
func (c *PersonList) Run(s *Session) error {
	reply, err := s.Client.Identity.ListPeople(s.Context, &vw.ListPeopleRequest{Parent: s.parent(), PageSize: c.Most, PageToken: c.After})
	if err != nil {
		return err
	}
	return s.Show(reply, func(p *Page) { showPeople(p, reply.GetPeople(), reply.GetNextPageToken()) })
}

func showPeople(p *Page, list []*vw.Person, next string) {
	var rows [][]string
	for _, one := range list {
		state := "may sign in"
		switch {
		case !one.GetActive():
			state = "may not sign in"
		case !one.GetPassphraseSet():
			state = "has no passphrase yet"
		}
		rows = append(rows, []string{one.GetSignInName(), one.GetDisplayName(), words(one.GetRole().String(), "ROLE_"), state, shortID(one.GetClinician())})
	}
	p.list([]string{"name", "called", "role", "state", "is clinician"}, rows, "people", next)
}

// people lists everybody who signs in, page after page.
func (s *Session) people() ([]*vw.Person, error) {
	var all []*vw.Person
	request := &vw.ListPeopleRequest{Parent: s.parent(), PageSize: 1000}
	for {
		reply, err := s.Client.Identity.ListPeople(s.Context, request)
		if err != nil {
			return nil, err
		}
		all = append(all, reply.GetPeople()...)
		if request.PageToken = reply.GetNextPageToken(); request.GetPageToken() == "" {
			return all, nil
		}
	}
}

// person finds somebody by sign-in name or id.
func (s *Session) person(text string) (*vw.Person, error) {
	all, err := s.people()
	if err != nil {
		return nil, err
	}
	for _, p := range all {
		if strings.EqualFold(p.GetSignInName(), text) || shortID(p.GetName()) == shortID(text) {
			return p, nil
		}
	}
	return nil, fmt.Errorf("nobody signs in as %q here: `visitwright person list` shows who does", text)
}

// PersonChange changes a person.
type PersonChange struct {
	Person     string  `arg:"" help:"Sign-in name or id."`
	SignInName *string `help:"Another sign-in name." placeholder:"NAME"`
	Called     *string `help:"How people in the practice call the person." placeholder:"TEXT"`
	Role       string  `help:"reception, nurse, clinician or manager." enum:",reception,nurse,clinician,manager" default:"" placeholder:"ROLE"`
	Clinician  *string `help:"Id of the clinician that a person of role clinician is; empty for nobody." placeholder:"ID"`
	Active     *bool   `negatable:"" help:"Whether the person may sign in."`
}

// Run changes what was given.
func (c *PersonChange) Run(s *Session) error {
	want := &vw.Person{}
	mask := &fieldmaskpb.FieldMask{}
	if c.SignInName != nil {
		want.SignInName = *c.SignInName
		mask.Paths = append(mask.Paths, "sign_in_name")
	}
	if c.Called != nil {
		want.DisplayName = *c.Called
		mask.Paths = append(mask.Paths, "display_name")
	}
	if c.Role != "" {
		want.Role = roleOf(c.Role)
		mask.Paths = append(mask.Paths, "role")
	}
	if c.Clinician != nil {
		if *c.Clinician != "" {
			want.Clinician = s.name("clinicians", *c.Clinician)
		}
		mask.Paths = append(mask.Paths, "clinician")
	}
	if c.Active != nil {
		want.Active = *c.Active
		mask.Paths = append(mask.Paths, "active")
	}
	if len(mask.GetPaths()) == 0 {
		return usage("nothing to change was given")
	}
	was, err := s.person(c.Person)
	if err != nil {
		return err
	}
	want.Name, want.Etag = was.GetName(), was.GetEtag()
	now, err := s.Client.Identity.UpdatePerson(s.Context, &vw.UpdatePersonRequest{Person: want, UpdateMask: mask})
	if err != nil {
		return err
	}
	return s.Show(now, func(p *Page) { showPeople(p, []*vw.Person{now}, "") })
}

// PersonPassphrase sets a passphrase: another's as a manager, one's own with
// the token of a session.
type PersonPassphrase struct {
	Person string `arg:"" optional:"" help:"Sign-in name or id; without it oneself."`
	PassphraseFlags
}

// Run sets the passphrase.
func (c *PersonPassphrase) Run(s *Session) error {
	me, err := s.Client.Identity.GetMe(s.Context, &vw.GetMeRequest{})
	if err != nil {
		return err
	}
	r := &vw.SetPassphraseRequest{Name: me.GetPerson()}
	whom := "yourself"
	if c.Person != "" {
		found, err := s.person(c.Person)
		if err != nil {
			return err
		}
		r.Name, whom = found.GetName(), found.GetSignInName()
	}
	if r.GetName() == "" {
		return usage("whose passphrase? An access token belongs to nobody: name a person")
	}
	if r.GetName() == me.GetPerson() {
		if r.OldPassphrase, err = s.ask("Passphrase until now"); err != nil {
			return err
		}
	}
	passphrase, invented, err := c.choose(s, whom)
	if err != nil {
		return err
	}
	r.NewPassphrase = passphrase
	now, err := s.Client.Identity.SetPassphrase(s.Context, r)
	if err != nil {
		return err
	}
	return s.showPerson(now, passphrase, invented)
}
