package scheduler_test

import (
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"frostgate/db"
	"frostgate/rules"
	"frostgate/scheduler"
	"frostgate/scheduler/alert"

	"github.com/stretchr/testify/require"
)

// only answers at the path of one endpoint; the others take everything.
func only(name string, status int) func(*http.Request, int) int {
	return func(r *http.Request, _ int) int {
		if strings.HasPrefix(r.URL.Path, "/"+name) {
			return status
		}
		return http.StatusNoContent
	}
}

// typed are the messages of a type that were taken.
func (w *world) typed(event string) []delivered {
	return slices.DeleteFunc(w.receiver.accepted(), func(d delivered) bool { return d.event.Type != event })
}

// A receiver that lets us in no more is asked three times; the other endpoints are
// told, and once it is restored they are told that, and it gets what waited.
func TestEndpointThatRefusesUsIsStopped(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.cold()
	locked := w.endpoint("locked")
	w.endpoint("open")
	w.receiver.answers(only("locked", http.StatusForbidden))
	s := w.start(nil)
	p := w.pour(s, "Slab", wednesday.Add(42*time.Hour))
	w.verdict(p.ID, rules.Move)
	stopped := func() bool { return w.count("select count(*) from endpoints where state = 'disabled'") == 1 }
	for n := range 3 {
		w.until("an attempt", 20*time.Second, func() bool {
			return w.count("select count(*) from attempts t join deliveries d on d.id = t.delivery_id where d.endpoint_id = $1", locked.ID) == n+1
		})
		w.clock.Forward(time.Minute)
	}
	w.until("it is stopped", 20*time.Second, stopped)
	w.until("the other is told", 20*time.Second, func() bool { return len(w.typed(alert.EventDisabled)) == 1 })
	told := w.typed(alert.EventDisabled)[0].event
	require.Contains(t, told.Text, "locked")
	require.Contains(t, told.Text, "401 or 403")
	require.Equal(t, 1, w.count("select count(*) from deliveries where endpoint_id = $1 and state = 'pending'", locked.ID), "what it was to be told is kept")

	w.receiver.answers(nil)
	w.tx(func(tx *db.Tx) error {
		e, err := tx.Endpoint(t.Context(), locked.ID)
		require.NoError(t, err)
		e.State, e.StateReason = "enabled", ""
		e, err = tx.UpdateEndpoint(t.Context(), e, "")
		require.NoError(t, err)
		return s.EndpointRestored(t.Context(), tx, e)
	})
	w.clock.Forward(10 * time.Minute)
	w.until("the other is told, and it gets its message", 20*time.Second, func() bool {
		return len(w.typed(alert.EventRestored)) == 1 && len(w.typed(alert.EventRaised)) == 2
	})
	w.invariants()
}

// A room of a chat that was removed answers 404 from then on.
func TestChatThatIsNotFoundIsStopped(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.cold()
	e := w.endpoint("room")
	w.tx(func(tx *db.Tx) error {
		e.Kind = alert.FormPlain
		_, err := tx.UpdateEndpoint(t.Context(), e, "")
		return err
	})
	w.receiver.answers(only("room", http.StatusNotFound))
	s := w.start(nil)
	w.pour(s, "Slab", wednesday.Add(42*time.Hour))
	w.until("it is stopped", 20*time.Second, func() bool {
		return w.count("select count(*) from endpoints where state = 'disabled' and state_reason like '%404%'") == 1
	})
	require.Equal(t, 1, w.count("select count(*) from deliveries where state = 'pending'"))
}

// Each endpoint gets a link of its own to acknowledge by, and what ended has none.
func TestMessagesHaveALinkToAcknowledgeBy(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.cold()
	w.endpoint("one")
	w.endpoint("two")
	s := w.start(func(c *scheduler.Config) { c.PublicURL = "https://board.example.com/" })
	w.pour(s, "Slab", wednesday.Add(42*time.Hour))
	w.until("both are told", 20*time.Second, func() bool { return len(w.typed(alert.EventRaised)) == 2 })
	links := map[string]bool{}
	for _, d := range w.typed(alert.EventRaised) {
		token, ok := strings.CutPrefix(d.event.Links.Acknowledge, "https://board.example.com/a/")
		require.True(t, ok, d.event.Links.Acknowledge)
		l, err := alert.ReadAckLink(w.db.DeriveKey(alert.AckLinkPurpose), token, w.clock.Now())
		require.NoError(t, err)
		require.Equal(t, d.event.Alert.ID, l.AlertID)
		require.Equal(t, d.event.Alert.Episode, l.Episode)
		links[token] = true
	}
	require.Len(t, links, 2)
	require.Zero(t, w.count("select count(*) from notices where convert_from(payload, 'UTF8') like '%/a/%'"), "links are of one endpoint and not kept with the notice")
}
