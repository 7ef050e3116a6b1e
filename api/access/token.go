package access

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/base32"
	"encoding/binary"
	"hash/crc32"
	"strings"
)

// A secret is written fg_ + 52 characters (256 random bits) + 7 characters (CRC-32 of what stands before). The
// prefix lets secret scanners and people recognise it; the checksum turns most typing errors away without a lookup.
const (
	prefix      = "fg_"
	randomBytes = 32
	secretChars = len(prefix) + 52 + 7
)

var letters = base32.NewEncoding("abcdefghijklmnopqrstuvwxyz234567").WithPadding(base32.NoPadding)

// Mint makes a new secret, to be shown once, and the digest that is stored of it.
func Mint() (secret string, digest [sha256.Size]byte) {
	random := make([]byte, randomBytes)
	_, _ = rand.Read(random) // never fails: the program ends when the system has no randomness
	body := prefix + letters.EncodeToString(random)
	secret = body + checksum(body)
	return secret, sha256.Sum256([]byte(secret))
}

// Digest returns what is stored of a secret, and false when the text cannot be a secret of ours. A fast hash is
// enough: 256 random bits cannot be guessed back from it.
func Digest(secret string) (digest [sha256.Size]byte, ok bool) {
	if len(secret) != secretChars || !strings.HasPrefix(secret, prefix) {
		return digest, false
	}
	body := secret[:secretChars-7]
	if checksum(body) != secret[secretChars-7:] {
		return digest, false
	}
	return sha256.Sum256([]byte(secret)), true
}

func checksum(body string) string {
	return letters.EncodeToString(binary.BigEndian.AppendUint32(nil, crc32.ChecksumIEEE([]byte(body))))
}
