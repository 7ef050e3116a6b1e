package db

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/hkdf"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// KeyFile reads the key that seals endpoint URLs and secrets, and makes it when
// the file isn't there. Whoever has the key and the database can read them; keep
// the key apart from backups of the database.
func KeyFile(path string) ([]byte, error) {
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return newKeyFile(path)
	}
	if err != nil {
		return nil, fmt.Errorf("read key: %w", err)
	}
	key, err := hex.DecodeString(strings.TrimSpace(string(text)))
	if err != nil || len(key) != 32 {
		return nil, fmt.Errorf("read key %s: want 64 hexadecimal digits", path)
	}
	return key, nil
}

// newKeyFile writes the key whole or not at all; of two programs that start at
// once, the first one's key stands.
func newKeyFile(path string) ([]byte, error) {
	key := make([]byte, 32)
	rand.Read(key)
	draft, err := os.CreateTemp(filepath.Dir(path), ".key-*") // mode 0600
	if err != nil {
		return nil, fmt.Errorf("make key: %w", err)
	}
	defer os.Remove(draft.Name()) //nolint:errcheck // a leftover draft does no harm
	_, err = draft.WriteString(hex.EncodeToString(key) + "\n")
	if err = errors.Join(err, draft.Sync(), draft.Close()); err != nil {
		return nil, fmt.Errorf("make key: %w", err)
	}
	err = os.Link(draft.Name(), path)
	if errors.Is(err, fs.ErrExist) {
		return KeyFile(path)
	}
	if err != nil {
		return nil, fmt.Errorf("make key: %w", err)
	}
	return key, nil
}

// sealer encrypts with AES-256-GCM. The zero sealer has no key and refuses.
type sealer struct{ aead cipher.AEAD }

var errNoKey = errors.New("no key configured to seal secrets with")

func newSealer(key []byte) (sealer, error) {
	if key == nil {
		return sealer{}, nil
	}
	if len(key) != 32 {
		return sealer{}, fmt.Errorf("key has %d bytes, want 32", len(key))
	}
	block, err := aes.NewCipher(key)
	if err != nil {
		return sealer{}, fmt.Errorf("use key: %w", err)
	}
	aead, err := cipher.NewGCMWithRandomNonce(block)
	if err != nil {
		return sealer{}, fmt.Errorf("use key: %w", err)
	}
	return sealer{aead}, nil
}

// seal encrypts text for one purpose; only open with the same purpose reads it.
func (s sealer) seal(text, purpose string) ([]byte, error) {
	if s.aead == nil {
		return nil, errNoKey
	}
	return s.aead.Seal(nil, nil, []byte(text), []byte(purpose)), nil //nolint:gosec // the aead draws a random nonce and puts it in front of the text
}

func (s sealer) open(sealed []byte, purpose string) (string, error) {
	if s.aead == nil {
		return "", errNoKey
	}
	text, err := s.aead.Open(nil, nil, sealed, []byte(purpose)) //nolint:gosec // the nonce is random and in front of the text
	if err != nil {
		return "", errors.New("sealed under another key")
	}
	return string(text), nil
}

// DeriveKey gives a key of 32 bytes for one purpose, the same each time; nil when
// no key is configured to derive it from.
func (d *DB) DeriveKey(purpose string) []byte {
	if d.key == nil {
		return nil
	}
	derived, err := hkdf.Key(sha256.New, d.key, nil, purpose, 32)
	if err != nil {
		panic(err) // only for lengths that the hash cannot give
	}
	return derived
}
