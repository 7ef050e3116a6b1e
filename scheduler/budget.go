package scheduler

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"frostgate/db"
	"frostgate/scheduler/forecast"
)

// A Budget shares the calls that a weather host allows between all replicas.
// Its Turn goes into the configuration of the forecast client.
type Budget struct {
	db    *db.DB
	mu    sync.Mutex
	rates map[string]forecast.Rate
}

// NewBudget makes a budget that is kept in a database.
func NewBudget(d *db.DB) *Budget {
	return &Budget{db: d, rates: map[string]forecast.Rate{}}
}

// Of a host that no source speaks for: one call a second, a few at once.
var usualRate = forecast.Rate{Every: time.Second, Burst: 5}

// patience is how long a call waits for its turn.
const patience = 20 * time.Second

// learn takes in what the sources say of their hosts.
func (b *Budget) learn(sources []forecast.Source, warners []forecast.Warner) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, about := range abouts(sources, warners) {
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
	select {
	case <-ctx.Done():
		return fmt.Errorf("wait for a turn at %s: %w", host, ctx.Err())
	case <-time.After(wait):
		return nil
	}
}

// errResting marks a call that was never made.
var errResting = errors.New("no call made")

// Weather tells of the services that weather and warnings come from, with the
// credit that each asks for beside its data.
func (s *Scheduler) Weather() []forecast.About { return abouts(s.cfg.Sources, s.cfg.Warners) }
