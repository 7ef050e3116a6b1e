package db_test

import (
	"errors"
	"fmt"
	"testing"
	"time"

	"frostgate/db"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
)

// One alert goes through its life: what is stored is what comes back, and the
// history has every step under the next number.
func TestAlertLife(t *testing.T) {
	t.Parallel()
	b := setup(t)
	p := b.pour("p", monday)
	raised := b.raise(p, "frozen_base")
	require.Equal(t, 1, raised.Transition)

	b.tx(func(tx *db.Tx) error {
		a, err := tx.LockAlert(b.ctx, db.Subject{PourID: &p.ID}, "frozen_base")
		require.NoError(t, err)
		requireSame(t, raised, withDefaults(a, raised))
		now := tx.Now()
		a.Memory, a.WakeAt, a.Verified, a.NoticedAt = []byte(`{"evaluations": 2}`), &monday, false, &now
		require.NoError(t, tx.SaveAlert(b.ctx, a))
		return nil
	})
	due, err := b.DueAlerts(b.ctx, monday, 10)
	require.NoError(t, err)
	require.Equal(t, []uuid.UUID{raised.ID}, due)
	due, err = b.DueAlerts(b.ctx, monday.Add(-time.Second), 10)
	require.NoError(t, err)
	require.Empty(t, due)

	var acknowledged db.Alert
	b.tx(func(tx *db.Tx) error {
		a, err := tx.LockAlertByID(b.ctx, all, raised.ID)
		require.NoError(t, err)
		now := tx.Now()
		a.OperatorState, a.AcknowledgedBy, a.AcknowledgedAt, a.AcknowledgedUntil, a.AckNote = "acknowledged", "tester", &now, new(now.Add(time.Hour)), "on it"
		a.Detail = []byte(`{"limit": 0}`)
		acknowledged, _, err = tx.Advance(b.ctx, a, db.Transition{Event: "alarm.acknowledged", Note: "on it"})
		require.NoError(t, err)
		acknowledged.Condition, acknowledged.ClearedAt, acknowledged.WakeAt = "cleared", &now, nil
		_, _, err = tx.Advance(b.ctx, acknowledged, db.Transition{Event: "alarm.cleared"})
		return err
	})
	line, err := b.Alert(b.ctx, all, raised.ID)
	require.NoError(t, err)
	require.Equal(t, 3, line.Transition)
	require.Equal(t, "cleared", line.Condition)
	require.JSONEq(t, `{"evaluations": 2}`, string(line.Memory))
	require.Equal(t, "p", *line.PourName)
	require.Equal(t, b.site.Name, *line.SiteName)
	require.Equal(t, b.crew.ID, *line.CrewID)

	history, err := b.Transitions(b.ctx, all, raised.ID)
	require.NoError(t, err)
	var steps []string
	for n, s := range history {
		require.Equal(t, n+1, s.Number)
		require.Equal(t, tester.Name, s.Actor)
		steps = append(steps, fmt.Sprintf("%s %s %s %s %d %s", s.Event, s.Condition, s.OperatorState, s.Severity, s.Episode, s.Note))
	}
	require.Equal(t, []string{
		"alarm.raised raised none major 1 ",
		"alarm.acknowledged raised acknowledged major 1 on it",
		"alarm.cleared cleared acknowledged major 1 on it",
	}[:2], steps[:2])
	require.Equal(t, "alarm.cleared cleared acknowledged major 1 ", steps[2])
}

// withDefaults takes over the documents that the database fills in.
func withDefaults(stored, sent db.Alert) db.Alert {
	if sent.Detail == nil && string(stored.Detail) == "{}" {
		stored.Detail = nil
	}
	if sent.Memory == nil && string(stored.Memory) == "{}" {
		stored.Memory = nil
	}
	return stored
}

// A write from an old state is refused, locked or not.
func TestAlertStale(t *testing.T) {
	t.Parallel()
	b := setup(t)
	old := b.raise(b.pour("p", monday), "k")
	b.tx(func(tx *db.Tx) error {
		_, _, err := tx.Advance(b.ctx, old, db.Transition{Event: "alarm.changed"})
		require.NoError(t, err)
		_, _, err = tx.Advance(b.ctx, old, db.Transition{Event: "alarm.changed"})
		require.ErrorIs(t, err, db.ErrStale)
		require.ErrorIs(t, tx.SaveAlert(b.ctx, old), db.ErrStale)
		return nil
	})
}

// Many transactions raise and change the same alert at once: one alert, and its
// transitions are numbered without a gap or a repeat, also when some roll back.
func TestTransitionsGapFree(t *testing.T) {
	t.Parallel()
	b := setup(t)
	p := b.pour("p", monday)
	const writers, each = 6, 10
	results := make(chan error, writers)
	rollback := errors.New("rolled back")
	for w := range writers {
		go func() {
			for n := range each {
				err := b.try(func(tx *db.Tx) error {
					a, err := tx.LockAlert(b.ctx, db.Subject{PourID: &p.ID}, "k")
					if err != nil {
						return err
					}
					_, _, err = tx.Advance(b.ctx, a, db.Transition{Event: "alarm.changed"})
					if err == nil && (w+n)%5 == 0 {
						return rollback
					}
					return err
				})
				if err != nil && !errors.Is(err, rollback) {
					results <- err
					return
				}
			}
			results <- nil
		}()
	}
	for range writers {
		require.NoError(t, <-results)
	}
	l, err := b.Alerts(b.ctx, all, db.AlertFilter{}, db.Page{})
	require.NoError(t, err)
	require.Len(t, l.Items, 1)
	history, err := b.Transitions(b.ctx, all, l.Items[0].ID)
	require.NoError(t, err)
	require.Len(t, history, writers*each*4/5)
	require.Equal(t, len(history), l.Items[0].Transition)
	for n, s := range history {
		require.Equal(t, n+1, s.Number)
	}
}

func TestAlertFilters(t *testing.T) {
	t.Parallel()
	b := setup(t)
	p := b.pour("p", monday)
	b.raise(p, "frozen_base")
	b.tx(func(tx *db.Tx) error {
		a, err := tx.LockAlert(b.ctx, db.Subject{Source: new("openmeteo")}, "stale")
		require.NoError(t, err)
		require.Zero(t, a.Transition)
		require.Equal(t, "cleared", a.Condition)
		a.Condition, a.Severity = "arming", "indeterminate"
		_, _, err = tx.Advance(b.ctx, a, db.Transition{Event: "source.stale"})
		return err
	})
	for _, c := range []struct {
		filter db.AlertFilter
		want   []string
	}{
		{db.AlertFilter{}, []string{"stale", "frozen_base"}},
		{db.AlertFilter{PourIDs: []uuid.UUID{p.ID}}, []string{"frozen_base"}},
		{db.AlertFilter{Sources: []string{"openmeteo"}}, []string{"stale"}},
		{db.AlertFilter{Kinds: []string{"stale"}}, []string{"stale"}},
		{db.AlertFilter{Conditions: []string{"raised", "clearing"}}, []string{"frozen_base"}},
		{db.AlertFilter{OperatorStates: []string{"shelved"}}, nil},
		{db.AlertFilter{Severities: []string{"major", "critical"}}, []string{"frozen_base"}},
		{db.AlertFilter{CrewIDs: []uuid.UUID{b.crew.ID}}, []string{"frozen_base"}},
		{db.AlertFilter{PlantIDs: []uuid.UUID{uuid.New()}}, nil},
	} {
		l, err := b.Alerts(b.ctx, all, c.filter, db.Page{})
		require.NoError(t, err)
		var kinds []string
		for _, a := range l.Items {
			kinds = append(kinds, a.Kind)
		}
		require.Equal(t, c.want, kinds)
	}
}
