package board_test

import (
	"context"
	"io"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"frostgate/rules"
	"frostgate/scheduler/alert"

	"github.com/stretchr/testify/require"
)

// Whoever has the link of a message acknowledges its alert by it, once, and does nothing else: to open it changes nothing,
// since mail programs and chats open links by themselves.
func TestAlertIsAcknowledgedByALink(t *testing.T) {
	t.Parallel()
	w := newWorld(t, rules.UnitsUS).stock()
	key := w.db.DeriveKey(alert.AckLinkPurpose)
	link := alert.AckLink{AlertID: w.alert.ID, EndpointID: w.endpoint.ID, Episode: w.alert.Episode, Expires: now.Add(alert.AckLinkLasts).Truncate(time.Second)}
	call := func(method string, l alert.AckLink, form url.Values) (int, string, http.Header) {
		r, err := http.NewRequestWithContext(t.Context(), method, w.server.URL+"/a/"+l.Token(key), strings.NewReader(form.Encode()))
		require.NoError(t, err)
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		if method == "POST" {
			r.Header.Set("Origin", "null") // as browsers send it from a page without referrer (Fetch Standard, 3.2)
		}
		answer, err := w.server.Client().Do(r)
		require.NoError(t, err)
		defer func() { require.NoError(t, answer.Body.Close()) }()
		body, err := io.ReadAll(answer.Body)
		require.NoError(t, err)
		return answer.StatusCode, string(body), answer.Header
	}
	operatorState := func() string {
		a, err := w.db.Alert(context.WithoutCancel(t.Context()), everything, w.alert.ID)
		require.NoError(t, err)
		return a.OperatorState + " " + a.AcknowledgedBy
	}
	_, err := w.db.Pool().Exec(t.Context(), "update pours set name = '<script>alert(1)</script> \"Slab'")
	require.NoError(t, err)
	status, page, header := call("GET", link, nil)
	require.Equal(t, 200, status, page)
	require.Contains(t, page, `<form method="post"`)
	require.Contains(t, page, "&lt;script&gt;alert(1)&lt;/script&gt;", "a text, whatever is in it")
	require.NotContains(t, page, "<script>alert")
	require.Equal(t, "no-store", header.Get("Cache-Control"))
	require.Equal(t, "no-referrer", header.Get("Referrer-Policy"))
	require.Contains(t, header.Get("Content-Security-Policy"), "default-src 'self'")
	require.Equal(t, "none ", operatorState(), "to look changes nothing")

	for name, bad := range map[string]struct {
		change func(*alert.AckLink)
		status int
	}{
		"expired":       {func(l *alert.AckLink) { l.Expires = now.Add(-time.Second).Truncate(time.Second) }, 410},
		"other episode": {func(l *alert.AckLink) { l.Episode++ }, 409},
		"other alert":   {func(l *alert.AckLink) { l.AlertID[0]++ }, 409},
	} {
		l := link
		bad.change(&l)
		for _, method := range []string{"GET", "POST"} {
			status, page, _ := call(method, l, nil)
			require.Equal(t, bad.status, status, name)
			require.NotContains(t, page, "<form method=\"post\" action=\"/a/", name)
		}
	}
	ours := key
	key = []byte("somebody else's key")
	status, _, _ = call("POST", link, nil)
	require.Equal(t, 404, status)
	key = ours
	require.Equal(t, "none ", operatorState())

	status, page, _ = call("POST", link, url.Values{"name": {"Ann <b>"}, "note": {"On it"}})
	require.Equal(t, 200, status, page)
	require.Contains(t, operatorState(), "acknowledged Ann <b>, by a link sent to ")
	status, page, _ = call("POST", link, nil)
	require.Equal(t, 409, status, "once")
	require.Contains(t, page, "acknowledged already, by Ann &lt;b&gt;")
	status, page, _ = call("GET", link, nil)
	require.Equal(t, 409, status, "nothing is offered that cannot be done")
	require.NotContains(t, page, `<form method="post" action="/a/`)

	_, err = w.db.Pool().Exec(t.Context(), "update alerts set operator_state = 'none', acknowledged_at = null")
	require.NoError(t, err)
	status, page, _ = call("POST", link, nil)
	require.Equal(t, 409, status, "once, also when somebody takes it back")
	require.Contains(t, page, "nothing to acknowledge")
}
