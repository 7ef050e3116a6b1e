package scheduler_test

import (
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"frostgate/db"
	"frostgate/scheduler/alert"
)

// A chat of each kind is told in its own form, on its own terms.
func TestEndpointsAreToldInTheirForms(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.cold()
	var mu sync.Mutex
	told := map[string]string{}
	chats := httptest.NewServer(http.HandlerFunc(func(rw http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		mu.Lock()
		defer mu.Unlock()
		told[strings.TrimPrefix(r.URL.RequestURI(), "/")] = string(body)
		_, _ = io.WriteString(rw, "ok")
	}))
	t.Cleanup(chats.Close)
	w.tx(func(tx *db.Tx) error {
		for _, kind := range alert.Forms() {
			e := db.Endpoint{Name: kind, Kind: kind}
			if kind == alert.FormText {
				e.Settings = json.RawMessage(`{"template":"{{.Severity}}: {{.Pour}}"}`)
			}
			if _, err := tx.CreateEndpoint(t.Context(), e, chats.URL+"/"+kind, alert.NewSecret()); err != nil {
				return err
			}
		}
		return nil
	})
	s := w.start(nil)
	w.pour(s, "Slab", wednesday.Add(42*time.Hour))
	w.until("all forms", 20*time.Second, func() bool {
		mu.Lock()
		defer mu.Unlock()
		return len(told) == len(alert.Forms())
	})
	require.Equal(t, "major: Slab", told[alert.FormText])
	require.Contains(t, told["chat_content?wait=true"], `{"allowed_mentions":{"parse":[]},"content":"Move: Slab at Mill Road`)
	require.Contains(t, told[alert.FormCard], `"type":"AdaptiveCard"`)
	require.Contains(t, told[alert.FormCloud], `"specversion":"1.0"`)
	w.until("all accepted", 10*time.Second, func() bool {
		return w.count("select count(*) from deliveries where state = 'accepted'") == len(alert.Forms())
	})
}
