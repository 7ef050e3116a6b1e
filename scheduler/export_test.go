package scheduler

import (
	"context"
	"encoding/json"
	"errors"
	"slices"
	"time"

	"frostgate/db"
	"frostgate/scheduler/forecast"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// Verify compares forecasts with measurements now, without waiting for the clock.
func (s *Scheduler) Verify(ctx context.Context) error { return s.verify(ctx) }

// Warn asks for warnings now.
func (s *Scheduler) Warn(ctx context.Context) error { return s.warn(ctx) }

// ClaimDue links sites and queues what is due now.
func (s *Scheduler) ClaimDue(ctx context.Context) error { return s.claimDue(ctx) }

// Watch looks at pours and sources now.
func (s *Scheduler) Watch(ctx context.Context) error { return s.watch(ctx) }

// Fire does what a schedule stands for, now.
func Fire(ctx context.Context, s *Scheduler, name string) error {
	switch name {
	case tickPull:
		return s.claimDue(ctx)
	case tickWarn:
		return s.warn(ctx)
	case tickWatch:
		return s.watch(ctx)
	case tickVerify:
		return s.verify(ctx)
	}
	return s.tick(ctx, name)
}

// PullNow asks a source for its cells that are due, here and now.
func (s *Scheduler) PullNow(ctx context.Context, name string) error {
	i := slices.IndexFunc(s.cfg.Sources, func(f forecast.Source) bool { return f.About().Name == name })
	source := s.cfg.Sources[i]
	if err := s.linkSites(ctx, source); err != nil {
		return err
	}
	var cells []db.Cell
	err := s.db.Tx(ctx, actor, func(tx *db.Tx) (err error) {
		cells, err = tx.ClaimCells(ctx, name, claimTogether, claimLease)
		return err
	})
	cells = slices.DeleteFunc(cells, func(c db.Cell) bool { return c.Key == outsideKey })
	if err != nil || len(cells) == 0 {
		return err
	}
	return s.pull(ctx, source, cells)
}

// PullFrom asks any source for some cells.
func (s *Scheduler) PullFrom(ctx context.Context, source forecast.Source, cells ...db.Cell) error {
	return s.pull(ctx, source, cells)
}

// AssessNow assesses pours here and now.
func (s *Scheduler) AssessNow(ctx context.Context, ids ...uuid.UUID) error {
	return s.assess(ctx, causeClock, ids)
}

// WeatherNow is the weather of a site that an assessment would be given, and its
// age in a word.
func (s *Scheduler) WeatherNow(ctx context.Context, siteID uuid.UUID, start time.Time) (w Weather, age string, err error) {
	err = s.db.Tx(ctx, actor, func(tx *db.Tx) error {
		site, err := tx.Site(ctx, db.Scope{}, siteID)
		if err != nil {
			return err
		}
		desk, err := s.openWeather(ctx, tx, s.now(), db.Firm{}, []db.PourInput{{Site: site}})
		if err != nil {
			return err
		}
		w, err = desk.at(ctx, siteID, start)
		return err
	})
	return w, string(w.Age), err
}

// WorkPull does the oldest pull job that waits in the queue, as a worker would;
// not ok when there is none.
func (s *Scheduler) WorkPull(ctx context.Context) (ok bool, err error) {
	var text []byte
	err = s.db.Pool().QueryRow(ctx, "delete from river_job where id = (select min(id) from river_job where kind = 'pull') returning args").Scan(&text)
	if errors.Is(err, pgx.ErrNoRows) {
		return false, nil
	}
	var args pullArgs
	if err = errors.Join(err, json.Unmarshal(text, &args)); err != nil {
		return false, err
	}
	i := slices.IndexFunc(s.cfg.Sources, func(f forecast.Source) bool { return f.About().Name == args.Source })
	return true, s.pullJob(ctx, s.cfg.Sources[i], args)
}

// SleepBy has waits for a turn done by a clock of the test's.
func (b *Budget) SleepBy(sleep func(context.Context, time.Duration) error) { b.sleep = sleep }

// GatherNow makes messages of what was held and is due.
func (s *Scheduler) GatherNow(ctx context.Context) error { return s.gather(ctx) }
