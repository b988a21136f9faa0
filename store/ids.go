package store

import (
	"crypto/rand"
	"encoding/binary"
	"time"
)

const idAlphabet = "0123456789abcdefghjkmnpqrstvwxyz" // Crockford's, lower case

// newID returns a 26 letter id: 48 bits of milliseconds, so that ids sort by
// age and new rows fall together in an index, then 80 random bits.
func newID(now time.Time) string {
	var b [16]byte
	binary.BigEndian.PutUint64(b[:8], uint64(now.UnixMilli())<<16)
	_, _ = rand.Read(b[6:]) // crypto/rand never fails: the program ends instead
	var out [26]byte
	hi, lo := binary.BigEndian.Uint64(b[:8]), binary.BigEndian.Uint64(b[8:])
	for i := 25; i >= 0; i-- {
		out[i] = idAlphabet[lo&31]
		lo = lo>>5 | hi<<59
		hi >>= 5
	}
	return string(out[:])
}

// validID reports whether s can be an id: 1 to 40 letters of a-z, 0-9 and "-".
// A practice id is chosen, the others are made; both keep to it.
func validID(s string) bool {
	if s == "" || len(s) > 40 {
		return false
	}
	for i := range len(s) {
		c := s[i]
		if (c < 'a' || c > 'z') && (c < '0' || c > '9') && c != '-' {
			return false
		}
	}
	return true
}

// us is an instant as kept: microseconds since 1970, 0 for none.
func us(t time.Time) int64 {
	if t.IsZero() {
		return 0
	}
	return t.UnixMicro()
}

func fromUS(v int64) time.Time {
	if v == 0 {
		return time.Time{}
	}
	return time.UnixMicro(v).UTC()
}
