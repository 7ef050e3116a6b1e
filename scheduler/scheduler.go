package scheduler

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"runtime"
	"sync"
	"time"

	"frostgate/db"
	"frostgate/scheduler/alert"
	"frostgate/scheduler/forecast"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/riverqueue/river"
	"github.com/riverqueue/river/riverdriver/riverpgxv5"
	"github.com/riverqueue/river/rivertype"
	"github.com/robfig/cron/v3"
)

// Config sets up a Scheduler. Only DB is required.
type Config struct {
	DB         *db.DB
	Log        *slog.Logger          // nil is silent
	Clock      func() time.Time      // nil is the machine's
	Registerer prometheus.Registerer // nil keeps the metrics to itself
	Sources    []forecast.Source     // of weather; the order of choice is forecast.Order
	Warners    []forecast.Warner     // of official warnings
	Budget     *Budget               // that the sources' client takes turns by; nil when it takes none
	Guard      alert.Guard           // which addresses notices may go to
	Mail       alert.MailServer      // that e-mail goes through
	Agent      string                // User-Agent of notices
	PublicURL  string                // of the board, for links; empty leaves them out
	Members    int                   // of the chance; 0 is 51, less leaves the chance out
	Pace       alert.Pace            // of messages to one endpoint; the zero tells each thing by itself
	SilentFor  time.Duration         // after which a replica counts as dead; default 6 s
}

const (
	usualMembers   = 51
	usualSilentFor = 6 * time.Second
)

// actor is who the scheduler is in the audit.
var actor = db.Actor{Name: "scheduler"}

// A Scheduler is one replica's share of the work.
type Scheduler struct {
	cfg     Config
	db      *db.DB
	log     *slog.Logger
	now     func() time.Time
	replica string
	metrics *metrics
	poster  *alert.Poster
	jobs    *river.Client[pgx.Tx]
	cron    *cron.Cron
	drains  drains
	atWork  atWork

	startedAt time.Time
	stopping  chan struct{} // closed when Stop begins
	stop      context.CancelFunc
	wait      sync.WaitGroup
}

// New makes a scheduler that doesn't run yet. It can enqueue at once.
func New(cfg Config) (*Scheduler, error) {
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	if cfg.Clock == nil {
		cfg.Clock = time.Now
	}
	cfg.Members = cmp.Or(cfg.Members, usualMembers)
	cfg.SilentFor = cmp.Or(cfg.SilentFor, usualSilentFor)
	cfg.Agent = cmp.Or(cfg.Agent, "frostgate")
	s := &Scheduler{cfg: cfg, db: cfg.DB, log: cfg.Log, now: cfg.Clock, replica: newReplicaID(), metrics: newMetrics(), stopping: make(chan struct{})}
	if cfg.Registerer != nil {
		if err := s.metrics.register(cfg.Registerer); err != nil {
			return nil, fmt.Errorf("register metrics of the scheduler: %w", err)
		}
	}
	if cfg.Budget != nil {
		cfg.Budget.serve(s)
	}
	s.poster = alert.NewPoster(alert.PosterConfig{Guard: cfg.Guard, Mail: cfg.Mail, Agent: cfg.Agent, Now: cfg.Clock})
	var err error
	if s.jobs, err = s.newClient(); err != nil {
		return nil, fmt.Errorf("set up job queue: %w", err)
	}
	if s.cron, err = newCron(s.fire); err != nil {
		return nil, err
	}
	return s, nil
}

// newReplicaID is unlike that of any other run of any replica.
func newReplicaID() string {
	host, err := os.Hostname()
	if err != nil {
		host = "unknown"
	}
	return fmt.Sprintf("%.60s-%d-%s", host, os.Getpid(), uuid.NewString()[:8])
}

// Replica is the id that this run goes by in the database.
func (s *Scheduler) Replica() string { return s.replica }

// How quickly jobs are found. A job that is inserted wakes the replicas; the
// polling is for wakes that got lost.
const (
	fetchCooldown = 20 * time.Millisecond
	fetchPoll     = 250 * time.Millisecond
	softStop      = 20 * time.Second
)

func (s *Scheduler) newClient() (*river.Client[pgx.Tx], error) {
	workers := river.NewWorkers()
	for _, err := range []error{
		river.AddWorkerSafely(workers, &tickWorker{s: s}),
		river.AddWorkerSafely(workers, &pullWorker{s: s}),
		river.AddWorkerSafely(workers, &assessWorker{s: s}),
		river.AddWorkerSafely(workers, &deliverWorker{s: s}),
	} {
		if err != nil {
			return nil, err
		}
	}
	return river.NewClient(riverpgxv5.New(s.db.Pool()), &river.Config{
		ID:                s.replica,
		Logger:            s.log,
		Workers:           workers,
		ErrorHandler:      jobErrors{s},
		Middleware:        []rivertype.Middleware{s.atWork.Middleware()},
		RetryPolicy:       retryPolicy{},
		FetchCooldown:     fetchCooldown,
		FetchPollInterval: fetchPoll,
		SoftStopTimeout:   softStop,
		Queues: map[string]river.QueueConfig{
			queueTick:    {MaxWorkers: 2},
			queuePull:    {MaxWorkers: 4},
			queueAssess:  {MaxWorkers: runtime.GOMAXPROCS(0)},
			queueDeliver: {MaxWorkers: 32},
		},
	})
}

// Start begins to work: it makes up for what was missed while no replica ran and
// goes on until Stop. The context only bounds the starting.
func (s *Scheduler) Start(ctx context.Context) error {
	if err := s.db.Beat(ctx, s.replica); err != nil {
		return err
	}
	s.startedAt = s.now()
	run, stop := context.WithCancel(context.WithoutCancel(ctx))
	s.stop = stop
	if err := s.jobs.Start(run); err != nil {
		stop()
		return fmt.Errorf("start job queue: %w", err)
	}
	for _, name := range []string{tickPull, tickWatch} {
		if err := s.tick(ctx, name); err != nil {
			return errors.Join(err, s.Stop(ctx))
		}
	}
	s.wait.Go(func() { s.every(run, beatEvery, s.beat) })
	s.wait.Go(func() { s.every(run, sweepEvery, s.sweep) })
	s.cron.Start()
	return nil
}

// Stop ends in good order: running jobs are finished, or cut off when ctx ends,
// and stay for another replica.
func (s *Scheduler) Stop(ctx context.Context) error {
	if s.stop == nil {
		return nil
	}
	if s.isStopping() {
		return nil
	}
	close(s.stopping)
	<-s.cron.Stop().Done()
	err := s.jobs.Stop(ctx)
	if err != nil {
		cut, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
		defer cancel()
		err = s.jobs.StopAndCancel(cut)
	}
	s.stop()
	s.wait.Wait()
	s.poster.Close()
	bye, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
	defer cancel()
	if left := s.db.Leave(bye, s.replica); left != nil {
		s.log.WarnContext(ctx, "left without a word", "error", left) // the others find out
	}
	if err != nil {
		return fmt.Errorf("stop job queue: %w", err)
	}
	return nil
}

func (s *Scheduler) isStopping() bool {
	select {
	case <-s.stopping:
		return true
	default:
		return false
	}
}

// every does something again and again until ctx ends, beginning at once.
func (s *Scheduler) every(ctx context.Context, period time.Duration, do func(context.Context) error) {
	ticker := time.NewTicker(period)
	defer ticker.Stop()
	for {
		if err := do(ctx); err != nil && ctx.Err() == nil {
			s.log.WarnContext(ctx, "housekeeping failed", "error", err)
		}
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
	}
}

const beatEvery = 2 * time.Second

// beat tells that this replica lives, frees what dead ones were at, and what this
// one is believed to be at and is not.
func (s *Scheduler) beat(ctx context.Context) error {
	if err := s.db.Beat(ctx, s.replica); err != nil {
		return err
	}
	freed, err := s.db.FreeJobs(ctx, s.cfg.SilentFor)
	if freed > 0 {
		s.metrics.freed.Add(float64(freed))
		s.log.WarnContext(ctx, "took over from a replica that fell silent", "jobs", freed)
	}
	if err != nil {
		return err
	}
	lost, err := s.db.FreeLostJobs(ctx, s.replica, s.atWork.IDs(), settling)
	if lost > 0 {
		s.metrics.freed.Add(float64(lost))
		s.log.WarnContext(ctx, "jobs had got lost on the way", "jobs", lost)
	}
	return err
}
