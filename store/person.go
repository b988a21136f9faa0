package store

import (
	"context"
	"strings"
	"time"
	"unicode/utf8"

	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"
)

// Person is somebody of the practice who signs in with a name and a passphrase.
type Person struct {
	ID          string
	SignInName  string // as typed when it was set; unique in the practice by NameKey
	DisplayName string // shown to the practice's staff
	Role        Role   // never RoleIntegration
	Clinician   string // id of the clinician that this person is; may be empty
	Active      bool
	// SecretTime is when the passphrase was last set; zero: there is none.
	SecretTime time.Time
	Etag       string
	CreateTime time.Time
	UpdateTime time.Time
}

// Check says which field cannot be kept as it is. Whether the clinician exists
// is not looked at.
func (p Person) Check() error {
	switch {
	case NameKey(p.SignInName) == "" || utf8.RuneCountInString(p.SignInName) > 64 || len(NameKey(p.SignInName)) > 256:
		return invalid("sign_in_name", "1 to 64 characters, none of them a ligature of many")
	case p.DisplayName == "" || utf8.RuneCountInString(p.DisplayName) > 120:
		return invalid("display_name", "1 to 120 characters")
	case !p.Role.Valid() || p.Role == RoleIntegration:
		return invalid("role", "reception, nurse, clinician or manager")
	case p.Clinician != "" && p.Role != RoleClinician:
		return invalid("clinician", "nobody, or the role clinician")
	}
	return nil
}

// PersonUpdate names what to change; nil leaves a field as it is.
type PersonUpdate struct {
	ID          string
	Etag        string // required
	SignInName  *string
	DisplayName *string
	Role        *Role
	Clinician   *string
	Active      *bool
}

// Session is what is kept of a person's session: never its token.
type Session struct {
	ID         string // the public half of the token; finds the row
	Practice   string
	PersonID   string
	Hash       [32]byte // SHA-256 of the secret half
	Client     string   // where from, in the client's own words
	CreateTime time.Time
	ExpireTime time.Time
	// Idle is how long the session may lie unused.
	Idle    time.Duration
	UseTime time.Time // last use that was noted; see UseNoted
	EndTime time.Time // zero: nobody ended it

	// The person as they are now, not as they were when they signed in.
	Person Person
}

// NewSession is a session that begins.
type NewSession struct {
	ID     string
	Hash   [32]byte
	Client string
	Person string // id
	// SecretTime is Person.SecretTime as it was when the passphrase was checked:
	// a passphrase that was changed since begins nothing.
	SecretTime time.Time
	Lifetime   time.Duration
	Idle       time.Duration
}

// UseNoted is how often the use of a session is written down at most.
const UseNoted = time.Minute

// Attempts to sign in: so many at once under one name and one more every so
// often, and the same for a practice as a whole. A success gives its attempt back.
const (
	NameAttempts     = 5
	NameEvery        = 30 * time.Second
	PracticeAttempts = 60
	PracticeEvery    = time.Second
)

// SessionRetention is how long a session is kept after its expiry.
const SessionRetention = 30 * 24 * time.Hour

// NameKey is the form in which two sign-in names are compared.
func NameKey(name string) string {
	return norm.NFKC.String(cases.Fold().String(norm.NFKC.String(strings.TrimSpace(name))))
}

// People is what the identity service asks of the store.
type People interface {
	GetPractice(ctx context.Context, call Call) (Practice, error)
	// Practices returns the ids of all practices.
	Practices(ctx context.Context) ([]string, error)
	GetClinician(ctx context.Context, call Call, id string) (Clinician, error)
	FindToken(ctx context.Context, practice, id string) (Token, time.Time, error)
	RecordRefusal(ctx context.Context, call Call, resource, reason string) error

	// CreatePerson keeps a new person. secret is the passphrase's hash; empty
	// means none yet. ErrExists for a taken name, ErrNotFound for the clinician.
	CreatePerson(ctx context.Context, call Call, p Person, secret []byte) (Person, error)
	// UpdatePerson changes a person and ends all their sessions when they are no
	// longer active. ErrStaleEtag, ErrExists, ErrNotFound.
	UpdatePerson(ctx context.Context, call Call, change PersonUpdate) (Person, error)
	GetPerson(ctx context.Context, call Call, id string) (Person, error)
	// ListPeople returns all people by sign-in name.
	ListPeople(ctx context.Context, call Call) ([]Person, error)
	// FindPerson looks for a sign-in name and returns the person with the
	// passphrase's hash. ErrNotFound.
	FindPerson(ctx context.Context, practice, signInName string) (Person, []byte, error)
	// SetSecret replaces the passphrase's hash and ends all sessions of the
	// person except the one to keep.
	SetSecret(ctx context.Context, call Call, person string, secret []byte, keep string) (Person, error)

	// TakeAttempt spends one attempt to sign in. It returns 0, or how long to
	// wait; then nothing was spent.
	TakeAttempt(ctx context.Context, practice, signInName string) (time.Duration, error)
	// ReturnAttempt gives back what TakeAttempt spent, after a success.
	ReturnAttempt(ctx context.Context, practice, signInName string) error
	// BeginSession keeps a session and gives the attempt back. ErrWrongState when
	// the person may not sign in, or has another passphrase since.
	BeginSession(ctx context.Context, call Call, n NewSession) (Session, error)
	// EndSession ends a session at once. ErrNotFound when there is none in force.
	EndSession(ctx context.Context, call Call, id string) error
	// FindSession returns a session with the store's time of looking. ErrNotFound.
	FindSession(ctx context.Context, practice, id string) (Session, time.Time, error)
	// UseSession notes that a session is in use, at most once per UseNoted.
	UseSession(ctx context.Context, practice, id string) error
}

var _ People = (*Store)(nil)
