// Package access says who asks: tokens, roles and the table of who may call
// what. It decides nothing by itself about a practice's data; the store keeps
// every statement inside the practice that the token belongs to.
package access

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base32"
	"encoding/base64"
	"errors"
	"strings"
	"time"

	"github.com/visitwright/visitwright/store"
)

// ErrUnauthenticated: no token, or none that is in force. It does not say which,
// so that nobody learns which tokens exist.
var ErrUnauthenticated = errors.New("a valid access token is needed")

// Said only to whoever has the session's whole token.
var (
	// ErrSessionIdle: the session lay unused for longer than its limit.
	ErrSessionIdle = errors.New("the session was not used for too long")
	// ErrSessionEnded: signed out, expired, or the person may not sign in any more.
	ErrSessionEnded = errors.New("the session has ended")
)

const (
	tokenPrefix   = "vw1"  // says what it is to a scanner that looks for leaked secrets
	sessionPrefix = "vws1" // the same for the session of a person
	secretBytes   = 32     // 256 bits: no guessing, hence a plain SHA-256 is enough to keep
	idBytes       = 10
)

var idCoding = base32.NewEncoding("0123456789abcdefghjkmnpqrstvwxyz").WithPadding(base32.NoPadding)

// Mint makes a new token of a practice. text is shown once and kept nowhere;
// record is what the store keeps.
func Mint(practice string, role store.Role, label string) (text string, record store.Token) {
	text, id, hash := mint(tokenPrefix, practice)
	return text, store.Token{Practice: practice, ID: id, Role: role, Label: label, Hash: hash}
}

// MintSession makes the token of a person's session; id and hash are what the
// store keeps of it.
func MintSession(practice string) (text, id string, hash [sha256.Size]byte) {
	return mint(sessionPrefix, practice)
}

func mint(prefix, practice string) (text, id string, hash [sha256.Size]byte) {
	var raw [secretBytes + idBytes]byte
	_, _ = rand.Read(raw[:]) // crypto/rand never fails: the program ends instead
	secret := base64.RawURLEncoding.EncodeToString(raw[:secretBytes])
	id = idCoding.EncodeToString(raw[secretBytes:])
	return strings.Join([]string{prefix, practice, id, secret}, "."), id, sha256.Sum256([]byte(secret))
}

// recordOf is what the store would keep of a token's text; false when the text
// is no token.
func recordOf(text string) (store.Token, bool) { return read(tokenPrefix, text) }

func read(prefix, text string) (store.Token, bool) {
	part := strings.Split(text, ".")
	if len(part) != 4 || part[0] != prefix || len(part[3]) != base64.RawURLEncoding.EncodedLen(secretBytes) {
		return store.Token{}, false
	}
	return store.Token{Practice: part[1], ID: part[2], Hash: sha256.Sum256([]byte(part[3]))}, true
}

// Finder looks up what is kept about tokens and sessions. *store.Store is one.
type Finder interface {
	FindToken(ctx context.Context, practice, id string) (store.Token, time.Time, error)
	FindSession(ctx context.Context, practice, id string) (store.Session, time.Time, error)
	// UseSession notes that a session is in use.
	UseSession(ctx context.Context, practice, id string) error
}

// Identity is who asks, once the token has been checked.
type Identity struct {
	Practice  string
	Token     string // the token's or session's id
	Role      store.Role
	Clinician string // whom a clinician's token stands for; may be empty
	// Person is the id of the person who signed in; empty for a token.
	Person string
	// Correlation is the server's id of this call, so that a line of its log
	// and an entry of the audit trail can be matched.
	Correlation string
}

// Authenticate checks the text of a token or of a session's token.
// ErrUnauthenticated, ErrSessionIdle or ErrSessionEnded when it is not in force;
// other errors when the store could not say. It notes no use of a session.
func Authenticate(ctx context.Context, f Finder, text string) (Identity, error) {
	if shown, ok := read(sessionPrefix, text); ok {
		id, _, err := session(ctx, f, shown)
		return id, err
	}
	shown, ok := recordOf(text)
	if !ok {
		return Identity{}, ErrUnauthenticated
	}
	kept, now, err := f.FindToken(ctx, shown.Practice, shown.ID)
	if errors.Is(err, store.ErrNotFound) || errors.Is(err, store.ErrInvalid) {
		kept, err = store.Token{}, nil // compare all the same: a missing token takes as long as a wrong one
	}
	if err != nil {
		return Identity{}, err
	}
	match := subtle.ConstantTimeCompare(kept.Hash[:], shown.Hash[:]) == 1
	expired := !kept.ExpireTime.IsZero() && !now.Before(kept.ExpireTime)
	if !match || kept.ID == "" || expired || !kept.RevokeTime.IsZero() || !kept.Role.Valid() {
		return Identity{}, ErrUnauthenticated
	}
	return Identity{Practice: kept.Practice, Token: kept.ID, Role: kept.Role, Clinician: kept.Clinician}, nil
}
