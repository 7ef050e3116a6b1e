package scheduler_test

import (
	"fmt"
	"net/http"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"frostgate/db"
	"frostgate/scheduler/forecast/replay"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
)

// A chat gets one message at a time, however many replicas there are, and what
// happens to one alert in its order.
func TestReplicasTakeTurnsAtAChat(t *testing.T) {
	t.Parallel()
	const pours = 20
	w := newWorld(t)
	w.tx(func(tx *db.Tx) error {
		_, err := tx.CreateEndpoint(t.Context(), db.Endpoint{Name: "chat", Kind: "chat_text"}, w.receiver.url, w.receiver.secret)
		return err
	})
	var now, most atomic.Int32
	w.receiver.answers(func(*http.Request, int) int {
		for n := now.Add(1); n > most.Load(); {
			most.Store(n)
		}
		time.Sleep(20 * time.Millisecond) // so that another one has time to come
		now.Add(-1)
		return http.StatusOK
	})
	first, second := w.start(nil), w.start(nil)
	w.manySites(func(tx *db.Tx, id uuid.UUID) error { return first.EnqueueAssess(t.Context(), tx, id) }, pours)
	wake := func() { // both, more often than there is something to do
		time.Sleep(50 * time.Millisecond)
		w.tx(func(tx *db.Tx) error {
			list, err := tx.Endpoints(t.Context(), db.Page{Limit: 1})
			for range 4 {
				if err == nil {
					err = first.EnqueueDeliver(t.Context(), tx, list.Items[0].ID)
				}
				if err == nil {
					err = second.EnqueueDeliver(t.Context(), tx, list.Items[0].ID)
				}
			}
			return err
		})
	}
	w.until("all raised", 40*time.Second, func() bool { wake(); return w.count("select count(*) from deliveries") == pours })
	places := make([]replay.Place, pours)
	for i := range places {
		places[i] = place(fmt.Sprintf("Site %d", i), 40+float64(i)*0.1, -88, good)
	}
	w.clock.Forward(2 * time.Second) // runs of a model are told apart by the second
	w.weather.SetPlaces(places...)
	w.refresh(first)
	w.until("all told", 40*time.Second, func() bool { wake(); return len(w.receiver.accepted()) == 2*pours })
	require.EqualValues(t, 1, most.Load(), "at the same time")
	w.until("all recorded", 10*time.Second, func() bool { return w.count("select count(*) from deliveries where state = 'pending'") == 0 })
	require.Zero(t, w.count("select count(*) from attempts where outcome <> 'accepted'"))
	told := map[string]int{}
	for _, d := range w.receiver.accepted() {
		_, rest, _ := strings.Cut(d.event.Text, "Site ")
		site, _, _ := strings.Cut(rest, " at ")
		require.Equal(t, told[site] == 0, strings.HasPrefix(d.event.Text, "Move: "), d.event.Text)
		told[site]++
	}
	require.Len(t, told, pours)
	w.invariants()
}
