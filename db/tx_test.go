package db_test

import (
	"context"
	"encoding/json"
	"errors"
	"sync/atomic"
	"testing"
	"time"

	"frostgate/db"
	"frostgate/db/dbtest"
	"frostgate/rules"

	"github.com/stretchr/testify/require"
)

// A transaction that fails leaves nothing, the audit included.
func TestTxRollsBack(t *testing.T) {
	t.Parallel()
	b := setup(t)
	count := func() int {
		entries, err := b.Audit(b.ctx, db.AuditFilter{}, 1000)
		require.NoError(t, err)
		return len(entries)
	}
	before := count()
	boom := errors.New("boom")
	err := b.try(func(tx *db.Tx) error {
		_, err := tx.CreatePlant(b.ctx, all, db.Plant{Name: "x"})
		require.NoError(t, err)
		return boom
	})
	require.ErrorIs(t, err, boom)
	require.Panics(t, func() {
		_ = b.try(func(tx *db.Tx) error {
			_, err := tx.CreatePlant(b.ctx, all, db.Plant{Name: "y"})
			require.NoError(t, err)
			panic("boom")
		})
	})
	plants, err := b.Plants(b.ctx, all, db.Filter{}, db.Page{})
	require.NoError(t, err)
	require.Len(t, plants.Items, 1)
	require.Equal(t, before, count())
}

// Try undoes one failed row and keeps its neighbours.
func TestTry(t *testing.T) {
	t.Parallel()
	b := setup(t)
	b.tx(func(tx *db.Tx) error {
		for name, want := range map[string]error{"one": nil, "Red crew": db.ErrConflict, "two": nil} {
			err := tx.Try(b.ctx, func(tx *db.Tx) error {
				_, err := tx.CreatePlant(b.ctx, all, db.Plant{Name: "plant of " + name})
				require.NoError(t, err)
				_, err = tx.CreateCrew(b.ctx, all, db.Crew{Name: name, DayEndsMin: 1})
				return err
			})
			require.ErrorIs(t, err, want)
		}
		return nil
	})
	plants, err := b.Plants(b.ctx, all, db.Filter{Text: "plant of"}, db.Page{})
	require.NoError(t, err)
	require.Len(t, plants.Items, 2)
}

// All writes of a transaction share one now: the clock's when there is one, else
// the database's.
func TestTxNow(t *testing.T) {
	t.Parallel()
	conn := dbtest.NewConn(t)
	clock := time.Date(2031, 2, 3, 4, 5, 6, 7008009, time.UTC)
	b := setupOn(t, dbtest.Open(t, db.Config{Conn: conn, Clock: func() time.Time { return clock }}))
	require.True(t, b.site.CreatedAt.Equal(clock.Truncate(time.Microsecond)))
	entries, err := b.Audit(b.ctx, db.AuditFilter{RecordID: b.site.ID}, 1)
	require.NoError(t, err)
	require.True(t, entries[0].At.Equal(b.site.CreatedAt))

	plain := dbtest.Open(t, db.Config{Conn: conn})
	began := time.Now()
	require.NoError(t, plain.Tx(b.ctx, tester, func(tx *db.Tx) error {
		require.WithinDuration(t, began, tx.Now(), time.Minute)
		require.Equal(t, tester, tx.Actor())
		now := tx.Now()
		time.Sleep(2 * time.Millisecond)
		c, err := tx.CreateCrew(b.ctx, all, db.Crew{Name: "now", DayEndsMin: 1})
		require.True(t, c.CreatedAt.Equal(now))
		return err
	}))
}

// A deadlock between two transactions is run again by itself.
func TestTxRetriesDeadlock(t *testing.T) {
	t.Parallel()
	b := setup(t)
	one, two := b.pour("one", monday), b.pour("two", monday.Add(24*time.Hour))
	touch := func(tx *db.Tx, p db.Pour) error {
		stored, err := tx.Pour(b.ctx, all, p.ID)
		if err != nil {
			return err
		}
		_, err = tx.UpdatePour(b.ctx, all, stored)
		if errors.Is(err, db.ErrStale) {
			return nil
		}
		return err
	}
	// Each takes its first pour, waits until the other has, and wants the other's.
	held := make(chan struct{}, 2)
	var runs atomic.Int32
	crossed := func(first, second db.Pour, results chan<- error) {
		results <- b.try(func(tx *db.Tx) error {
			run := runs.Add(1)
			if err := touch(tx, first); err != nil {
				return err
			}
			if run <= 2 {
				held <- struct{}{}
				for len(held) < 2 {
					time.Sleep(time.Millisecond)
				}
			}
			return touch(tx, second)
		})
	}
	results := make(chan error, 2)
	go crossed(one, two, results)
	go crossed(two, one, results)
	require.NoError(t, <-results)
	require.NoError(t, <-results)
	require.GreaterOrEqual(t, runs.Load(), int32(3))
}

// The audit says who changed what, and nothing of what must not be told.
func TestAudit(t *testing.T) {
	t.Parallel()
	b := setup(t)
	p := b.pour("slab", monday)
	b.tx(func(tx *db.Tx) error {
		p.Note = "wet"
		p.ThicknessMM = 150
		stored, err := tx.UpdatePour(b.ctx, all, p)
		require.NoError(t, err)
		_, err = tx.UpdatePour(b.ctx, all, stored) // changes nothing: no entry
		require.NoError(t, err)
		return tx.DeletePour(b.ctx, all, p.ID, 3)
	})
	entries, err := b.Audit(b.ctx, db.AuditFilter{Record: "pours", RecordID: p.ID}, 10)
	require.NoError(t, err)
	require.Len(t, entries, 3)
	deleted, updated, created := entries[0], entries[1], entries[2]
	require.Equal(t, []string{"delete", "update", "create"}, []string{deleted.Action, updated.Action, created.Action})
	for _, e := range entries {
		require.Equal(t, tester.Name, e.Actor)
		require.Equal(t, tester.RequestID, e.RequestID)
	}
	require.JSONEq(t, `{"note": "", "thickness_mm": 125}`, string(updated.Before))
	require.JSONEq(t, `{"note": "wet", "thickness_mm": 150}`, string(updated.After))
	require.Nil(t, created.Before)
	require.Nil(t, deleted.After)
	var row map[string]any
	require.NoError(t, json.Unmarshal(deleted.Before, &row))
	require.Equal(t, "slab", row["name"])

	newer, err := b.Audit(b.ctx, db.AuditFilter{Record: "pours", BeforeID: updated.ID}, 10)
	require.NoError(t, err)
	require.Equal(t, []db.AuditEntry{created}, newer)
	for f, want := range map[db.AuditFilter]int{
		{Record: "pours", Actor: "tester"}: 3, {Actor: "nobody"}: 0, {Record: "pours", From: time.Now().Add(time.Hour)}: 0,
		{Record: "pours", Until: time.Now().Add(time.Hour)}: 3,
	} {
		entries, err := b.Audit(b.ctx, f, 10)
		require.NoError(t, err)
		require.Len(t, entries, want)
	}
}

// What the program derives is no edit; secrets never reach the audit.
func TestAuditLeavesOut(t *testing.T) {
	t.Parallel()
	b := setup(t)
	p := b.pour("slab", monday)
	b.assess(p, monday, rules.Move, nil)
	e := b.endpoint("chat")
	b.tx(func(tx *db.Tx) error {
		_, err := tx.MarkEndpoint(b.ctx, e.ID, true)
		require.NoError(t, err)
		require.NoError(t, tx.RotateSecret(b.ctx, e.ID, "second secret", time.Hour))
		e.Name = "crew chat"
		_, err = tx.UpdateEndpoint(b.ctx, e, "https://hooks.example.net/in/other")
		require.NoError(t, err)
		_, err = tx.CreateToken(b.ctx, db.Token{Name: "t", Role: "viewer", Hash: []byte("0123456789abcdef0123456789abcdef")})
		return err
	})
	entries, err := b.Audit(b.ctx, db.AuditFilter{}, 1000)
	require.NoError(t, err)
	kinds := map[string]int{}
	for _, entry := range entries {
		kinds[entry.Record+" "+entry.Action]++
		for _, secret := range []string{"sealed", "hash", "0123456789abcdef", "7f3a"} {
			require.NotContains(t, string(entry.Before)+string(entry.After), secret)
		}
	}
	require.Equal(t, map[string]int{
		"sites create": 1, "plants create": 1, "crews create": 1, "mixes create": 1, "pours create": 1,
		"endpoints create": 1, "endpoint_secrets create": 2, "endpoint_secrets update": 1, "endpoints update": 1, "tokens create": 1,
	}, kinds)
}

// Listeners hear what commits, not what rolls back, and hear that they are
// connected again after the server dropped them.
func TestListen(t *testing.T) {
	t.Parallel()
	b := setup(t)
	ctx, cancel := context.WithCancel(b.ctx)
	heard := b.Listen(ctx, "pours")
	hear := func() string {
		select {
		case payload, open := <-heard:
			require.True(t, open)
			return payload
		case <-time.After(2 * time.Minute):
			require.Fail(t, "nothing heard")
			return ""
		}
	}
	require.Empty(t, hear())
	_ = b.try(func(tx *db.Tx) error {
		require.NoError(t, tx.Notify(b.ctx, "pours", "lost"))
		return errors.New("no")
	})
	b.tx(func(tx *db.Tx) error { return tx.Notify(b.ctx, "pours", "kept") })
	require.Equal(t, "kept", hear())

	tag, err := b.Pool().Exec(b.ctx, "select pg_terminate_backend(pid) from pg_stat_activity where query = 'listen \"pours\"'")
	require.NoError(t, err)
	require.Equal(t, int64(1), tag.RowsAffected())
	require.Empty(t, hear()) // connected again: look at everything
	b.tx(func(tx *db.Tx) error { return tx.Notify(b.ctx, "pours", "again") })
	require.Equal(t, "again", hear())

	cancel()
	for range heard { //nolint:revive // drains until it closes
	}
}

// A server that cannot be reached, and one too slow, are told apart from wrong
// requests.
func TestUnavailable(t *testing.T) {
	t.Parallel()
	_, err := db.Open(t.Context(), db.Config{URL: "postgres://127.0.0.1:1/none?connect_timeout=1"})
	require.ErrorIs(t, err, db.ErrUnavailable)
	_, err = db.Open(t.Context(), db.Config{URL: "postgres://user:hidden@[bad"})
	require.Error(t, err)
	require.NotContains(t, err.Error(), "hidden")

	conn := dbtest.NewConn(t)
	b := setupOn(t, dbtest.Open(t, db.Config{Conn: conn}))
	slow := dbtest.Open(t, db.Config{Conn: conn, StatementTimeout: 500 * time.Millisecond})
	b.tx(func(tx *db.Tx) error {
		_, err := tx.PGX().Exec(b.ctx, "lock table plants in access exclusive mode")
		require.NoError(t, err)
		_, err = slow.Plants(b.ctx, all, db.Filter{}, db.Page{})
		require.ErrorIs(t, err, db.ErrUnavailable)
		return nil
	})
	require.NoError(t, slow.Ping(b.ctx))
}

// A transaction's clock goes on from its now, whether that is the database's or a
// given one, and no other clock counts.
func TestClockOfTransaction(t *testing.T) {
	t.Parallel()
	given := monday
	for name, clock := range map[string]func() time.Time{"database": nil, "given": func() time.Time { given = given.Add(time.Second); return given }} {
		d := dbtest.Open(t, db.Config{Conn: dbtest.NewConn(t), Clock: clock})
		require.NoError(t, d.Tx(t.Context(), tester, func(tx *db.Tx) error {
			first, second := tx.Clock(), tx.Clock()
			require.False(t, first.Before(tx.Now()), name)
			require.False(t, second.Before(first), name)
			require.Equal(t, time.UTC, first.Location())
			if clock == nil {
				require.WithinDuration(t, tx.Now(), second, time.Minute)
			} else {
				require.Equal(t, 2*time.Second, second.Sub(tx.Now()))
			}
			return nil
		}))
	}
}
