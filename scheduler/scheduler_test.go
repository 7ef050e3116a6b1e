package scheduler_test

import (
	"encoding/json"
	"net/http"
	"testing"
	"time"

	"frostgate/db"
	"frostgate/rules"
	"frostgate/scheduler"
	"frostgate/scheduler/alert"

	"github.com/google/uuid"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/stretchr/testify/require"
)

// One bad night from the pull to the signed notice and back to clear.
func TestBadNight(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.cold()
	w.endpoint("crew-chat")
	s := w.start(nil)
	start := time.Date(2027, 1, 15, 14, 0, 0, 0, time.UTC) // Friday, 8:00 in Chicago
	p := w.pour(s, "Loading dock slab", start)

	stored := w.verdict(p.ID, rules.Move)
	require.NotEmpty(t, stored.WorstRule)
	require.Equal(t, string(alert.Major), stored.Severity, "42 hours are left")
	w.until("a notice", 5*time.Second, func() bool { return len(w.receiver.accepted()) == 1 })
	e := w.receiver.accepted()[0].event
	require.Equal(t, alert.EventRaised, e.Type)
	require.Equal(t, "Loading dock slab", e.Pour.Name)
	require.Equal(t, "Fri Jan 15, 8:00 a.m.", e.Pour.Starts.Local)
	require.Equal(t, stored.WorstRule, e.Finding.Rule)
	require.NotNil(t, e.Finding.Limit)
	require.Contains(t, e.Text, "Move: Loading dock slab at Mill Road, start Fri Jan 15, 8:00 a.m.")
	require.Equal(t, "https://frostgate.example/pours/"+p.ID.String(), e.Links.Pour)
	require.Equal(t, "open-meteo", e.Weather[0].Source)

	w.clock.Forward(10 * time.Minute)
	w.mild()
	w.refresh(s)
	w.until("the end of the alert", 15*time.Second, func() bool { return len(w.receiver.accepted()) == 2 })
	require.Equal(t, "raised cleared", w.receiver.events())
	cleared := w.receiver.accepted()[1].event
	require.Equal(t, 2, cleared.Alert.Transition)
	require.Equal(t, 1, cleared.Alert.Episode)
	require.Equal(t, rules.Move, cleared.Was)
	w.invariants()
}

func TestCancelledPourClears(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.cold()
	w.endpoint("crew-chat")
	s := w.start(nil)
	p := w.pour(s, "Footing", wednesday.Add(40*time.Hour))
	w.until("a notice", 20*time.Second, func() bool { return w.receiver.events() == "raised" })
	w.tx(func(tx *db.Tx) error {
		p, err := tx.Pour(t.Context(), everything, p.ID)
		if err != nil {
			return err
		}
		p.State, p.CancelledAt = db.Cancelled, new(tx.Now())
		if _, err := tx.UpdatePour(t.Context(), everything, p); err != nil {
			return err
		}
		return s.EnqueueAssess(t.Context(), tx, p.ID)
	})
	w.until("the end of the alert", 5*time.Second, func() bool { return w.receiver.events() == "raised cleared" })
	require.Equal(t, alert.ReasonGone, w.receiver.accepted()[1].event.Reason)
	require.Contains(t, w.receiver.accepted()[1].event.Text, "the pour is cancelled")
	w.invariants()
}

// The board hears of what changes, and an operator's numbers move.
func TestListenersAndMetrics(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.cold()
	e := w.endpoint("crew-chat")
	heard := w.db.Listen(t.Context(), scheduler.EventsChannel)
	require.Empty(t, <-heard, "connected")
	registry := prometheus.NewRegistry()
	s := w.start(func(c *scheduler.Config) { c.Registerer = registry })
	p := w.pour(s, "Slab", wednesday.Add(42*time.Hour))
	want := map[string]bool{
		"pour " + p.ID.String():     true,
		"delivery " + e.ID.String(): true,
		"alert":                     true,
	}
	timeout := time.After(20 * time.Second)
	for len(want) > 0 {
		select {
		case payload := <-heard:
			var event scheduler.Event
			require.NoError(t, json.Unmarshal([]byte(payload), &event))
			delete(want, event.Kind)
			for _, id := range event.IDs {
				delete(want, event.Kind+" "+id.String())
			}
		case <-timeout:
			t.Fatalf("not heard of: %v", want)
		}
	}
	w.now(s)
	w.idle()
	families, err := registry.Gather()
	require.NoError(t, err)
	seen := map[string]float64{}
	for _, f := range families {
		for _, m := range f.GetMetric() {
			seen[f.GetName()] += m.GetCounter().GetValue() + m.GetGauge().GetValue() + float64(m.GetHistogram().GetSampleCount())
		}
	}
	for _, name := range []string{
		"frostgate_pulls_total", "frostgate_assessments_total", "frostgate_assess_seconds", "frostgate_alert_transitions_total",
		"frostgate_delivery_attempts_total", "frostgate_first_attempt_seconds", "frostgate_source_age_seconds",
	} {
		require.Positive(t, seen[name], name)
	}
}

// A trial call goes out at once, signed, and leaves no record but its answer.
func TestTrialOfAnEndpoint(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	e := w.endpoint("crew-chat")
	s := w.newScheduler(nil)
	answer, err := s.TryEndpoint(t.Context(), e.ID)
	require.NoError(t, err)
	require.Equal(t, alert.Accepted, answer.Outcome, answer.Error)
	require.Equal(t, "endpoint.test", w.receiver.accepted()[0].event.Type)
	w.receiver.answers(func(*http.Request, int) int { return http.StatusForbidden })
	answer, err = s.TryEndpoint(t.Context(), e.ID)
	require.NoError(t, err)
	require.Equal(t, alert.Retry, answer.Outcome, "whoever changed a key may change it back")
	require.Equal(t, 403, answer.Status)
	_, err = s.TryEndpoint(t.Context(), uuid.New())
	require.ErrorIs(t, err, db.ErrNotFound)
}
