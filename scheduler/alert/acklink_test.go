package alert_test

import (
	"strings"
	"testing"
	"time"

	"frostgate/scheduler/alert"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
)

func TestAckLinkIsReadByItsKeyAlone(t *testing.T) {
	t.Parallel()
	key, now := []byte(strings.Repeat("k", 32)), time.Date(2026, 1, 14, 12, 0, 0, 0, time.UTC)
	link := alert.AckLink{AlertID: uuid.New(), EndpointID: uuid.New(), Episode: 3, Expires: now.Add(time.Hour)}
	token := link.Token(key)
	require.Regexp(t, `^[A-Za-z0-9_-]+$`, token)
	read, err := alert.ReadAckLink(key, token, now)
	require.NoError(t, err)
	require.Equal(t, link, read)
	_, err = alert.ReadAckLink(key, token, now.Add(time.Hour))
	require.ErrorIs(t, err, alert.ErrExpired)
	_, err = alert.ReadAckLink([]byte(strings.Repeat("x", 32)), token, now)
	require.ErrorIs(t, err, alert.ErrForged)
	_, err = alert.ReadAckLink(nil, link.Token(nil), now)
	require.ErrorIs(t, err, alert.ErrForged, "without a key nothing is ours")
	for i := range token { // any letter changed
		other := byte('A')
		if token[i] == other {
			other = 'B'
		}
		_, err := alert.ReadAckLink(key, token[:i]+string(other)+token[i+1:], now)
		require.ErrorIs(t, err, alert.ErrForged, "letter %d", i)
	}
	for _, bad := range []string{"", "x", token[1:], token + "A", token + "=", strings.Repeat("A", 5000)} {
		_, err := alert.ReadAckLink(key, bad, now)
		require.ErrorIs(t, err, alert.ErrForged)
	}
}
