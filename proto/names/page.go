package names

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"errors"

	"google.golang.org/protobuf/proto"
)

// ErrPageToken reports a page token that is not one of ours, or that belongs
// to a different request.
var ErrPageToken = errors.New("not a page token of this request")

const (
	pageVersion = 1
	pageMAC     = 16 // bytes of the truncated HMAC-SHA-256
	// maxCursor keeps a token inside the 512 characters of the contract.
	maxCursor = 360
)

// Pager makes and reads page tokens. A token holds the store's cursor, open but
// authenticated, and is bound to the request: its type and every field but
// page_size and page_token. All replicas must have the same key.
type Pager struct {
	key []byte
}

// NewPager returns a pager. The key must have at least 32 bytes.
func NewPager(key []byte) (*Pager, error) {
	if len(key) < 32 {
		return nil, errors.New("names: the key of page tokens needs 32 bytes")
	}
	return &Pager{key: append([]byte(nil), key...)}, nil
}

// Token returns the token of the page that begins after cursor; "" for an
// empty cursor, which is the end. It panics when the cursor has more than 360
// bytes, which no store makes.
func (p *Pager) Token(request proto.Message, cursor string) string {
	if cursor == "" {
		return ""
	}
	if len(cursor) > maxCursor {
		panic("names: a cursor of more than 360 bytes")
	}
	token := append([]byte{pageVersion}, p.mac(request, cursor)...)
	return base64.RawURLEncoding.EncodeToString(append(token, cursor...))
}

// Cursor returns the cursor in the page_token of a request, "" when it has
// none. The error is ErrPageToken.
func (p *Pager) Cursor(request proto.Message) (string, error) {
	m := request.ProtoReflect()
	field := m.Descriptor().Fields().ByName("page_token")
	if field == nil {
		return "", ErrPageToken
	}
	token := m.Get(field).String()
	if token == "" {
		return "", nil
	}
	raw, err := base64.RawURLEncoding.Strict().DecodeString(token)
	if err != nil || len(raw) <= 1+pageMAC || raw[0] != pageVersion {
		return "", ErrPageToken
	}
	cursor := string(raw[1+pageMAC:])
	if !hmac.Equal(raw[1:1+pageMAC], p.mac(request, cursor)) {
		return "", ErrPageToken
	}
	return cursor, nil
}

func (p *Pager) mac(request proto.Message, cursor string) []byte {
	bare := proto.Clone(request)
	m := bare.ProtoReflect()
	for _, name := range []string{"page_token", "page_size"} {
		if f := m.Descriptor().Fields().ByTextName(name); f != nil {
			m.Clear(f)
		}
	}
	content, err := proto.MarshalOptions{Deterministic: true}.Marshal(bare)
	if err != nil {
		// Only text that is not UTF-8 cannot be marshalled, and such a request
		// never gets through gRPC.
		content = nil
	}
	sum := sha256.Sum256(content)
	h := hmac.New(sha256.New, p.key)
	h.Write([]byte(m.Descriptor().FullName()))
	h.Write([]byte{0})
	h.Write(sum[:])
	h.Write([]byte(cursor))
	return h.Sum(nil)[:pageMAC]
}
