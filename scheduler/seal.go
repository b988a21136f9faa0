package scheduler

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"errors"

	"google.golang.org/protobuf/proto"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/civil"
)

// sealer makes and reads tokens that a client carries about: open, but bound to
// the practice and authenticated, so that what comes back is what was given.
type sealer struct{ key []byte }

func newSealer(key []byte) sealer { return sealer{append([]byte(nil), key...)} }

var errToken = errors.New("not a token of this practice")

const (
	tokenVersion = 1
	tokenMAC     = 16 // bytes of the truncated HMAC-SHA-256
)

func (k sealer) mac(purpose, practice string, body []byte) []byte {
	h := hmac.New(sha256.New, k.key)
	for _, part := range [][]byte{[]byte("diary " + purpose), []byte(practice), body} {
		var n [8]byte
		binary.BigEndian.PutUint64(n[:], uint64(len(part)))
		h.Write(n[:])
		h.Write(part)
	}
	return h.Sum(nil)[:tokenMAC]
}

func (k sealer) seal(purpose, practice string, body []byte) string {
	token := append([]byte{tokenVersion}, k.mac(purpose, practice, body)...)
	return base64.RawURLEncoding.EncodeToString(append(token, body...))
}

func (k sealer) open(purpose, practice, token string) ([]byte, error) {
	raw, err := base64.RawURLEncoding.Strict().DecodeString(token)
	if err != nil || len(raw) <= 1+tokenMAC || raw[0] != tokenVersion {
		return nil, errToken
	}
	body := raw[1+tokenMAC:]
	if !hmac.Equal(raw[1:1+tokenMAC], k.mac(purpose, practice, body)) {
		return nil, errToken
	}
	return body, nil
}

// offered are the places of an offer as they are sealed.
type offered struct {
	*vw.BookOfferRequest
	// from is the day of the visit before that the first place's window counts
	// from; zero when it counts from none.
	from civil.Date
}

// offer seals the places of an offer: the length of the day's text, the day, the
// places.
func (k sealer) offer(practice string, o offered) (string, error) {
	var day string
	if !o.from.IsZero() {
		day = o.from.String()
	}
	body, err := proto.MarshalOptions{Deterministic: true}.MarshalAppend(append([]byte{byte(len(day))}, day...), o.BookOfferRequest)
	if err != nil {
		return "", err
	}
	return k.seal("offer from", practice, body), nil
}

func (k sealer) openOffer(practice, token string) (offered, error) {
	out := offered{BookOfferRequest: &vw.BookOfferRequest{}}
	body, err := k.open("offer from", practice, token)
	if err != nil {
		return out, err
	}
	n := int(body[0]) // open lets no empty body pass
	if len(body) < 1+n {
		return out, errToken
	}
	if n > 0 {
		if out.from, err = civil.ParseDate(string(body[1 : 1+n])); err != nil {
			return out, errToken
		}
	}
	if err := proto.Unmarshal(body[1+n:], out.BookOfferRequest); err != nil {
		return out, errToken
	}
	return out, nil
}

// change seals how far a watch has come.
func (k sealer) change(practice string, sequence int64) string {
	return k.seal("change", practice, binary.BigEndian.AppendUint64(nil, uint64(sequence)))
}

func (k sealer) openChange(practice, token string) (int64, error) {
	body, err := k.open("change", practice, token)
	if err != nil || len(body) != 8 {
		return 0, errToken
	}
	return int64(binary.BigEndian.Uint64(body)), nil
}
