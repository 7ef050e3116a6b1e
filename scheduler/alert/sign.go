package alert

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"
)

// Headers of the Standard Webhooks specification 1.0.0, and our own for the
// number of the attempt, which is outside of what is signed.
const (
	HeaderID        = "Webhook-Id"
	HeaderTimestamp = "Webhook-Timestamp"
	HeaderSignature = "Webhook-Signature"
	HeaderAttempt   = "Frostgate-Attempt"
)

const secretPrefix = "whsec_"

// Lengths of a secret that the specification allows, and ours.
const (
	secretShortest = 24
	secretLongest  = 64
	secretBytes    = 32
)

// NewSecret makes a signing secret in the form that receivers are given.
func NewSecret() string {
	key := make([]byte, secretBytes)
	rand.Read(key) //nolint:errcheck // never fails: it ends the program instead
	return secretPrefix + base64.StdEncoding.EncodeToString(key)
}

// CheckSecret tells what is wrong with a secret that somebody brings along.
func CheckSecret(secret string) error {
	_, err := keyOf(secret)
	return err
}

func keyOf(secret string) ([]byte, error) {
	key, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(secret, secretPrefix))
	switch {
	case err != nil:
		return nil, errors.New("secret is not base64") // the cause would quote it
	case len(key) < secretShortest || len(key) > secretLongest:
		return nil, fmt.Errorf("secret has %d bytes, not %d to %d", len(key), secretShortest, secretLongest)
	}
	return key, nil
}

// sign sets the headers of one attempt. While a secret rotates there are two,
// and as many signatures.
func sign(header http.Header, secrets []string, id string, at time.Time, body []byte) error {
	if len(secrets) == 0 {
		return errors.New("sign message: no secret")
	}
	stamp := strconv.FormatInt(at.Unix(), 10)
	signatures := make([]string, len(secrets))
	for i, secret := range secrets {
		key, err := keyOf(secret)
		if err != nil {
			return fmt.Errorf("sign message: %w", err)
		}
		mac := hmac.New(sha256.New, key)
		mac.Write([]byte(id + "." + stamp + "."))
		mac.Write(body)
		signatures[i] = "v1," + base64.StdEncoding.EncodeToString(mac.Sum(nil))
	}
	header.Set(HeaderID, id)
	header.Set(HeaderTimestamp, stamp)
	header.Set(HeaderSignature, strings.Join(signatures, " "))
	return nil
}
