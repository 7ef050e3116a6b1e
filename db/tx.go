package db

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// Actor is who makes the edits of a transaction, as the audit shows it.
type Actor struct {
	Name      string // of a token, or of a part of the program such as "scheduler"
	RequestID string // joins the audit with the log; may be empty
}

// Tx is one transaction: one actor, one fixed now, all or nothing. It is not
// safe for concurrent use.
type Tx struct {
	reads
	tx    pgx.Tx
	now   time.Time
	clock func() time.Time // of this moment
	actor Actor
}

// beginTx tells the audit trigger who edits and when; see audit_change.
const beginTx = `
select now(),
       set_config('frostgate.actor', @actor, true),
       set_config('frostgate.request', @request, true),
       set_config('frostgate.now', @now, true)`

// Tx runs fn in a transaction and commits when fn returns nil. When the
// database refuses it for a deadlock or a serialization failure, it is run again,
// three times in all: fn must touch nothing else.
func (d *DB) Tx(ctx context.Context, actor Actor, fn func(*Tx) error) error {
	for run := 1; ; run++ {
		err := d.once(ctx, actor, fn)
		if !again(err) || run == 3 {
			return err
		}
		select { // out of step with the other
		case <-ctx.Done():
			return err
		case <-time.After(time.Duration(run) * rand.N(20*time.Millisecond)): //nolint:gosec // a pause, not a secret
		}
	}
}

func again(err error) bool {
	var pg *pgconn.PgError
	return errors.As(err, &pg) && (pg.Code == "40001" || pg.Code == "40P01")
}

func (d *DB) once(ctx context.Context, actor Actor, fn func(*Tx) error) error {
	tx, err := d.begin(ctx, actor)
	if err != nil {
		return fmt.Errorf("begin transaction: %w", fault(err))
	}
	defer tx.tx.Rollback(context.WithoutCancel(ctx)) //nolint:errcheck // does nothing after the commit
	if err := fn(tx); err != nil {
		return err
	}
	if err := tx.tx.Commit(ctx); err != nil {
		return fmt.Errorf("commit transaction: %w", fault(err))
	}
	return nil
}

// begin opens the transaction and reads its now in one round trip.
func (d *DB) begin(ctx context.Context, actor Actor) (*Tx, error) {
	var now time.Time
	var set string
	if d.clock != nil {
		now = d.clock().UTC().Truncate(time.Microsecond)
		set = now.Format(time.RFC3339Nano)
	}
	var batch pgx.Batch
	batch.BeginTx(pgx.TxOptions{})
	batch.Queue(beginTx, args{"actor": actor.Name, "request": actor.RequestID, "now": set})
	results := d.pool.SendBatch(ctx, &batch)
	tx := results.Tx()
	var dbNow time.Time
	_, err := results.Exec()
	if err == nil {
		err = results.QueryRow().Scan(&dbNow, nil, nil, nil)
	}
	if err = errors.Join(err, results.Close()); err != nil {
		tx.Rollback(context.WithoutCancel(ctx)) //nolint:errcheck // the first error says it
		return nil, err
	}
	clock := d.clock
	if clock == nil {
		now = dbNow.UTC()
		began := time.Now()
		clock = func() time.Time { return now.Add(time.Since(began)) }
	}
	return &Tx{reads: reads{q: tx, box: d.box}, tx: tx, now: now, clock: clock, actor: actor}, nil
}

// Now is the one time of the transaction, UTC, in whole microseconds.
func (tx *Tx) Now() time.Time { return tx.now }

// Clock is what time it is by now on the clock that Now was read from, UTC, in
// whole microseconds: of two transactions that waited for one another the later
// one's is later.
func (tx *Tx) Clock() time.Time { return tx.clock().UTC().Truncate(time.Microsecond) }

// Actor is who edits.
func (tx *Tx) Actor() Actor { return tx.actor }

// PGX gives the transaction to the job queue.
func (tx *Tx) PGX() pgx.Tx { return tx.tx }

// Notify tells the listeners of a channel when the transaction commits. The
// payload is at most 7999 bytes.
func (tx *Tx) Notify(ctx context.Context, channel, payload string) error {
	if _, err := run(ctx, tx.q, "select pg_notify($1, $2)", channel, payload); err != nil {
		return fmt.Errorf("notify %s: %w", channel, err)
	}
	return nil
}

// Try runs fn so that its error undoes fn's own edits and nothing else: one row
// of many may fail.
func (tx *Tx) Try(ctx context.Context, fn func(*Tx) error) error {
	inner, err := tx.tx.Begin(ctx)
	if err != nil {
		return fmt.Errorf("set savepoint: %w", fault(err))
	}
	defer inner.Rollback(context.WithoutCancel(ctx)) //nolint:errcheck // does nothing after the commit
	nested := *tx
	nested.q, nested.tx = inner, inner
	if err := fn(&nested); err != nil {
		return err
	}
	if err := inner.Commit(ctx); err != nil {
		return fmt.Errorf("release savepoint: %w", fault(err))
	}
	return nil
}
