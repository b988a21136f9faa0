package store

import (
	"crypto/sha256"
	"math"
	"strconv"
)

// Role says what kind of person or program a token stands for.
type Role string

// The roles. The method table that says what each may do belongs to the
// server; the store only keeps the role beside the token and in the audit trail.
const (
	RoleReception   Role = "reception"
	RoleNurse       Role = "nurse"
	RoleClinician   Role = "clinician"
	RoleManager     Role = "manager"
	RoleIntegration Role = "integration"
)

// Roles lists every role in the order in which they are shown.
func Roles() []Role {
	return []Role{RoleReception, RoleNurse, RoleClinician, RoleManager, RoleIntegration}
}

// Valid reports whether r is one of the known roles.
func (r Role) Valid() bool {
	switch r {
	case RoleReception, RoleNurse, RoleClinician, RoleManager, RoleIntegration:
		return true
	}
	return false
}

// Call says on whose behalf a method runs. Every method of the store takes one.
type Call struct {
	Practice string // id of the practice, from the authenticated token
	Actor    string // id of the token
	Role     Role
	// ActingFor is the clinician or other person whom an integration names as
	// the one who acts. Empty when the actor acts for itself.
	ActingFor string
	Method    string // full method name, for example "/visitwright.v1.PlannerService/CreatePatient"
	// Correlation is the server's own id of this call, written in the audit
	// trail so that a log line and an entry can be matched. May be empty.
	Correlation string

	// RequestID is the client's id for this write, at most 64 printable ASCII
	// characters. Empty means that the client does not retry.
	RequestID string
	// RequestHash identifies the content of the request. Required when
	// RequestID is set; see HashRequest.
	RequestHash [sha256.Size]byte
}

// HashRequest returns the content hash of a request for Call.RequestHash. Give
// it the request's deterministic encoding.
func HashRequest(encoded []byte) [sha256.Size]byte { return sha256.Sum256(encoded) }

// Page asks for one page of a list.
type Page struct {
	// Size is the largest number of items wanted: 0 means DefaultPageSize, more
	// than MaxPageSize is taken as MaxPageSize.
	Size int
	// After is the cursor that the previous page returned; empty starts.
	// It is not secret and not authenticated: the edge wraps it into a token.
	After string
}

// Limits of a list.
const (
	DefaultPageSize = 50
	MaxPageSize     = 1000
)

// Most is how many entries the page holds at most.
func (p Page) Most() int {
	if p.Size <= 0 {
		return DefaultPageSize
	}
	return min(p.Size, MaxPageSize)
}

// before is the number in front of which the page begins, in a list that counts
// down.
func (p Page) before() (int, error) {
	if p.After == "" {
		return math.MaxInt32, nil
	}
	n, err := strconv.Atoi(p.After)
	if err != nil {
		return 0, invalid("page", "the cursor of the page before")
	}
	return n, nil
}

// ExternalID is the name that another system has for a record of ours.
type ExternalID struct {
	System string `json:"system"` // for example "practice-diary"; 1 to 64 characters
	Value  string `json:"value"`  // 1 to 128 characters
}
