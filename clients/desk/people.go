package desk

import (
	"net/http"
	"net/url"
	"slices"
	"strings"

	"google.golang.org/protobuf/types/known/fieldmaskpb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

var peopleRoutes = []route{
	{"GET /practice/people", managers, (*ask).peoplePage},
	{"GET /practice/people/{person}", managers, (*ask).personPage},
	{"POST /practice/people/{person}", managers, (*ask).keepPerson},
	{"POST /practice/people/{person}/passphrase", managers, (*ask).setPassphrase},
	{"GET /me", everybody, (*ask).mePage},
	{"POST /me", everybody, (*ask).changeOwnPassphrase},
}

// peoplePage lists who signs in.
type peoplePage struct {
	People     []*vw.Person
	Clinicians map[string]string
	Done       string
}

func (q *ask) people() ([]*vw.Person, error) {
	reply, err := q.identity().ListPeople(q, &vw.ListPeopleRequest{Parent: q.practice, PageSize: mostInList})
	return reply.GetPeople(), err
}

func (q *ask) peoplePage() (*page, error) {
	all, err := q.people()
	if err != nil {
		return nil, err
	}
	p := &peoplePage{People: all, Clinicians: map[string]string{}, Done: q.done("people")}
	treat, err := q.clinicians()
	for _, c := range treat {
		p.Clinicians[c.GetName()] = c.GetTitle()
	}
	return &page{name: "people", title: q.t("people.title"), section: "practice", data: p}, err
}

type personPage struct {
	ID         string
	Form       *form
	Phrase     *form
	Roles      []option
	Clinicians []option
	Set        bool
}

func (q *ask) personFields(f *form) (*personPage, error) {
	p := &personPage{ID: q.path("person"), Form: f, Phrase: newForm(nil)}
	for _, r := range []string{"reception", "nurse", "clinician", "manager"} {
		p.Roles = append(p.Roles, option{Value: r, Text: q.t("role." + r), Hint: q.t("people.may-" + r)})
	}
	p.Clinicians = []option{{Text: q.t("people.no-clinician")}}
	treat, err := q.clinicians()
	for _, c := range treat {
		p.Clinicians = append(p.Clinicians, option{Value: lastPart(c.GetName()), Text: c.GetTitle()})
	}
	return p, err
}

func personValues(p *vw.Person) url.Values {
	v := url.Values{"name": {p.GetSignInName()}, "display": {p.GetDisplayName()}, "role": {enumWord(p.GetRole().String(), "ROLE_")}, "etag": {p.GetEtag()}}
	if p.GetClinician() != "" {
		v.Set("clinician", lastPart(p.GetClinician()))
	}
	if p.GetActive() {
		v.Set("active", "yes")
	}
	return v
}

// person finds one of the people.
func (q *ask) person(id string) (*vw.Person, error) {
	all, err := q.people()
	if err != nil {
		return nil, err
	}
	at := slices.IndexFunc(all, func(p *vw.Person) bool { return lastPart(p.GetName()) == id })
	if at < 0 {
		return nil, errNoPage
	}
	return all[at], nil
}

func (q *ask) personPage() (*page, error) {
	p, err := q.personFields(newForm(url.Values{"role": {"reception"}, "active": {"yes"}}))
	if err != nil {
		return nil, err
	}
	if p.ID != newID {
		found, err := q.person(p.ID)
		if err != nil {
			return nil, err
		}
		p.Form.values, p.Set = personValues(found), found.GetPassphraseSet()
	}
	return &page{name: "person", title: q.t("people.person"), section: "practice", data: p}, nil
}

var personFieldPaths = map[string]string{"person.sign_in_name": "name", "person.display_name": "display", "person.role": "role", "person.clinician": "clinician", "passphrase": "passphrase", "new_passphrase": "passphrase", "old_passphrase": "old"}

func (q *ask) keepPerson() (*page, error) {
	f := q.typed()
	p, err := q.personFields(f)
	if err != nil {
		return nil, err
	}
	person := &vw.Person{SignInName: f.Get("name"), DisplayName: f.Get("display"), Active: f.On("active"), Etag: f.Get("etag"),
		Role: vw.Role(vw.Role_value["ROLE_"+strings.ToUpper(f.chosen(q, "role", p.Roles))])}
	if id := f.chosen(q, "clinician", p.Clinicians); id != "" && person.GetRole() == vw.Role_ROLE_CLINICIAN {
		person.Clinician = q.name("clinicians", id)
	}
	for field, value := range map[string]string{"name": person.GetSignInName(), "display": person.GetDisplayName()} {
		if value == "" {
			f.wrong(field, q.t("people.name-missing"))
		}
	}
	phrase := q.form.Get("passphrase")
	if p.ID == newID && len([]rune(phrase)) < 10 {
		f.wrong("passphrase", q.t("people.passphrase-short"))
	}
	if f.ok() {
		if p.ID == newID {
			_, err = q.identity().CreatePerson(q, &vw.CreatePersonRequest{Parent: q.practice, Person: person, Passphrase: phrase, RequestId: f.RequestID})
		} else {
			person.Name = q.name("people", p.ID)
			_, err = q.identity().UpdatePerson(q, &vw.UpdatePersonRequest{Person: person, RequestId: f.RequestID,
				UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"sign_in_name", "display_name", "role", "clinician", "active"}}})
		}
		switch {
		case err == nil:
			return goTo("/practice/people?done=kept"), nil
		case conflict(err):
			now, err := q.person(p.ID)
			if err != nil {
				return nil, err
			}
			f.meanwhile(q, personValues(now))
		case !f.refused(err, personFieldPaths):
			return nil, err
		}
	}
	f.values.Del("passphrase")
	return &page{name: "person", title: q.t("people.person"), section: "practice", data: p, status: http.StatusUnprocessableEntity}, nil
}

func (q *ask) setPassphrase() (*page, error) {
	f := q.typed()
	found, err := q.person(q.path("person"))
	if err != nil {
		return nil, err
	}
	phrase := q.form.Get("passphrase")
	if len([]rune(phrase)) < 10 {
		f.wrong("passphrase", q.t("people.passphrase-short"))
	}
	if f.ok() {
		_, err = q.identity().SetPassphrase(q, &vw.SetPassphraseRequest{Name: found.GetName(), NewPassphrase: phrase, RequestId: f.RequestID})
		if err == nil {
			return goTo("/practice/people?done=passphrase"), nil
		}
		if !f.refused(err, personFieldPaths) {
			return nil, err
		}
	}
	f.values.Del("passphrase")
	p, err := q.personFields(newForm(personValues(found)))
	if err != nil {
		return nil, err
	}
	p.Phrase, p.Set = f, found.GetPassphraseSet()
	return &page{name: "person", title: q.t("people.person"), section: "practice", data: p, status: http.StatusUnprocessableEntity}, nil
}

// mePage is one's own: who one is here, and one's passphrase.
type mePage struct {
	Form *form
	Done string
}

func (q *ask) mePage() (*page, error) {
	return &page{name: "me", title: q.t("people.me"), data: &mePage{Form: newForm(nil), Done: q.done("people")}}, nil
}

func (q *ask) changeOwnPassphrase() (*page, error) {
	f := q.typed()
	old, phrase := q.form.Get("old"), q.form.Get("passphrase")
	if old == "" {
		f.wrong("old", q.t("sign-in.passphrase-missing"))
	}
	if len([]rune(phrase)) < 10 {
		f.wrong("passphrase", q.t("people.passphrase-short"))
	}
	if q.me.GetPerson() == "" {
		f.Problem = q.t("people.token-has-none")
	}
	if f.ok() {
		_, err := q.identity().SetPassphrase(q, &vw.SetPassphraseRequest{Name: q.me.GetPerson(), OldPassphrase: old, NewPassphrase: phrase, RequestId: f.RequestID})
		if err == nil {
			return goTo("/me?done=passphrase"), nil
		}
		if !f.refused(err, personFieldPaths) {
			return nil, err
		}
	}
	f.values.Del("old")
	f.values.Del("passphrase")
	return &page{name: "me", title: q.t("people.me"), data: &mePage{Form: f}, status: http.StatusUnprocessableEntity}, nil
}

// RoleOf is a role in words.
func (v *view) RoleOf(r vw.Role) string { return v.T("role." + enumWord(r.String(), "ROLE_")) }
