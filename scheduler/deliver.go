package scheduler

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"time"

	"frostgate/db"
	"frostgate/scheduler/alert"

	"github.com/google/uuid"
	"github.com/riverqueue/river"
)

const (
	sendTogether  = 4               // attempts at one endpoint at once, by one replica
	claimAtOnce   = 64              // deliveries to one endpoint
	deliveryLease = 5 * time.Minute // longer than all claimed at once can take; a dead replica's are freed sooner
	drainTime     = 2 * time.Minute // of one job; the next goes on
	sweepEvery    = time.Second     // how late a retry may be
	deliverLimit  = drainTime + deliveryLease
)

type deliverWorker struct {
	river.WorkerDefaults[deliverArgs]
	s *Scheduler
}

func (w *deliverWorker) Timeout(*river.Job[deliverArgs]) time.Duration { return deliverLimit }

// Work sends what is due to an endpoint until nothing is.
func (w *deliverWorker) Work(ctx context.Context, job *river.Job[deliverArgs]) error {
	return w.s.drain(ctx, job.Args.EndpointID)
}

// drains remembers which endpoints this replica is sending to, so that a dead
// one holds one worker and not all.
type drains struct {
	mu      sync.Mutex
	running map[uuid.UUID]bool // true: look once more before you stop
}

// enter reports whether nobody was at the endpoint; else who is will look once
// more.
func (d *drains) enter(id uuid.UUID) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	if _, busy := d.running[id]; busy {
		d.running[id] = true
		return false
	}
	if d.running == nil {
		d.running = map[uuid.UUID]bool{}
	}
	d.running[id] = false
	return true
}

// leave reports whether to go on because somebody asked meanwhile.
func (d *drains) leave(id uuid.UUID, whatever bool) (again bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.running[id] && !whatever {
		d.running[id] = false
		return true
	}
	delete(d.running, id)
	return false
}

func (s *Scheduler) drain(ctx context.Context, endpointID uuid.UUID) error {
	if !s.drains.enter(endpointID) {
		return nil
	}
	began := time.Now()
	for {
		sent, err := s.sendDue(ctx, endpointID)
		if err != nil || time.Since(began) > drainTime || s.isStopping() {
			s.drains.leave(endpointID, true)
			return err
		}
		if sent == 0 && !s.drains.leave(endpointID, false) {
			return nil
		}
	}
}

// sendDue claims what is due to an endpoint, makes one attempt each, and records
// each as it ends.
func (s *Scheduler) sendDue(ctx context.Context, endpointID uuid.UUID) (int, error) {
	var claimed []db.Delivery
	var keys db.Keys
	err := s.db.Tx(ctx, actor, func(tx *db.Tx) error {
		err := tx.DropClaims(ctx, endpointID, s.replica) // only this place claims them, and it has none
		if err != nil {
			return err
		}
		if claimed, err = tx.ClaimDeliveries(ctx, endpointID, s.replica, claimAtOnce, deliveryLease); err != nil || len(claimed) == 0 {
			return err
		}
		keys, err = tx.EndpointKeys(ctx, endpointID, tx.Now())
		return err
	})
	if err != nil || len(claimed) == 0 {
		return 0, err
	}
	work := make(chan db.Delivery)
	done := make(chan attempted, len(claimed)) // sending goes on while the ends are recorded
	var senders sync.WaitGroup
	for range min(sendTogether, len(claimed)) {
		senders.Go(func() {
			for d := range work {
				done <- attempted{d, s.attempt(ctx, d, keys)}
			}
		})
	}
	begun := make(chan int, 1)
	go func() {
		begun <- s.feed(ctx, claimed, work)
		senders.Wait()
		close(done)
	}()
	err = s.recordAll(ctx, endpointID, done)
	return len(claimed), errors.Join(err, s.giveBack(ctx, claimed[<-begun:]))
}

// feed hands out deliveries until all are begun or this replica stops, and says
// how many were.
func (s *Scheduler) feed(ctx context.Context, claimed []db.Delivery, work chan<- db.Delivery) int {
	defer close(work)
	for i, d := range claimed {
		select {
		case <-s.stopping:
			return i
		case <-ctx.Done():
			return i
		case work <- d:
		}
	}
	return len(claimed)
}

// giveBack frees deliveries that were claimed and not begun.
func (s *Scheduler) giveBack(ctx context.Context, unbegun []db.Delivery) error {
	if len(unbegun) == 0 {
		return nil
	}
	ids := make([]uuid.UUID, len(unbegun))
	for i, d := range unbegun {
		ids[i] = d.ID
	}
	ctx = context.WithoutCancel(ctx)
	return s.db.Tx(ctx, actor, func(tx *db.Tx) error { return tx.Unclaim(ctx, s.replica, ids...) })
}

// attempted is a delivery with what came of one attempt.
type attempted struct {
	delivery db.Delivery
	answer   alert.Answer
}

func (s *Scheduler) attempt(ctx context.Context, d db.Delivery, keys db.Keys) alert.Answer {
	a := s.poster.Post(ctx, alert.Message{
		URL: keys.URL, Form: keys.Kind, Secrets: keys.Secrets, ID: d.WebhookID, Attempt: d.Attempts, ContentType: d.ContentType, Body: d.Body,
	})
	s.metrics.attempts.WithLabelValues(string(a.Outcome)).Inc()
	if d.Attempts == 1 {
		s.metrics.firstAttempt.Observe(a.At.Sub(d.CreatedAt).Seconds())
	}
	return a
}

// recordAll records attempts as they end, those that ended meanwhile together.
func (s *Scheduler) recordAll(ctx context.Context, endpointID uuid.UUID, done <-chan attempted) error {
	// What was sent is recorded even while stopping: else it is sent again.
	ctx = context.WithoutCancel(ctx)
	var all error
	for first := range done {
		together := []attempted{first}
		for more := true; more && len(together) < claimAtOnce; {
			select {
			case next, ok := <-done:
				if more = ok; ok {
					together = append(together, next)
				}
			default:
				more = false
			}
		}
		all = errors.Join(all, s.recordStubbornly(ctx, endpointID, together))
	}
	return all
}

// recordPatience is how long a database that went away is waited for: what was
// sent and is not recorded is sent again.
const recordPatience = 15 * time.Second

func (s *Scheduler) recordStubbornly(ctx context.Context, endpointID uuid.UUID, together []attempted) error {
	began, pause := time.Now(), 50*time.Millisecond
	for {
		err := s.record(ctx, endpointID, together)
		if err == nil || time.Since(began) > recordPatience {
			return err
		}
		time.Sleep(pause)
		pause = min(2*pause, time.Second)
	}
}

func (s *Scheduler) record(ctx context.Context, endpointID uuid.UUID, together []attempted) error {
	return s.db.Tx(ctx, actor, func(tx *db.Tx) error {
		list := make([]db.Recorded, len(together))
		for i, a := range together {
			list[i] = db.Recorded{Attempt: s.rowOf(a), Settle: settle(a.delivery, a.answer, tx.Now())}
		}
		counted, err := tx.RecordAttempts(ctx, list)
		if err != nil {
			return err
		}
		if late := len(list) - len(counted); late > 0 {
			s.log.WarnContext(ctx, "attempts came too late to count", "endpoint", endpointID, "attempts", late)
		}
		return s.markEndpoint(ctx, tx, endpointID, together)
	})
}

func (s *Scheduler) rowOf(a attempted) db.Attempt {
	row := db.Attempt{
		DeliveryID: a.delivery.ID, Number: a.delivery.Attempts, At: a.answer.At, DurationMS: int(a.answer.Took.Milliseconds()),
		Outcome: string(a.answer.Outcome), Error: a.answer.Error, Response: a.answer.Response, Replica: s.replica,
	}
	if a.answer.Status != 0 {
		row.Status = &a.answer.Status
	}
	if a.answer.RetryAfter != nil {
		row.RetryAfterS = new(a.answer.RetryAfter.Seconds())
	}
	return row
}

// settle says what an attempt makes of its delivery. At a receiver that is gone
// deliveries stay pending: the endpoint is stopped, and they go out when it works
// again.
func settle(d db.Delivery, a alert.Answer, now time.Time) db.Settle {
	switch a.Outcome {
	case alert.Accepted:
		return db.Settle{State: "accepted"}
	case alert.Permanent:
		return db.Settle{State: "dead", Reason: refusal(a)}
	}
	var wish time.Duration
	if a.RetryAfter != nil {
		wish = *a.RetryAfter
	}
	wait, ok := alert.NextAttempt(d.Attempts, rand.Float64(), wish) //nolint:gosec // no secret
	if !ok {
		return db.Settle{State: "dead", Reason: fmt.Sprintf("given up after %d attempts: %s", d.Attempts, refusal(a))}
	}
	return db.Settle{State: "pending", Reason: refusal(a), NextAttemptAt: new(now.Add(wait))}
}

func refusal(a alert.Answer) string {
	if a.Status != 0 {
		return fmt.Sprintf("the receiver answered %d", a.Status)
	}
	return a.Error
}

// failingStops is how long an endpoint may only fail before it is stopped.
const failingStops = 120 * time.Hour

// markEndpoint notes how an endpoint does and stops one that is gone, or has
// only failed for days.
func (s *Scheduler) markEndpoint(ctx context.Context, tx *db.Tx, id uuid.UUID, together []attempted) error {
	accepted, gone := false, false
	for _, a := range together {
		accepted = accepted || a.answer.Outcome == alert.Accepted
		gone = gone || a.answer.Outcome == alert.Gone
	}
	since, err := tx.MarkEndpoint(ctx, id, accepted)
	if errors.Is(err, db.ErrNotFound) {
		return nil // deleted meanwhile, and its deliveries with it
	}
	if err != nil {
		return err
	}
	reason := ""
	switch {
	case gone:
		reason = "the receiver says that it is gone (410)"
	case since != nil && tx.Now().Sub(*since) > failingStops:
		reason = "it has only failed since " + since.UTC().Format("2006-01-02 15:04 UTC")
	}
	if reason != "" {
		stopped, err := tx.DisableEndpoint(ctx, id, reason)
		if err != nil {
			return err
		}
		if stopped {
			s.log.WarnContext(ctx, "endpoint stopped", "endpoint", id, "reason", reason)
		}
	}
	return announce(ctx, tx, Event{Kind: "delivery", IDs: []uuid.UUID{id}})
}

// eventTest is a message that says nothing, to see whether it arrives.
const eventTest = "endpoint.test"

// TryEndpoint makes one call to an endpoint, as people do before they rely on it,
// and gives its answer. Nothing is stored.
func (s *Scheduler) TryEndpoint(ctx context.Context, id uuid.UUID) (alert.Answer, error) {
	keys, err := s.db.EndpointKeys(ctx, id, s.now())
	if err != nil {
		return alert.Answer{}, err
	}
	e := alert.Event{
		Type: eventTest, ID: uuid.New(), At: s.now().UTC().Truncate(time.Second),
		Text: "This is a test of frostgate. Nothing is wrong.",
	}
	contentType, body, err := alert.Write(&e, keys.Kind, "")
	if err != nil {
		return alert.Answer{}, err
	}
	return s.poster.Post(ctx, alert.Message{
		URL: keys.URL, Form: keys.Kind, Secrets: keys.Secrets, ID: "msg_" + e.ID.String(), Attempt: 1, ContentType: contentType, Body: body,
	}), nil
}

// sweep gathers what was held, and puts endpoints with due deliveries into the
// queue: retries whose time has come, what waited for an earlier one, and what a
// dead replica left.
func (s *Scheduler) sweep(ctx context.Context) error {
	return errors.Join(s.gather(ctx), s.enqueueDue(ctx))
}

func (s *Scheduler) enqueueDue(ctx context.Context) error {
	due, err := s.db.DueEndpoints(ctx, s.now())
	if err != nil || len(due) == 0 {
		return err
	}
	jobs := make([]river.InsertManyParams, len(due))
	for i, id := range due {
		jobs[i] = river.InsertManyParams{Args: deliverArgs{EndpointID: id}, InsertOpts: &river.InsertOpts{UniqueOpts: oneAtATime}}
	}
	if _, err := s.jobs.InsertMany(ctx, jobs); err != nil {
		return fmt.Errorf("enqueue due deliveries: %w", err)
	}
	return nil
}
