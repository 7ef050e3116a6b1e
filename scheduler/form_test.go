package scheduler_test

import (
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"frostgate/db"
	"frostgate/rules"
	"frostgate/scheduler/alert"

	"github.com/stretchr/testify/require"
)

// A chat of each kind is told in its own form, on its own terms.
func TestEndpointsAreToldInTheirForms(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.cold()
	var mu sync.Mutex
	told := map[string]string{}
	kinds := slices.DeleteFunc(alert.Forms(), func(kind string) bool { return kind == alert.FormMail }) // goes another way
	chats := httptest.NewServer(http.HandlerFunc(func(rw http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		mu.Lock()
		defer mu.Unlock()
		told[strings.TrimPrefix(r.URL.RequestURI(), "/")] = string(body)
		_, _ = io.WriteString(rw, "ok")
	}))
	t.Cleanup(chats.Close)
	w.tx(func(tx *db.Tx) error {
		for _, kind := range kinds {
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
		return len(told) == len(kinds)
	})
	require.Equal(t, "major: Slab", told[alert.FormText])
	require.Contains(t, told["chat_content?wait=true"], `{"allowed_mentions":{"parse":[]},"content":"Move: Slab at Mill Road`)
	require.Contains(t, told[alert.FormCard], `"type":"AdaptiveCard"`)
	require.Contains(t, told[alert.FormCloud], `"specversion":"1.0"`)
	require.Contains(t, told[alert.FormCloud], `"dataschema":"https://frostgate.example/event-schema.json"`)
	w.until("all accepted", 10*time.Second, func() bool {
		return w.count("select count(*) from deliveries where state = 'accepted'") == len(kinds)
	})
}

// While an alert is shelved nothing of it is told, and the ruling says why; its end
// is told when the shelf ends.
func TestShelvedAlertIsNotTold(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.cold()
	w.endpoint("crew-chat")
	s := w.start(nil)
	p := w.pour(s, "Slab", wednesday.Add(42*time.Hour))
	w.until("the notice", 10*time.Second, func() bool { return len(w.receiver.accepted()) == 1 })
	w.tx(func(tx *db.Tx) error {
		a, err := tx.LockAlertByID(t.Context(), everything, w.alerts()[0].ID)
		if err != nil {
			return err
		}
		until := w.clock.Now().Add(2 * time.Hour)
		a.OperatorState, a.ShelvedBy, a.ShelveReason, a.ShelvedUntil = "shelved", "Ann", "The crew knows", &until
		_, _, err = tx.Advance(t.Context(), a, db.Transition{Event: "alert.shelved"})
		return err
	})
	w.clock.Forward(10 * time.Minute)
	w.mild()
	w.refresh(s)
	w.until("the end of the alert", 15*time.Second, func() bool { return w.alerts()[0].Condition == "cleared" })
	require.NotEqual(t, rules.Move, w.stored(p.ID).Verdict)
	list, err := w.db.Tellings(t.Context(), everything, w.alerts()[0].ID, 10)
	require.NoError(t, err)
	require.Equal(t, alert.RuleShelved, list[0].Rule)
	require.Equal(t, "waiting", list[0].State)
	require.Contains(t, list[0].Sentence, "shelved by Ann until")
	require.Contains(t, list[0].Sentence, "The crew knows")
	require.Len(t, w.receiver.accepted(), 1)
	w.clock.Forward(2 * time.Hour)
	w.until("the word that it is over", 10*time.Second, func() bool { return w.receiver.events() == "raised cleared" })
}
