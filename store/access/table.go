package access

import (
	"context"
	"fmt"
	"slices"

	"github.com/visitwright/visitwright/store"
)

// Table says which roles may call which method, by full method name, for
// example "/visitwright.v1.PlannerService/AcceptOption". What it does not name
// nobody may call.
type Table map[string][]store.Role

// Allows reports whether role may call method. Unknown means no.
func (t Table) Allows(method string, role store.Role) bool {
	return role.Valid() && slices.Contains(t[method], role)
}

// Check compares the table with the methods that are served: each needs at
// least one role, every role must be known, and nothing else may be named.
func (t Table) Check(served []string) error {
	for _, m := range served {
		if len(t[m]) == 0 {
			return fmt.Errorf("access table: %s is served and nobody may call it", m)
		}
	}
	for m, roles := range t {
		if !slices.Contains(served, m) {
			return fmt.Errorf("access table: %s is not served", m)
		}
		for _, r := range roles {
			if !r.Valid() {
				return fmt.Errorf("access table: %s names the unknown role %q", m, r)
			}
		}
	}
	return nil
}

type identityKey struct{}

// With returns a context that carries who asks.
func With(ctx context.Context, id Identity) context.Context {
	return context.WithValue(ctx, identityKey{}, id)
}

// From returns who asks; false when nobody has been authenticated.
func From(ctx context.Context) (Identity, bool) {
	id, ok := ctx.Value(identityKey{}).(Identity)
	return id, ok
}

// Call starts the store's account of a call on behalf of id.
func (id Identity) Call(method string) store.Call {
	return store.Call{Practice: id.Practice, Actor: id.Subject(), Role: id.Role, ActingFor: id.Clinician, Method: method, Correlation: id.Correlation}
}
