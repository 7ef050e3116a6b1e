package access

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestSecretsCarryEnoughRandomnessAndAreKnownByTheirDigest(t *testing.T) {
	t.Parallel()
	seen := map[string]bool{}
	for range 1000 {
		secret, digest := Mint()
		require.False(t, seen[secret])
		seen[secret] = true
		found, ok := Digest(secret)
		require.True(t, ok)
		require.Equal(t, digest, found)
		random, err := letters.DecodeString(secret[len(prefix) : len(secret)-7])
		require.NoError(t, err)
		// OWASP ASVS 5.0 11.5.1 asks for at least 128 bits.
		require.Len(t, random, 32)
		require.False(t, bytes.Contains(digest[:], random[:8]))
	}
}

// A CRC-32 finds every burst of errors up to 32 bits (Peterson and Brown, 1961), so any one mistyped character.
func TestOneMistypedCharacterIsNeverATokenOfOurs(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		secret, _ := Mint()
		at := rapid.IntRange(0, len(secret)-1).Draw(t, "at")
		other := rapid.SampledFrom([]byte("abcdefghijklmnopqrstuvwxyz234567ABC_-. 0189")).Filter(func(b byte) bool { return b != secret[at] }).Draw(t, "other")
		_, ok := Digest(secret[:at] + string(other) + secret[at+1:])
		require.False(t, ok)
	})
}

func TestTextsThatAreNoSecrets(t *testing.T) {
	t.Parallel()
	secret, _ := Mint()
	for _, text := range []string{"", "fg_", secret + "a", secret[1:], strings.ToUpper(secret), "Bearer " + secret, strings.Repeat("a", 10_000)} {
		_, ok := Digest(text)
		require.False(t, ok, text)
	}
}

func TestQuotaIsSpentAndRefillsEvenly(t *testing.T) {
	t.Parallel()
	q := newQuotas(60)
	now := time.Date(2026, 1, 15, 12, 0, 0, 0, time.UTC)
	for i := range 60 {
		state := q.take("a", now)
		require.True(t, state.OK)
		require.Equal(t, 59-i, state.Remaining)
	}
	refused := q.take("a", now)
	require.False(t, refused.OK)
	require.InDelta(t, time.Second, refused.RetryIn, float64(time.Millisecond))
	require.InDelta(t, time.Minute, refused.FullIn, float64(time.Millisecond))
	require.True(t, q.take("b", now).OK, "one key does not spend another's quota")

	require.True(t, q.take("a", now.Add(refused.RetryIn+time.Millisecond)).OK)
	require.False(t, q.take("a", now.Add(refused.RetryIn+2*time.Millisecond)).OK)
}

func TestQuotaForgetsKeysThatAreFullAgain(t *testing.T) {
	t.Parallel()
	q := newQuotas(60)
	now := time.Date(2026, 1, 15, 12, 0, 0, 0, time.UTC)
	for range 100 {
		q.take("often", now)
	}
	q.take("once", now)
	q.take("later", now.Add(61*time.Second))
	require.NotContains(t, q.buckets, "once")
	require.Len(t, q.buckets, 1, "a bucket of 60 refills within the minute")
}
