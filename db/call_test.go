package db_test

import (
	"testing"
	"time"

	"frostgate/db"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
)

// Calls are replaced while they wait, said once, and stay said.
func TestCalls(t *testing.T) {
	t.Parallel()
	b := setup(t)
	p := b.pour("p", monday)
	day := time.Date(monday.Year(), monday.Month(), monday.Day(), 0, 0, 0, 0, time.UTC)
	call := func(name string, at time.Time) db.Call {
		return db.Call{PourID: p.ID, Type: name, Day: day, At: at, Until: at.Add(time.Hour), Severity: "warning"}
	}
	plan := func(calls ...db.Call) {
		t.Helper()
		b.tx(func(tx *db.Tx) error { return tx.PlanCalls(b.ctx, []uuid.UUID{p.ID}, calls) })
	}
	stored := func() map[string]db.Call {
		t.Helper()
		list, err := b.Calls(b.ctx, all, p.ID)
		require.NoError(t, err)
		named := map[string]db.Call{}
		for _, c := range list {
			named[c.Type] = c
		}
		return named
	}
	plan(call("a", monday.Add(-2*time.Hour)), call("b", monday), call("c", monday.Add(time.Hour)))
	require.Len(t, stored(), 3)
	plan(call("a", monday.Add(-3*time.Hour)), call("b", monday))
	require.Len(t, stored(), 2)
	require.True(t, stored()["a"].At.Equal(monday.Add(-3*time.Hour)))

	notice := db.Notice{Type: "a", Payload: []byte("{}")}
	b.tx(func(tx *db.Tx) error {
		due, err := tx.DueCalls(b.ctx, monday.Add(-time.Minute), 10)
		require.NoError(t, err)
		require.Len(t, due, 1)
		notice.ID = uuid.Must(uuid.NewV7())
		if _, _, err := tx.CreateNotice(b.ctx, notice, nil); err != nil {
			return err
		}
		return tx.SettleCall(b.ctx, due[0], &notice.ID)
	})
	require.Equal(t, "said", stored()["a"].State)
	require.Equal(t, notice.ID, *stored()["a"].NoticeID)
	plan(call("a", monday), call("b", monday))
	require.True(t, stored()["a"].At.Equal(monday.Add(-3*time.Hour)), "what was said stays")
	b.tx(func(tx *db.Tx) error { return tx.SettleCall(b.ctx, stored()["b"], nil) })
	require.Equal(t, "missed", stored()["b"].State)
	plan()
	require.Len(t, stored(), 2)
}

// Of two replicas one makes a digest.
func TestDigestIsClaimedOnce(t *testing.T) {
	t.Parallel()
	b := setup(t)
	e := b.endpoint("chat")
	b.tx(func(tx *db.Tx) error {
		first, err := tx.ClaimDigest(b.ctx, e.ID, monday)
		require.NoError(t, err)
		require.True(t, first)
		notice := db.Notice{ID: uuid.Must(uuid.NewV7()), Type: "digest", Payload: []byte("{}")}
		if _, _, err := tx.CreateNotice(b.ctx, notice, nil); err != nil {
			return err
		}
		return tx.NoteDigest(b.ctx, e.ID, monday, notice.ID)
	})
	b.tx(func(tx *db.Tx) error {
		again, err := tx.ClaimDigest(b.ctx, e.ID, monday)
		require.NoError(t, err)
		require.False(t, again)
		next, err := tx.ClaimDigest(b.ctx, e.ID, monday.Add(24*time.Hour))
		require.NoError(t, err)
		require.True(t, next)
		return nil
	})
}
