package scheduler

import (
	"context"
	"fmt"
	"time"

	"frostgate/db"

	"github.com/google/uuid"
	"github.com/riverqueue/river"
	"github.com/robfig/cron/v3"
)

// The schedules, in UTC: in a zone with clock changes they would skip an hour
// or have it twice.
const (
	tickPull   = "pull"
	tickWarn   = "warn"
	tickWatch  = "watch"
	tickVerify = "verify"
	tickThin   = "thin"
)

var schedules = map[string]string{
	tickPull:   "* * * * *",
	tickWarn:   "* * * * *",
	tickWatch:  "* * * * *",
	tickVerify: "41 * * * *",
	tickThin:   "23 * * * *",
}

// slotGrain is the finest that a schedule can tell.
const slotGrain = time.Minute

// slotOf is the slot that a moment lies in, by which replicas know that they mean
// the same tick.
func slotOf(t time.Time) time.Time { return t.UTC().Truncate(slotGrain) }

// fiveFields has no descriptors: the phase of @every differs between replicas,
// and their slots would not coincide.
var fiveFields = cron.NewParser(cron.Minute | cron.Hour | cron.Dom | cron.Month | cron.Dow)

func newCron(fire func(name string)) (*cron.Cron, error) {
	c := cron.New(cron.WithLocation(time.UTC), cron.WithParser(fiveFields))
	for name, spec := range schedules {
		if _, err := c.AddFunc(spec, func() { fire(name) }); err != nil {
			return nil, fmt.Errorf("schedule %s: %w", name, err)
		}
	}
	return c, nil
}

// fire is called by the clock. A tick that can't be stored is lost; the next one
// makes up for it, since each does all that is due.
func (s *Scheduler) fire(name string) {
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	if err := s.tick(ctx, name); err != nil {
		s.log.WarnContext(ctx, "tick lost", "name", name, "error", err)
	}
}

// tick puts the job of the present slot into the queue, unless another replica
// already has.
func (s *Scheduler) tick(ctx context.Context, name string) error {
	_, err := s.jobs.Insert(ctx, tickArgs{Name: name, Slot: slotOf(s.now())}, nil)
	if err != nil {
		return fmt.Errorf("tick %s: %w", name, err)
	}
	return nil
}

// nudgeGrain keeps one site from asking for its weather again and again.
const nudgeGrain = 10 * time.Second

// nudge has the weather of a site pulled, with all else that is due, without
// waiting for the clock.
func (s *Scheduler) nudge(ctx context.Context, tx *db.Tx, siteID uuid.UUID) error {
	return s.insert(ctx, tx, []river.InsertManyParams{{
		Args: tickArgs{Name: tickPull, Slot: s.now().UTC().Truncate(nudgeGrain), For: siteID},
	}})
}

type tickWorker struct {
	river.WorkerDefaults[tickArgs]
	s *Scheduler
}

// Work does what a schedule stands for.
func (w *tickWorker) Work(ctx context.Context, job *river.Job[tickArgs]) error {
	switch job.Args.Name {
	case tickPull:
		return w.s.claimDue(ctx)
	case tickWarn:
		return w.s.warn(ctx)
	case tickWatch:
		return w.s.watch(ctx)
	case tickVerify:
		return w.s.verify(ctx)
	case tickThin:
		return w.s.thin(ctx)
	}
	return river.JobCancel(fmt.Errorf("no schedule %q", job.Args.Name))
}

// mostThins bounds one tick's thinning; the rest is the next one's.
const mostThins = 50

// thin removes what is too old to keep, a little at a time.
func (s *Scheduler) thin(ctx context.Context) error {
	for range mostThins {
		thinned, err := s.db.Thin(ctx, s.now(), db.Retention{})
		if err != nil || thinned == (db.Thinned{}) {
			return err
		}
	}
	return nil
}

// seedOf gives each record its own constant number.
func seedOf(id uuid.UUID) uint64 {
	var n uint64
	for _, b := range id[8:] {
		n = n<<8 | uint64(b)
	}
	return n
}

// Refresh makes the weather of some sites due, of all sites when none is named,
// and has it pulled once tx commits.
func (s *Scheduler) Refresh(ctx context.Context, tx *db.Tx, siteIDs ...uuid.UUID) error {
	if err := tx.MakeDue(ctx, siteIDs...); err != nil {
		return err
	}
	id, err := uuid.NewV7() // each wish is a job of its own
	if err != nil {
		return fmt.Errorf("make id: %w", err)
	}
	return s.nudge(ctx, tx, id)
}
