package db

import (
	"context"
	"fmt"
	"time"
)

// Rate is how often all replicas together may call a host.
type Rate struct {
	Every    time.Duration // between calls, in the long run
	Burst    int           // calls at once after a rest; at least 1
	Patience time.Duration // longest wait worth reserving
}

const (
	ensureHost = `insert into hosts (host, free_at) values (@host, '-infinity') on conflict (host) do nothing`
	lockHost   = `select greatest(free_at, '0001-01-01Z') as free_at, closed_until from hosts where host = @host for update`
	setFree    = `update hosts set free_at = @free_at where host = @host`
)

// TakeTurn reserves a call of a host and gives the wait before it: 0 is now. A
// wait beyond the rate's patience reserves nothing: come back then.
//
// It is the generic cell rate algorithm: free_at is when the host will have made
// up for all calls reserved.
func (d *DB) TakeTurn(ctx context.Context, host string, r Rate) (time.Duration, error) {
	var wait time.Duration
	err := d.Tx(ctx, Actor{}, func(tx *Tx) error {
		var err error
		wait, err = tx.takeTurn(ctx, host, r)
		return err
	})
	if err != nil {
		return 0, fmt.Errorf("take turn at %s: %w", host, err)
	}
	return wait, nil
}

func (tx *Tx) takeTurn(ctx context.Context, host string, r Rate) (time.Duration, error) {
	if _, err := run(ctx, tx.q, ensureHost, args{"host": host}); err != nil {
		return 0, err
	}
	type hostRow struct {
		FreeAt      time.Time
		ClosedUntil *time.Time
	}
	h, err := one[hostRow](ctx, tx.q, lockHost, args{"host": host})
	if err != nil {
		return 0, err
	}
	start := tx.now
	if h.ClosedUntil != nil && h.ClosedUntil.After(start) {
		start = *h.ClosedUntil
	}
	free := h.FreeAt
	if rested := start.Add(-time.Duration(max(r.Burst, 1)-1) * r.Every); free.Before(rested) {
		free = rested
	}
	if free.After(start) {
		start = free
	}
	wait := start.Sub(tx.now)
	if wait > r.Patience {
		return wait, nil
	}
	_, err = run(ctx, tx.q, setFree, args{"host": host, "free_at": free.Add(r.Every)})
	return wait, err
}

const closeHost = `
insert into hosts (host, free_at, closed_until) values (@host, '-infinity', @until)
on conflict (host) do update set closed_until = greatest(hosts.closed_until, excluded.closed_until)`

// CloseHost keeps all replicas from a host until a time, as its Retry-After asks.
func (d *DB) CloseHost(ctx context.Context, host string, until time.Time) error {
	if _, err := run(ctx, d.q, closeHost, args{"host": host, "until": until}); err != nil {
		return fmt.Errorf("close %s: %w", host, err)
	}
	return nil
}
