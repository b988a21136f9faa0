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

const (
	tokenPrefix = "vw1" // says what it is to a scanner that looks for leaked secrets
	secretBytes = 32    // 256 bits: no guessing, hence a plain SHA-256 is enough to keep
	idBytes     = 10
)

var idCoding = base32.NewEncoding("0123456789abcdefghjkmnpqrstvwxyz").WithPadding(base32.NoPadding)

// Mint makes a new token of a practice. text is shown once and kept nowhere;
// record is what the store keeps.
func Mint(practice string, role store.Role, label string) (text string, record store.Token) {
	var raw [secretBytes + idBytes]byte
	_, _ = rand.Read(raw[:]) // crypto/rand never fails: the program ends instead
	secret := base64.RawURLEncoding.EncodeToString(raw[:secretBytes])
	record = store.Token{Practice: practice, ID: idCoding.EncodeToString(raw[secretBytes:]), Role: role, Label: label,
		Hash: sha256.Sum256([]byte(secret))}
	return strings.Join([]string{tokenPrefix, practice, record.ID, secret}, "."), record
}

// record is what the store would keep of a token's text; false when the text is
// no token.
func recordOf(text string) (store.Token, bool) {
	part := strings.Split(text, ".")
	if len(part) != 4 || part[0] != tokenPrefix || len(part[3]) != base64.RawURLEncoding.EncodedLen(secretBytes) {
		return store.Token{}, false
	}
	return store.Token{Practice: part[1], ID: part[2], Hash: sha256.Sum256([]byte(part[3]))}, true
}

// Finder looks up what is kept about a token. *store.Store is one.
type Finder interface {
	FindToken(ctx context.Context, practice, id string) (store.Token, time.Time, error)
}

// Identity is who asks, once the token has been checked.
type Identity struct {
	Practice  string
	Token     string // the token's id
	Role      store.Role
	Clinician string // whom a clinician's token stands for; may be empty
	// Correlation is the server's id of this call, so that a line of its log
	// and an entry of the audit trail can be matched.
	Correlation string
}

// Authenticate checks a token's text. ErrUnauthenticated when it is not in
// force; other errors when the store could not say.
func Authenticate(ctx context.Context, f Finder, text string) (Identity, error) {
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
