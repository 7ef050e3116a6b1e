package db_test

import (
	"context"
	"testing"
	"time"

	"frostgate/db"
	"frostgate/db/dbtest"

	"github.com/riverqueue/river"
	"github.com/riverqueue/river/riverdriver/riverpgxv5"
	"github.com/stretchr/testify/require"
)

type chore struct{}

func (chore) Kind() string { return "chore" }

type choreWorker struct {
	river.WorkerDefaults[chore]
	done chan *river.Job[chore]
}

func (w *choreWorker) Work(_ context.Context, job *river.Job[chore]) error {
	w.done <- job
	return nil
}

// insertRunning stores a job as one that a replica is at, on its last attempt.
const insertRunning = `
insert into river_job (kind, args, state, attempt, max_attempts, attempted_at, attempted_by)
values ('chore', '{}', 'running', 3, 3, now() - interval '1 second', array['earlier', $1]) returning id`

// The job of a replica that fell silent is done by another; the job of one that
// lives, or of one that left, is let be.
func TestFreeJobs(t *testing.T) {
	t.Parallel()
	b := setup(t)
	var dead, alive int64
	require.NoError(t, b.Pool().QueryRow(b.ctx, insertRunning, "dead").Scan(&dead))
	require.NoError(t, b.Pool().QueryRow(b.ctx, insertRunning, "alive").Scan(&alive))
	held := b.deliver(b.raise(b.pour("p", monday), "k"), b.endpoint("e"))
	_, claimed := b.claimAs(held, "dead", time.Hour)
	require.True(t, claimed)
	require.NoError(t, b.Beat(b.ctx, "dead"))
	require.NoError(t, b.Beat(b.ctx, "left"))
	require.NoError(t, b.Leave(b.ctx, "left"))
	require.NoError(t, b.Beat(b.ctx, "alive"))
	_, err := b.Pool().Exec(b.ctx, "update replicas set seen_at = seen_at - interval '1 hour' where id <> 'alive'")
	require.NoError(t, err)

	for _, want := range []int64{1, 0} {
		n, err := b.FreeJobs(b.ctx, 30*time.Minute)
		require.NoError(t, err)
		require.Equal(t, want, n)
	}

	_, claimed = b.claimAs(held, "alive", time.Hour)
	require.True(t, claimed) // the lease went with its holder

	w := &choreWorker{done: make(chan *river.Job[chore], 2)}
	workers := river.NewWorkers()
	river.AddWorker(workers, w)
	client, err := river.NewClient(riverpgxv5.New(b.Pool()), &river.Config{
		ID: "next", Workers: workers, Queues: map[string]river.QueueConfig{river.QueueDefault: {MaxWorkers: 2}},
		FetchPollInterval: 100 * time.Millisecond,
	})
	require.NoError(t, err)
	require.NoError(t, client.Start(b.ctx))
	select {
	case job := <-w.done:
		require.Equal(t, dead, job.ID)
		require.Equal(t, 4, job.Attempt)
		require.Contains(t, job.Errors[0].Error, "dead fell silent")
	case <-time.After(2 * time.Minute):
		require.Fail(t, "the freed job was not done")
	}
	require.NoError(t, client.Stop(b.ctx))
	var state string
	require.NoError(t, b.Pool().QueryRow(b.ctx, "select state from river_job where id = $1", alive).Scan(&state))
	require.Equal(t, "running", state)
}

// A host's calls keep their distance: a burst after a rest, then one each
// interval, whoever makes them (the generic cell rate algorithm, ITU-T I.371).
func TestTakeTurn(t *testing.T) {
	t.Parallel()
	b := setup(t)
	rate := db.Rate{Every: time.Hour, Burst: 3, Patience: 90 * time.Minute}
	about := func(want time.Duration) {
		t.Helper()
		wait, err := b.TakeTurn(b.ctx, "api.example.net", rate)
		require.NoError(t, err)
		require.InDelta(t, want.Seconds(), wait.Seconds(), 5)
	}
	about(0)
	about(0)
	about(0)
	about(time.Hour)
	about(2 * time.Hour) // beyond patience: not reserved
	about(2 * time.Hour)

	wait, err := b.TakeTurn(b.ctx, "other.example.net", rate)
	require.NoError(t, err)
	require.Zero(t, wait)

	require.NoError(t, b.CloseHost(b.ctx, "other.example.net", time.Now().Add(30*time.Minute)))
	require.NoError(t, b.CloseHost(b.ctx, "other.example.net", time.Now().Add(time.Minute))) // never sooner
	wait, err = b.TakeTurn(b.ctx, "other.example.net", rate)
	require.NoError(t, err)
	require.InDelta(t, (30 * time.Minute).Seconds(), wait.Seconds(), 5)
	require.NoError(t, b.CloseHost(b.ctx, "new.example.net", time.Now().Add(time.Hour)))
	wait, err = b.TakeTurn(b.ctx, "new.example.net", rate)
	require.NoError(t, err)
	require.InDelta(t, time.Hour.Seconds(), wait.Seconds(), 5)
}

// Half of twenty calls that fail within a minute open the breaker for all
// replicas; then one call tries the host, and what comes of it decides.
func TestBreaker(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 1, 12, 13, 0, 0, 0, time.UTC)
	b := setupOn(t, dbtest.Open(t, db.Config{Conn: dbtest.NewConn(t), Clock: func() time.Time { return now }}))
	rate := db.Rate{Every: time.Second, Burst: 100, Patience: 20 * time.Second}
	tell := func(failed bool) db.Breaker {
		_, after, err := b.TellHost(b.ctx, "h", db.Told{Failed: failed})
		require.NoError(t, err)
		return after
	}
	wait := func() time.Duration {
		w, err := b.TakeTurn(b.ctx, "h", rate)
		require.NoError(t, err)
		return w
	}
	for range 30 { // one in three fails, over a minute and a half
		now = now.Add(3 * time.Second)
		require.Equal(t, db.BreakerShut, tell(false))
		tell(false)
		require.Equal(t, db.BreakerShut, tell(true))
	}
	now = now.Add(2 * time.Minute)
	for range 10 {
		require.Equal(t, db.BreakerShut, tell(false))
	}
	for range 9 {
		require.Equal(t, db.BreakerShut, tell(true), "fewer than half")
	}
	require.Equal(t, db.BreakerOpen, tell(true), "ten of twenty")
	require.Equal(t, time.Minute, wait())
	require.Equal(t, db.BreakerOpen, tell(false), "of a call that was under way")
	now = now.Add(50 * time.Second)
	require.Greater(t, wait(), rate.Patience, "nobody waits in line for its end")
	now = now.Add(10 * time.Second)
	require.Zero(t, wait(), "one tries")
	require.Greater(t, wait(), rate.Patience, "and no other")
	require.Equal(t, db.BreakerOpen, tell(true))
	require.Greater(t, wait(), rate.Patience)
	now = now.Add(time.Minute)
	require.Zero(t, wait())
	now = now.Add(time.Minute) // it never told
	require.Zero(t, wait(), "another tries")
	require.Equal(t, db.BreakerShut, tell(false))
	require.Zero(t, wait())
	require.Zero(t, wait(), "all may again")

	_, _, err := b.TellHost(b.ctx, "h", db.Told{SkewS: new(-130.0)})
	require.NoError(t, err)
	hosts, err := b.Hosts(b.ctx)
	require.NoError(t, err)
	require.Len(t, hosts, 1)
	require.InDelta(t, -130, *hosts[0].SkewS, 1e-9)
	require.Equal(t, db.BreakerShut, hosts[0].Breaker)
}

// Many at once share the burst without one too many.
func TestTakeTurnAtOnce(t *testing.T) {
	t.Parallel()
	b := setup(t)
	waits := make(chan time.Duration, 20)
	for range cap(waits) {
		go func() {
			wait, err := b.TakeTurn(b.ctx, "h", db.Rate{Every: time.Hour, Burst: 5})
			if err != nil {
				t.Error(err)
			}
			waits <- wait
		}()
	}
	now := 0
	for range cap(waits) {
		if <-waits == 0 {
			now++
		}
	}
	require.Equal(t, 5, now)
}

// A job that a replica is believed to be at and is not is done again; what it is
// at, or was given a moment ago, is let be.
func TestFreeLostJobs(t *testing.T) {
	t.Parallel()
	b := setup(t)
	ids := map[string]int64{}
	for _, name := range []string{"lost", "working", "others"} {
		replica := "me"
		if name == "others" {
			replica = "another"
		}
		var id int64
		require.NoError(t, b.Pool().QueryRow(b.ctx, insertRunning, replica).Scan(&id))
		ids[name] = id
	}
	n, err := b.FreeLostJobs(b.ctx, "me", []int64{ids["working"]}, time.Minute)
	require.NoError(t, err)
	require.Zero(t, n, "handed out a moment ago")
	_, err = b.Pool().Exec(b.ctx, "update river_job set attempted_at = now() - interval '1 hour'")
	require.NoError(t, err)
	n, err = b.FreeLostJobs(b.ctx, "me", []int64{ids["working"]}, time.Minute)
	require.NoError(t, err)
	require.EqualValues(t, 1, n)
	var state string
	require.NoError(t, b.Pool().QueryRow(b.ctx, "select state from river_job where id = $1", ids["lost"]).Scan(&state))
	require.Equal(t, "available", state)
}
