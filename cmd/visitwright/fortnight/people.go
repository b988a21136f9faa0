package fortnight

import (
	"fmt"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// Passphrase opens the demo practice for each of its people. It is printed, and
// protects nothing: everything behind it is invented.
const Passphrase = "invented practice"

var roles = map[string]vw.Role{"reception": vw.Role_ROLE_RECEPTION, "nurse": vw.Role_ROLE_NURSE, "clinician": vw.Role_ROLE_CLINICIAN, "manager": vw.Role_ROLE_MANAGER}

// letIn gives each of the people a name and a passphrase to sign in with.
func (p *player) letIn(h *house) error {
	for _, one := range h.People {
		made := &vw.Person{SignInName: one.SignIn, DisplayName: one.Name, Role: roles[one.Role], Clinician: p.names[one.Clinician], Active: true}
		if _, err := p.manager.Identity.CreatePerson(p.ctx, &vw.CreatePersonRequest{Parent: p.practice, Person: made, Passphrase: Passphrase}); err != nil {
			return fmt.Errorf("%s: %w", one.Name, err)
		}
	}
	return nil
}
