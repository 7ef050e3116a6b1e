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

// Host is how an outside host stands with all replicas together.
type Host struct {
	Host        string
	FreeAt      time.Time
	ClosedUntil *time.Time // asked for by the host, or by the breaker
	Breaker     Breaker
	CountedFrom time.Time // start of the minute that is being counted
	Calls       int       // told of in it
	Failures    int       // of them
	SkewS       *float64  // seconds by which its clock was last ahead of ours; nil when it never said
}

// Breaker is the state of a host's breaker.
type Breaker string

// The states. Open lets nobody call; after a rest one call tries the host, and
// its outcome shuts the breaker or opens it again.
const (
	BreakerShut   Breaker = "shut"
	BreakerOpen   Breaker = "open"
	BreakerTrying Breaker = "trying"
)

// When the breaker opens: half of at least 20 calls within a minute failed.
const (
	breakerWindow = time.Minute
	breakerCalls  = 20
	breakerRest   = time.Minute // also how long a trying call may take before another may try
)

// Times before year 1 would not fit.
const hostColumns = `host, greatest(free_at, '0001-01-01Z') as free_at, closed_until, breaker,
	greatest(counted_from, '0001-01-01Z') as counted_from, calls, failures, skew_s`

const (
	ensureHost = `insert into hosts (host, free_at) values (@host, '-infinity') on conflict (host) do nothing`
	lockHost   = `select ` + hostColumns + ` from hosts where host = @host for update`
	saveHost   = `
		update hosts set free_at = @free_at, closed_until = @closed_until, breaker = @breaker, counted_from = @counted_from,
			calls = @calls, failures = @failures, skew_s = @skew_s
		where host = @host`
	selectHosts = `select ` + hostColumns + ` from hosts order by host`
)

// Hosts tells how the outside hosts stand.
func (r reads) Hosts(ctx context.Context) ([]Host, error) {
	hosts, err := many[Host](ctx, r.q, selectHosts)
	if err != nil {
		return nil, fmt.Errorf("load hosts: %w", err)
	}
	return hosts, nil
}

// host runs a change of a host's row, alone among all replicas.
func (d *DB) host(ctx context.Context, host string, change func(h *Host, now time.Time)) error {
	return d.Tx(ctx, Actor{}, func(tx *Tx) error {
		if _, err := run(ctx, tx.q, ensureHost, args{"host": host}); err != nil {
			return err
		}
		h, err := one[Host](ctx, tx.q, lockHost, args{"host": host})
		if err != nil {
			return err
		}
		change(&h, tx.now)
		_, err = run(ctx, tx.q, saveHost, record(h))
		return err
	})
}

// TakeTurn reserves a call of a host and gives the wait before it: 0 is now. A
// wait beyond the rate's patience reserves nothing: come back then. So it is
// while the host's breaker is open; the first to come after its rest tries the
// host, and the others wait for what comes of it.
func (d *DB) TakeTurn(ctx context.Context, host string, r Rate) (time.Duration, error) {
	var wait time.Duration
	err := d.host(ctx, host, func(h *Host, now time.Time) { wait = h.takeTurn(r, now) })
	if err != nil {
		return 0, fmt.Errorf("take turn at %s: %w", host, err)
	}
	return wait, nil
}

// takeTurn is the generic cell rate algorithm: FreeAt is when the host will have
// made up for all calls reserved.
func (h *Host) takeTurn(r Rate, now time.Time) time.Duration {
	start := now
	if h.ClosedUntil != nil && h.ClosedUntil.After(start) {
		start = *h.ClosedUntil
	}
	if h.Breaker != BreakerShut && start.After(now) {
		return max(start.Sub(now), r.Patience+time.Second)
	}
	free := h.FreeAt
	if rested := start.Add(-time.Duration(max(r.Burst, 1)-1) * r.Every); free.Before(rested) {
		free = rested
	}
	if free.After(start) {
		start = free
	}
	wait := start.Sub(now)
	if wait > r.Patience {
		return wait
	}
	h.FreeAt = free.Add(r.Every)
	if h.Breaker != BreakerShut {
		h.Breaker, h.ClosedUntil = BreakerTrying, new(start.Add(breakerRest))
	}
	return wait
}

// Told is what a call of a host came to.
type Told struct {
	Failed bool     // the host gave no usable answer
	SkewS  *float64 // by how many seconds its clock is ahead; nil when it did not say
}

// TellHost counts what a call came to, and opens or shuts the host's breaker. It
// gives the breaker's state before and after.
func (d *DB) TellHost(ctx context.Context, host string, t Told) (before, after Breaker, err error) {
	err = d.host(ctx, host, func(h *Host, now time.Time) {
		before = h.Breaker
		h.tell(t, now)
		after = h.Breaker
	})
	if err != nil {
		return "", "", fmt.Errorf("tell of a call of %s: %w", host, err)
	}
	return before, after, nil
}

func (h *Host) tell(t Told, now time.Time) {
	if t.SkewS != nil {
		h.SkewS = t.SkewS
	}
	switch {
	case h.Breaker == BreakerOpen: // of a call made before
		return
	case h.Breaker == BreakerTrying && t.Failed:
		h.rest(now)
		return
	case h.Breaker == BreakerTrying:
		h.Breaker, h.ClosedUntil = BreakerShut, nil
		h.CountedFrom, h.Calls, h.Failures = now, 0, 0
		return
	}
	if now.Sub(h.CountedFrom).Abs() >= breakerWindow {
		h.CountedFrom, h.Calls, h.Failures = now, 0, 0
	}
	h.Calls++
	if t.Failed {
		h.Failures++
	}
	if h.Calls >= breakerCalls && 2*h.Failures >= h.Calls {
		h.rest(now)
	}
}

// rest opens the breaker.
func (h *Host) rest(now time.Time) {
	h.Breaker, h.Calls, h.Failures = BreakerOpen, 0, 0
	if until := now.Add(breakerRest); h.ClosedUntil == nil || h.ClosedUntil.Before(until) {
		h.ClosedUntil = &until
	}
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
