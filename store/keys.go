package store

import (
	"bufio"
	"bytes"
	"crypto/aes"
	"crypto/cipher"
	"crypto/hkdf"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// Keys seals what may not lie open in the database, and makes the keyed hashes
// by which sealed words are found again.
//
// A sealed value is: version (1 byte, 1), key number (2 bytes), nonce (12
// bytes), AES-256-GCM ciphertext and tag. Its associated data names the
// practice and the record, so that a value copied to another row does not open.
// New values are sealed with the key of the highest number; values of the
// others still open. Words are hashed with the lowest, so that adding a key
// does not lose the index.
type Keys struct {
	byNumber map[uint16]cipher.AEAD
	current  uint16
	word     []byte
}

const (
	keyBytes      = 32
	sealedVersion = 1
	sealedHeader  = 3
	keyFileTitle  = "# Visitwright key file: one key a line, \"key <number> <base64>\". Keep a copy apart from the database;\n# without it the sealed values are lost.\n"
)

// CreateKeyFile writes a key file with one new random key, readable by its
// owner alone. It never overwrites: ErrExists when the file is there already.
func CreateKeyFile(path string) error {
	key := make([]byte, keyBytes)
	if _, err := rand.Read(key); err != nil {
		return fmt.Errorf("no random key: %w", err)
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return fmt.Errorf("key file: %w", err)
	}
	f, err := os.CreateTemp(filepath.Dir(path), ".key-*") // mode 0600
	if err != nil {
		return fmt.Errorf("key file: %w", err)
	}
	defer func() { _ = os.Remove(f.Name()) }()
	_, err = fmt.Fprintf(f, "%skey 1 %s\n", keyFileTitle, base64.StdEncoding.EncodeToString(key))
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("key file: %w", err)
	}
	err = os.Link(f.Name(), path) // whole or not at all, and never over another
	if errors.Is(err, os.ErrExist) {
		return &Problem{Kind: ErrExists, Resource: "key file"}
	}
	return err
}

// LoadKeyFile reads a key file. It refuses one that others may read.
func LoadKeyFile(path string) (*Keys, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("key file: %w", err)
	}
	if info.Mode().Perm()&0o077 != 0 {
		return nil, errors.New("key file: readable by others: set its mode to 0600")
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("key file: %w", err)
	}
	return ParseKeys(text)
}

// ParseKeys reads the content of a key file.
func ParseKeys(text []byte) (*Keys, error) {
	raw := map[uint16][]byte{}
	scan := bufio.NewScanner(bytes.NewReader(text))
	for line := 1; scan.Scan(); line++ {
		fields := strings.Fields(scan.Text())
		if len(fields) == 0 || strings.HasPrefix(fields[0], "#") {
			continue
		}
		bad := fmt.Errorf("key file, line %d: want \"key <number 1 to 65535> <base64 of 32 bytes>\"", line)
		if len(fields) != 3 || fields[0] != "key" {
			return nil, bad
		}
		number, err := strconv.ParseUint(fields[1], 10, 16)
		key, err2 := base64.StdEncoding.DecodeString(fields[2])
		if err != nil || err2 != nil || number == 0 || len(key) != keyBytes {
			return nil, bad
		}
		if raw[uint16(number)] != nil {
			return nil, fmt.Errorf("key file, line %d: key %d stands twice", line, number)
		}
		raw[uint16(number)] = key
	}
	if scan.Err() != nil {
		return nil, errors.New("key file: a line is too long")
	}
	return newKeys(raw)
}

func newKeys(raw map[uint16][]byte) (*Keys, error) {
	if len(raw) == 0 {
		return nil, errors.New("key file: no key in it")
	}
	k := &Keys{byNumber: map[uint16]cipher.AEAD{}}
	lowest := uint16(1<<16 - 1)
	for number, key := range raw {
		seal, err := hkdf.Key(sha256.New, key, nil, "visitwright seal 1", keyBytes)
		if err != nil {
			return nil, fmt.Errorf("key %d: %w", number, err)
		}
		block, err := aes.NewCipher(seal)
		if err != nil {
			return nil, fmt.Errorf("key %d: %w", number, err)
		}
		if k.byNumber[number], err = cipher.NewGCMWithRandomNonce(block); err != nil {
			return nil, fmt.Errorf("key %d: %w", number, err)
		}
		k.current = max(k.current, number)
		lowest = min(lowest, number)
	}
	var err error
	k.word, err = hkdf.Key(sha256.New, raw[lowest], nil, "visitwright words 1", keyBytes)
	return k, err
}

func (k *Keys) seal(plain []byte, practice, record string) []byte {
	head := make([]byte, sealedHeader, sealedHeader+len(plain)+28)
	head[0] = sealedVersion
	binary.BigEndian.PutUint16(head[1:], k.current)
	return k.byNumber[k.current].Seal(head, nil, plain, sealedFor(practice, record)) //nolint:gosec // the AEAD draws a random nonce itself
}

func (k *Keys) open(sealed []byte, practice, record string) ([]byte, error) {
	fail := &Problem{Kind: ErrSealed, Resource: record}
	if len(sealed) < sealedHeader || sealed[0] != sealedVersion {
		return nil, fail
	}
	aead := k.byNumber[binary.BigEndian.Uint16(sealed[1:])]
	if aead == nil {
		return nil, fail
	}
	plain, err := aead.Open(nil, nil, sealed[sealedHeader:], sealedFor(practice, record))
	if err != nil {
		return nil, fail
	}
	return plain, nil
}

// sealedFor cannot confuse two records: a practice id holds no slash.
func sealedFor(practice, record string) []byte { return []byte(practice + "/" + record) }

// wordHash is 16 bytes: with a million words in a practice the odds of two
// sharing one are below 1 in 10^26.
func (k *Keys) wordHash(practice, word string) []byte {
	mac := hmac.New(sha256.New, k.word)
	mac.Write([]byte(practice))
	mac.Write([]byte{0})
	mac.Write([]byte(word))
	return mac.Sum(nil)[:16]
}
