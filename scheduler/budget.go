package scheduler

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"frostgate/db"
	"frostgate/scheduler/forecast"
)

// A Budget shares the calls that a weather host allows between all replicas, and
// a breaker for hosts that fail. Its Turn and Observe go into the configuration
// of the forecast client.
type Budget struct {
	db    *db.DB
	sleep func(ctx context.Context, d time.Duration) error

	mu      sync.Mutex
	log     *slog.Logger
	metrics *metrics
	rates   map[string]forecast.Rate
	skewed  map[string]bool // hosts whose clock is known to be off
}

// NewBudget makes a budget that is kept in a database.
func NewBudget(d *db.DB) *Budget {
	return &Budget{
		db: d, sleep: sleep, log: slog.New(slog.DiscardHandler), metrics: newMetrics(),
		rates: map[string]forecast.Rate{}, skewed: map[string]bool{},
	}
}

func sleep(ctx context.Context, d time.Duration) error {
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(d):
		return nil
	}
}

// Of a host that no source speaks for: one call a second, a few at once.
var usualRate = forecast.Rate{Every: time.Second, Burst: 5}

// patience is how long a call waits for its turn.
const patience = 20 * time.Second

// serve takes in what a scheduler's sources say of their hosts, and reports to it.
func (b *Budget) serve(s *Scheduler) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.log, b.metrics = s.log, s.metrics
	for _, about := range s.Weather() {
		if about.Rate.Every > 0 {
			b.rates[about.Host] = about.Rate
		}
	}
}

func abouts(sources []forecast.Source, warners []forecast.Warner) []forecast.About {
	var all []forecast.About
	for _, s := range sources {
		all = append(all, s.About())
	}
	for _, w := range warners {
		all = append(all, w.About())
	}
	return all
}

// Turn waits until a host may be called. When that would take long, or the host
// has asked to be left alone, it is an error that says how long.
func (b *Budget) Turn(ctx context.Context, host string) error {
	b.mu.Lock()
	rate, ok := b.rates[host]
	b.mu.Unlock()
	if !ok {
		rate = usualRate
	}
	wait, err := b.db.TakeTurn(ctx, host, db.Rate{Every: rate.Every, Burst: rate.Burst, Patience: patience})
	switch {
	case err != nil:
		return err
	case wait > patience:
		return &forecast.Error{Retry: true, After: wait, Reason: "the host is resting", Err: errResting}
	case wait == 0:
		return nil
	}
	if err := b.sleep(ctx, wait); err != nil {
		return fmt.Errorf("wait for a turn at %s: %w", host, err)
	}
	return nil
}

// skewTold is how far a host's clock may be off without a word.
const skewTold = 2 * time.Minute

// Observe counts what a call came to: for the metrics, for the host's breaker,
// and to tell once of a clock that is off.
func (b *Budget) Observe(ctx context.Context, c forecast.Call) {
	b.mu.Lock()
	log, m := b.log, b.metrics
	off := c.Skew != nil && c.Skew.Abs() > skewTold
	news := off && !b.skewed[c.Host]
	if c.Skew != nil {
		b.skewed[c.Host] = off
	}
	b.mu.Unlock()
	m.countCall(c)
	told := db.Told{Failed: c.Failed}
	if c.Skew != nil {
		told.SkewS = new(c.Skew.Seconds())
	}
	if news {
		log.WarnContext(ctx, "clocks disagree: the host's or this machine's is wrong", "host", c.Host, "ahead", *c.Skew)
	}
	before, after, err := b.db.TellHost(ctx, c.Host, told)
	if err != nil {
		log.WarnContext(ctx, "call not counted", "host", c.Host, "error", err)
		return
	}
	m.hostOpen.WithLabelValues(c.Host).Set(map[bool]float64{true: 1}[after == db.BreakerOpen])
	if before != after && after == db.BreakerOpen {
		log.WarnContext(ctx, "weather host fails and is left alone for a while", "host", c.Host)
	}
}

// errResting marks a call that was never made.
var errResting = errors.New("no call made")

// Weather tells of the services that weather and warnings come from, with the
// credit that each asks for beside its data.
func (s *Scheduler) Weather() []forecast.About { return abouts(s.cfg.Sources, s.cfg.Warners) }
