package alert

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"time"

	"github.com/google/uuid"
)

// AckLinkPurpose names the key that acknowledge links are signed with.
const AckLinkPurpose = "frostgate acknowledge link 1"

// AckLinkLasts is how long a link is good for.
const AckLinkLasts = 24 * time.Hour

// An AckLink lets whoever holds it acknowledge one episode of one alert, and
// nothing else.
type AckLink struct {
	AlertID    uuid.UUID
	EndpointID uuid.UUID // that it was sent to
	Episode    int
	Expires    time.Time // to the second
}

// Errors of links that are good for nothing.
var (
	ErrForged  = errors.New("the link is not one of ours")
	ErrExpired = errors.New("the link has expired")
)

const ackLinkBytes = 16 + 16 + 4 + 8

// Token is the link as text that an address can hold.
func (l AckLink) Token(key []byte) string {
	text := make([]byte, 0, ackLinkBytes+sha256.Size)
	text = append(append(text, l.AlertID[:]...), l.EndpointID[:]...)
	text = binary.BigEndian.AppendUint32(text, uint32(l.Episode)) //nolint:gosec // counts from 1
	text = binary.BigEndian.AppendUint64(text, uint64(l.Expires.Unix()))
	return base64.RawURLEncoding.EncodeToString(append(text, ackLinkMAC(key, text)...))
}

func ackLinkMAC(key, text []byte) []byte {
	mac := hmac.New(sha256.New, key)
	mac.Write(text)
	return mac.Sum(nil)
}

// ReadAckLink gives the link that a token holds; ErrForged when it was not signed
// by the key, ErrExpired with the link when it is too old.
func ReadAckLink(key []byte, token string, now time.Time) (AckLink, error) {
	all, err := base64.RawURLEncoding.Strict().DecodeString(token)
	if err != nil || len(all) != ackLinkBytes+sha256.Size || len(key) == 0 {
		return AckLink{}, ErrForged
	}
	text, mac := all[:ackLinkBytes], all[ackLinkBytes:]
	if !hmac.Equal(mac, ackLinkMAC(key, text)) {
		return AckLink{}, ErrForged
	}
	l := AckLink{
		AlertID: uuid.UUID(text[:16]), EndpointID: uuid.UUID(text[16:32]), Episode: int(binary.BigEndian.Uint32(text[32:])),
		Expires: time.Unix(int64(binary.BigEndian.Uint64(text[36:])), 0).UTC(), //nolint:gosec // our own
	}
	if !now.Before(l.Expires) {
		return l, ErrExpired
	}
	return l, nil
}
