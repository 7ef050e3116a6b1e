package demo

import (
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"testing"
	"time"

	webhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"
	"github.com/stretchr/testify/require"
)

// The secret of the Standard Webhooks specification's own example.
const secret = "whsec_C2FVsBQIhrscChlQIMV+b5sSYspob7oD"

func TestReceiverTakesOnlyWhatIsSigned(t *testing.T) {
	t.Parallel()
	receiver := NewReceiver()
	require.NoError(t, receiver.Trust(secret))
	hook, err := webhooks.NewWebhook(secret)
	require.NoError(t, err)
	send := func(id, body, signedBody string, at time.Time) int {
		signature, err := hook.Sign(id, at, []byte(signedBody))
		require.NoError(t, err)
		request := httptest.NewRequest(http.MethodPost, "/", strings.NewReader(body))
		request.Header.Set("webhook-id", id)
		request.Header.Set("webhook-timestamp", strconv.FormatInt(at.Unix(), 10))
		request.Header.Set("webhook-signature", signature)
		answer := httptest.NewRecorder()
		receiver.ServeHTTP(answer, request)
		return answer.Code
	}
	require.Equal(t, http.StatusNoContent, send("a", `{"text":"move"}`, `{"text":"move"}`, time.Now()))
	require.Equal(t, http.StatusUnauthorized, send("b", `{"text":"stay"}`, `{"text":"move"}`, time.Now()))
	require.Equal(t, http.StatusUnauthorized, send("c", `{}`, `{}`, time.Now().Add(-time.Hour)), "too old")
	receiver.RefuseNext(1)
	require.Equal(t, http.StatusServiceUnavailable, send("d", `{}`, `{}`, time.Now()))
	require.Equal(t, http.StatusNoContent, send("d", `{}`, `{}`, time.Now()))
	notices := receiver.Notices()
	require.Len(t, notices, 4, "a refused message was not taken")
	require.True(t, notices[0].Verified)
	require.Equal(t, "move", notices[0].Text())
	require.False(t, notices[1].Verified)
}
