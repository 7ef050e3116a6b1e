package scheduler

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"net/http"
	"slices"
	"sync"
	"time"

	"frostgate/db"
	"frostgate/scheduler/alert"

	"github.com/google/uuid"
	"github.com/riverqueue/river"
)

const (
	claimAtOnce   = 16              // deliveries to one endpoint, for each that it takes at a time
	recordAtOnce  = 64              // attempts
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
	if err := s.dropClaims(ctx, endpointID); err != nil {
		s.drains.leave(endpointID, true)
		return err
	}
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

// dropClaims frees what this replica is believed to be sending to an endpoint: only
// drain claims it, and has just begun.
func (s *Scheduler) dropClaims(ctx context.Context, endpointID uuid.UUID) error {
	return s.db.Tx(ctx, actor, func(tx *db.Tx) error { return tx.DropClaims(ctx, endpointID, s.replica) })
}

// sendDue claims what is due to an endpoint, makes one attempt each, and records
// each as it ends.
func (s *Scheduler) sendDue(ctx context.Context, endpointID uuid.UUID) (int, error) {
	claimed, keys, mailed, err := s.claim(ctx, endpointID)
	if err != nil || len(claimed) == 0 {
		return 0, err
	}
	work := make(chan db.Delivery)
	done := make(chan attempted, len(claimed)) // sending goes on while the ends are recorded
	var senders sync.WaitGroup
	for range min(alert.AtOnce(keys.Kind), len(claimed)) {
		senders.Go(func() {
			for d := range work {
				done <- attempted{d, s.attempt(ctx, d, keys, mailed[d.ID])}
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

// claim takes what is due to an endpoint, with what it takes to send it, and who has
// which mail already. At an endpoint that takes one message at a time only one
// replica is at work.
func (s *Scheduler) claim(ctx context.Context, endpointID uuid.UUID) (claimed []db.Delivery, keys db.Keys, mailed map[uuid.UUID][]string, err error) {
	err = s.db.Tx(ctx, actor, func(tx *db.Tx) error {
		keys, err = tx.EndpointKeys(ctx, endpointID, tx.Now())
		if errors.Is(err, db.ErrNotFound) {
			return nil // deleted meanwhile, and its deliveries with it
		}
		if err != nil {
			return err
		}
		atOnce := alert.AtOnce(keys.Kind)
		if atOnce == 1 {
			if mine, err := tx.TakeTurn(ctx, endpointID, s.replica); err != nil || !mine {
				return err
			}
		}
		claimed, err = tx.ClaimDeliveries(ctx, endpointID, s.replica, claimAtOnce*atOnce, deliveryLease)
		if err != nil || len(claimed) == 0 || keys.Kind != alert.FormMail {
			return err
		}
		mailed, err = tx.MailedTo(ctx, idsOfDeliveries(claimed)...)
		return err
	})
	return claimed, keys, mailed, err
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
	ctx = context.WithoutCancel(ctx)
	return s.db.Tx(ctx, actor, func(tx *db.Tx) error { return tx.Unclaim(ctx, s.replica, idsOfDeliveries(unbegun)...) })
}

func idsOfDeliveries(list []db.Delivery) []uuid.UUID {
	ids := make([]uuid.UUID, len(list))
	for i, d := range list {
		ids[i] = d.ID
	}
	return ids
}

// attempted is a delivery with what came of one attempt.
type attempted struct {
	delivery db.Delivery
	answer   alert.Answer
}

func (s *Scheduler) attempt(ctx context.Context, d db.Delivery, keys db.Keys, mailed []string) alert.Answer {
	a := s.poster.Post(ctx, alert.Message{
		URL: keys.URL, Form: keys.Kind, Secrets: keys.Secrets, ID: d.WebhookID, Attempt: d.Attempts, ContentType: d.ContentType, Body: d.Body,
		Taken: mailed,
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
		for more := true; more && len(together) < recordAtOnce; {
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
	for _, said := range a.answer.Addresses {
		row.Addresses = append(row.Addresses, db.AddressResult(said))
	}
	return row
}

// settle says what an attempt makes of its delivery. At a receiver that is gone
// deliveries stay pending: the endpoint is stopped, and they go out when it works
// again.
func settle(d db.Delivery, a alert.Answer, now time.Time) db.Settle {
	switch a.Outcome {
	case alert.Accepted:
		return db.Settle{State: "accepted", Reason: a.Error} // of a mail that not all took
	case alert.Permanent:
		return db.Settle{State: "dead", Reason: refusal(a)}
	}
	var wish time.Duration
	if a.RetryAfter != nil {
		wish = *a.RetryAfter
	}
	wait, ok := alert.NextAttempt(d.Attempts, rand.Float64(), wish) //nolint:gosec // no secret
	if !ok {
		end := db.Settle{State: "dead", Reason: fmt.Sprintf("given up after %d attempts: %s", d.Attempts, refusal(a))}
		if a.Partly {
			end.State = "accepted"
		}
		return end
	}
	return db.Settle{State: "pending", Reason: refusal(a), NextAttemptAt: new(now.Add(wait))}
}

func refusal(a alert.Answer) string {
	if a.Error != "" {
		return a.Error
	}
	return fmt.Sprintf("the receiver answered %d", a.Status)
}

const (
	failingStops  = 120 * time.Hour  // that an endpoint may only fail before it is stopped
	refusalsStop  = 3                // in a row, by 401 or 403
	supersedeTime = 10 * time.Minute // after which an unsent state gives way to a newer one
)

// markEndpoint notes how an endpoint does and stops one that is gone, that lets us
// in no more, or has only failed for days.
func (s *Scheduler) markEndpoint(ctx context.Context, tx *db.Tx, id uuid.UUID, together []attempted) error {
	accepted := slices.ContainsFunc(together, func(a attempted) bool { return a.answer.Outcome == alert.Accepted || a.answer.Partly })
	since, err := tx.MarkEndpoint(ctx, id, accepted)
	if errors.Is(err, db.ErrNotFound) {
		return nil // deleted meanwhile, and its deliveries with it
	}
	if err != nil {
		return err
	}
	reason, err := whyStop(ctx, tx, id, together, since)
	if err != nil {
		return err
	}
	if reason != "" {
		if err := s.stopEndpoint(ctx, tx, id, reason); err != nil {
			return err
		}
	}
	return announce(ctx, tx, Event{Kind: "delivery", IDs: []uuid.UUID{id}})
}

// whyStop says why an endpoint is to be stopped after some attempts; empty when it
// is not.
func whyStop(ctx context.Context, tx *db.Tx, id uuid.UUID, together []attempted, failingSince *time.Time) (string, error) {
	locked := false
	for _, a := range together {
		if a.answer.Outcome == alert.Gone {
			return fmt.Sprintf("the receiver says that it is gone (%d)", a.answer.Status), nil
		}
		locked = locked || a.answer.Status == http.StatusUnauthorized || a.answer.Status == http.StatusForbidden
	}
	if locked {
		refusals, err := tx.Refusals(ctx, id, refusalsStop)
		if err != nil {
			return "", err
		}
		if refusals == refusalsStop {
			return fmt.Sprintf("the receiver has refused us %d times in a row (401 or 403)", refusals), nil
		}
	}
	if failingSince != nil && tx.Now().Sub(*failingSince) > failingStops {
		return "it has only failed since " + failingSince.UTC().Format("2006-01-02 15:04 UTC"), nil
	}
	return "", nil
}

// sweep gathers what was held, and puts endpoints with due deliveries into the
// queue: retries whose time has come, what waited for an earlier one, and what a
// dead replica left. What a newer state overtook is not sent any more.
func (s *Scheduler) sweep(ctx context.Context) error {
	return errors.Join(s.gather(ctx), s.supersede(ctx), s.enqueueDue(ctx))
}

func (s *Scheduler) supersede(ctx context.Context) error {
	return s.db.Tx(ctx, actor, func(tx *db.Tx) error {
		_, err := tx.SupersedeBlocked(ctx, tx.Now().Add(-supersedeTime))
		return err
	})
}

func (s *Scheduler) enqueueDue(ctx context.Context) error {
	due, err := s.due(ctx, func(tx *db.Tx) ([]uuid.UUID, error) { return tx.DueEndpoints(ctx, tx.Now()) })
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
