package board_test

import (
	"compress/gzip"
	"io"
	"net/http"
	"strings"
	"testing"

	"frostgate/api/access"
	"frostgate/db"
	"frostgate/rules"

	"github.com/stretchr/testify/require"
)

// fetch asks as a client that unpacks by itself.
func (w *world) fetch(secret, path string, header map[string]string) (status int, answered http.Header, body []byte) {
	w.t.Helper()
	request, err := http.NewRequestWithContext(w.t.Context(), http.MethodGet, w.server.URL+path, http.NoBody)
	require.NoError(w.t, err)
	request.AddCookie(&http.Cookie{Name: "frostgate", Value: secret})
	request.Header.Set("Authorization", "Bearer "+secret)
	for name, value := range header {
		request.Header.Set(name, value)
	}
	client := http.Client{Transport: &http.Transport{DisableCompression: true}}
	response, err := client.Do(request)
	require.NoError(w.t, err)
	defer func() { _ = response.Body.Close() }()
	body, err = io.ReadAll(response.Body)
	require.NoError(w.t, err)
	return response.StatusCode, response.Header, body
}

// RFC 9110: 8.4.1.3 the coding gzip, 12.5.5 Vary, 8.8.3 strong tags differ between codings.
func TestLargeTextsGoOutPacked(t *testing.T) {
	t.Parallel()
	w := newWorld(t, rules.UnitsUS).stock()
	secret := w.grant(access.Dispatcher, everything)
	takes := map[string]string{"Accept-Encoding": "gzip"}
	for _, path := range []string{"/", "/pours/" + w.pours["protect"].ID.String(), "/assets/board.css", "/assets/board.js", "/openapi.json", "/v1/pours"} {
		_, plain, whole := w.fetch(secret, path, nil)
		require.Empty(t, plain.Get("Content-Encoding"), path)
		_, packed, body := w.fetch(secret, path, takes)
		require.Equal(t, "gzip", packed.Get("Content-Encoding"), path)
		require.Contains(t, packed.Values("Vary"), "Accept-Encoding", path)
		require.Contains(t, plain.Values("Vary"), "Accept-Encoding", path)
		reader, err := gzip.NewReader(strings.NewReader(string(body)))
		require.NoError(t, err)
		text, err := io.ReadAll(reader)
		require.NoError(t, err)
		require.InDelta(t, len(whole), len(text), 200, path) // pages hold fresh marks of forms
		require.Less(t, 2*len(body), len(whole), path)
		t.Logf("%-60s %7d bytes, packed %6d", path, len(whole), len(body))
	}
	one := "/v1/pours/" + w.pours["protect"].ID.String()
	_, record, _ := w.fetch(secret, one, takes)
	require.Empty(t, record.Get("Content-Encoding"), "its tag is strong")
	tag := record.Get("ETag")
	require.True(t, strings.HasPrefix(tag, `"1`), tag)
	unchanged, _, _ := w.fetch(secret, one, map[string]string{"Accept-Encoding": "gzip", "If-None-Match": tag})
	require.Equal(t, http.StatusNotModified, unchanged)
	_, small, _ := w.fetch(secret, "/healthz", takes)
	require.Empty(t, small.Get("Content-Encoding"))
	_, measures, body := w.fetch(secret, "/metrics", takes)
	require.Equal(t, []string{"gzip"}, measures.Values("Content-Encoding"))
	reader, err := gzip.NewReader(strings.NewReader(string(body)))
	require.NoError(t, err)
	text, err := io.ReadAll(reader)
	require.NoError(t, err)
	require.Contains(t, string(text), "frostgate_http_requests_total", "packed once")
}

func TestWhoAskedForAPageIsInTheLog(t *testing.T) {
	t.Parallel()
	w := newWorld(t, rules.UnitsUS).stock()
	b := w.as(access.Viewer)
	require.Equal(t, 200, b.get("/plants").status)
	tokens, err := w.db.Tokens(t.Context(), db.Page{})
	require.NoError(t, err)
	require.Len(t, tokens.Items, 1)
	for line := range strings.Lines(w.log.String()) {
		if strings.Contains(line, "route=/plants") {
			require.Contains(t, line, "token_id="+tokens.Items[0].ID.String())
			require.Contains(t, line, "role=viewer")
			return
		}
	}
	t.Fatal("the page is not in the log")
}
