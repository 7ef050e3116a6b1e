package scheduler

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	"frostgate/db"

	"github.com/google/uuid"
	"github.com/riverqueue/river"
	"github.com/riverqueue/river/rivertype"
)

// The queues, so that slow work of one kind doesn't hold up another.
const (
	queueTick    = "tick"
	queuePull    = "pull"
	queueAssess  = "assess"
	queueDeliver = "deliver"
)

// tickArgs is the moment of a schedule, or one site's wish for it. There is one
// job for it, however many replicas fire.
type tickArgs struct {
	Name string    `json:"name"`
	Slot time.Time `json:"slot"`
	For  uuid.UUID `json:"for,omitzero"`
}

func (tickArgs) Kind() string { return "tick" }

// InsertOpts makes the slot unique, done ones included.
func (tickArgs) InsertOpts() river.InsertOpts {
	return river.InsertOpts{Queue: queueTick, MaxAttempts: 5, UniqueOpts: river.UniqueOpts{ByArgs: true}}
}

// pullArgs asks one source for cells that were claimed.
type pullArgs struct {
	Source    string      `json:"source"`
	CellIDs   []uuid.UUID `json:"cell_ids"`
	ClaimedAt time.Time   `json:"claimed_at,omitzero"`
}

func (pullArgs) Kind() string { return "pull" }

func (pullArgs) InsertOpts() river.InsertOpts {
	return river.InsertOpts{Queue: queuePull, MaxAttempts: 5}
}

// assessArgs has pours assessed anew.
type assessArgs struct {
	PourIDs []uuid.UUID `json:"pour_ids"`
	Cause   cause       `json:"cause"`
}

func (assessArgs) Kind() string { return "assess" }

func (assessArgs) InsertOpts() river.InsertOpts {
	return river.InsertOpts{Queue: queueAssess, MaxAttempts: 25}
}

// cause is what made an assessment.
type cause string

const (
	causeEdit    cause = "edit"
	causeClock   cause = "clock"
	causeWeather cause = "weather"
)

// priority lets somebody who waits for an answer go first.
func (c cause) priority() int {
	switch c {
	case causeEdit:
		return 1
	case causeClock:
		return 2
	default:
		return 3
	}
}

// deliverArgs has what is due to one endpoint sent.
type deliverArgs struct {
	EndpointID uuid.UUID `json:"endpoint_id"`
}

func (deliverArgs) Kind() string { return "deliver" }

func (deliverArgs) InsertOpts() river.InsertOpts {
	return river.InsertOpts{Queue: queueDeliver, MaxAttempts: 25}
}

// oneAtATime keeps a job from being put into the queue while the same one waits
// or runs.
var oneAtATime = river.UniqueOpts{ByArgs: true, ByState: []rivertype.JobState{
	rivertype.JobStateAvailable, rivertype.JobStatePending, rivertype.JobStateRunning, rivertype.JobStateRetryable, rivertype.JobStateScheduled,
}}

// assessTogether is how many pours one job takes: few enough to be done within
// a fraction of a second, since a transaction is open meanwhile.
const assessTogether = 20

// EnqueueAssess has pours assessed anew once tx commits: after an edit of theirs,
// of what they use, or an observation. It costs little when nothing that counts
// has changed.
func (s *Scheduler) EnqueueAssess(ctx context.Context, tx *db.Tx, pourIDs ...uuid.UUID) error {
	return s.enqueueAssess(ctx, tx, causeEdit, pourIDs)
}

func (s *Scheduler) enqueueAssess(ctx context.Context, tx *db.Tx, why cause, pourIDs []uuid.UUID) error {
	var jobs []river.InsertManyParams
	for ids := range slices.Chunk(pourIDs, assessTogether) {
		jobs = append(jobs, river.InsertManyParams{
			Args: assessArgs{PourIDs: ids, Cause: why}, InsertOpts: &river.InsertOpts{Priority: why.priority()},
		})
	}
	return s.insert(ctx, tx, jobs)
}

// EnqueueDeliver has what is due to endpoints sent once tx commits.
func (s *Scheduler) EnqueueDeliver(ctx context.Context, tx *db.Tx, endpointIDs ...uuid.UUID) error {
	jobs := make([]river.InsertManyParams, len(endpointIDs))
	for i, id := range endpointIDs {
		jobs[i] = river.InsertManyParams{Args: deliverArgs{EndpointID: id}}
	}
	return s.insert(ctx, tx, jobs)
}

func (s *Scheduler) insert(ctx context.Context, tx *db.Tx, jobs []river.InsertManyParams) error {
	if len(jobs) == 0 {
		return nil
	}
	if _, err := s.jobs.InsertManyTx(ctx, tx.PGX(), jobs); err != nil {
		return fmt.Errorf("enqueue %s: %w", jobs[0].Args.Kind(), err)
	}
	return nil
}

// retryPolicy is for faults of our own, such as a database that went away: 1 s,
// 2 s, 4 s and so on up to a minute, spread by a fifth.
type retryPolicy struct{}

const longestRetry = time.Minute

func (retryPolicy) NextRetry(job *rivertype.JobRow) time.Time {
	wait := min(longestRetry, time.Second<<min(len(job.Errors), 6))
	return time.Now().Add(time.Duration(float64(wait) * (0.8 + 0.4*rand.Float64()))) //nolint:gosec // no secret
}

// jobErrors logs what the queue is going to try again.
type jobErrors struct{ s *Scheduler }

func (h jobErrors) HandleError(ctx context.Context, job *rivertype.JobRow, err error) *river.ErrorHandlerResult {
	if errors.Is(err, context.Canceled) {
		h.s.log.InfoContext(ctx, "job cut off", "kind", job.Kind, "job", job.ID)
		return nil
	}
	h.s.metrics.jobFailures.WithLabelValues(job.Kind).Inc()
	h.s.log.ErrorContext(ctx, "job failed", "kind", job.Kind, "job", job.ID, "attempt", job.Attempt, "error", err)
	return nil
}

func (h jobErrors) HandlePanic(ctx context.Context, job *rivertype.JobRow, panicVal any, trace string) *river.ErrorHandlerResult {
	h.s.metrics.jobFailures.WithLabelValues(job.Kind).Inc()
	h.s.log.ErrorContext(ctx, "job panicked", "kind", job.Kind, "job", job.ID, "attempt", job.Attempt, "panic", panicVal, "trace", trace)
	return nil
}

// atWork knows the jobs that this replica is at, and those that ended a moment
// ago, whose end the queue may not have stored yet.
type atWork struct {
	mu   sync.Mutex
	jobs map[int64]time.Time // when it ended; zero while it runs
}

// settling is how long the queue may take to store the end of a job.
const settling = 10 * time.Second

// Middleware notes each job's beginning and end.
func (w *atWork) Middleware() rivertype.Middleware {
	return river.WorkerMiddlewareFunc(func(ctx context.Context, job *rivertype.JobRow, work func(context.Context) error) error {
		w.note(job.ID, time.Time{})
		defer func() { w.note(job.ID, time.Now()) }()
		return work(ctx)
	})
}

func (w *atWork) note(id int64, ended time.Time) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.jobs == nil {
		w.jobs = map[int64]time.Time{}
	}
	w.jobs[id] = ended
}

// IDs are the jobs that are nobody's to take.
func (w *atWork) IDs() []int64 {
	w.mu.Lock()
	defer w.mu.Unlock()
	maps.DeleteFunc(w.jobs, func(_ int64, ended time.Time) bool { return !ended.IsZero() && time.Since(ended) > settling })
	return slices.Collect(maps.Keys(w.jobs))
}
