package access

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"
	"golang.org/x/text/unicode/norm"
)

// Length of a passphrase, in characters.
const (
	ShortestPassphrase = 10
	LongestPassphrase  = 128
)

// ErrPassphraseLength: too short to be safe, or too long to be meant.
var ErrPassphraseLength = errors.New("10 to 128 characters")

// ErrDamagedHash: what is kept is no hash of ours.
var ErrDamagedHash = errors.New("the kept hash of a passphrase is damaged")

// Work is what one hash of a passphrase costs (argon2id, RFC 9106).
type Work struct {
	Memory  uint32 // KiB
	Passes  uint32
	Threads uint8
}

// UsualWork is the second recommended option of RFC 9106, section 4: 64 MiB,
// three passes, four lanes.
var UsualWork = Work{Memory: 64 << 10, Passes: 3, Threads: 4}

// Bounds of a kept hash's cost: a damaged row must not stop the machine.
const (
	mostMemory = 1 << 20 // KiB, 1 GiB
	mostPasses = 64
)

// Salt and tag as RFC 9106 recommends them, in bytes.
const (
	saltBytes = 16
	tagBytes  = 32
)

// Hasher makes and checks hashes of passphrases, a bounded number at a time:
// each takes Work.Memory.
type Hasher struct {
	work  Work
	slots chan struct{}
	dummy string // nobody's, for names that nobody has
}

// NewHasher makes a hasher that works on at most atOnce passphrases.
func NewHasher(work Work, atOnce int) *Hasher {
	h := &Hasher{work: work, slots: make(chan struct{}, max(atOnce, 1))}
	var raw [saltBytes + tagBytes]byte
	_, _ = rand.Read(raw[:]) // crypto/rand never fails: the program ends instead
	h.dummy = encode(work, raw[:saltBytes], raw[saltBytes:])
	return h
}

// Hash returns what is kept of a passphrase. ErrPassphraseLength; the
// context's error when no turn came in time.
func (h *Hasher) Hash(ctx context.Context, passphrase string) ([]byte, error) {
	if n := utf8.RuneCountInString(passphrase); n < ShortestPassphrase || n > LongestPassphrase {
		return nil, ErrPassphraseLength
	}
	if err := h.enter(ctx); err != nil {
		return nil, err
	}
	defer h.leave()
	salt := make([]byte, saltBytes)
	_, _ = rand.Read(salt)
	return []byte(encode(h.work, salt, tag(h.work, passphrase, salt, tagBytes))), nil
}

// Check reports whether the passphrase is the one of a kept hash. Without a
// hash it works as long as with one and says no.
func (h *Hasher) Check(ctx context.Context, kept []byte, passphrase string) (bool, error) {
	text, known := string(kept), len(kept) > 0
	if !known {
		text = h.dummy
	}
	work, salt, want, err := decode(text)
	if err != nil {
		return false, err
	}
	if err := h.enter(ctx); err != nil {
		return false, err
	}
	defer h.leave()
	return subtle.ConstantTimeCompare(tag(work, passphrase, salt, uint32(len(want))), want) == 1 && known, nil
}

func (h *Hasher) enter(ctx context.Context) error {
	select {
	case h.slots <- struct{}{}:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (h *Hasher) leave() { <-h.slots }

// tag hashes the passphrase in its composed form: keyboards differ in how they
// send the same letter.
func tag(w Work, passphrase string, salt []byte, length uint32) []byte {
	return argon2.IDKey([]byte(norm.NFKC.String(passphrase)), salt, w.Passes, w.Memory, w.Threads, length)
}

// encode writes the usual text form, "$argon2id$v=19$m=65536,t=3,p=4$salt$tag".
func encode(w Work, salt, tag []byte) string {
	b64 := base64.RawStdEncoding
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, w.Memory, w.Passes, w.Threads, b64.EncodeToString(salt), b64.EncodeToString(tag))
}

func decode(text string) (w Work, salt, tag []byte, err error) {
	part := strings.Split(text, "$")
	if len(part) != 6 || part[0] != "" || part[1] != "argon2id" || part[2] != fmt.Sprintf("v=%d", argon2.Version) {
		return w, nil, nil, ErrDamagedHash
	}
	if n, err := fmt.Sscanf(part[3], "m=%d,t=%d,p=%d", &w.Memory, &w.Passes, &w.Threads); n != 3 || err != nil {
		return w, nil, nil, ErrDamagedHash
	}
	salt, err1 := base64.RawStdEncoding.Strict().DecodeString(part[4])
	tag, err2 := base64.RawStdEncoding.Strict().DecodeString(part[5])
	if err1 != nil || err2 != nil || len(salt) < 8 || len(tag) < 16 || len(tag) > 64 ||
		w.Memory < 8 || w.Memory > mostMemory || w.Passes < 1 || w.Passes > mostPasses || w.Threads < 1 {
		return w, nil, nil, ErrDamagedHash
	}
	return w, salt, tag, nil
}
