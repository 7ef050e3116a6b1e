package db

import (
	"context"
	"fmt"
	"time"
)

const beat = `
insert into replicas (id, started_at, seen_at) values (@id, now(), now())
on conflict (id) do update set seen_at = excluded.seen_at`

// Beat says that a replica lives. Its id is the one its job client has.
func (d *DB) Beat(ctx context.Context, id string) error {
	if _, err := run(ctx, d.q, beat, args{"id": id}); err != nil {
		return fmt.Errorf("beat of replica %s: %w", id, err)
	}
	return nil
}

const leave = `delete from replicas where id = @id`

// Leave says that a replica ended in good order.
func (d *DB) Leave(ctx context.Context, id string) error {
	if _, err := run(ctx, d.q, leave, args{"id": id}); err != nil {
		return fmt.Errorf("leave of replica %s: %w", id, err)
	}
	return nil
}

// freeJobs keeps a job from running out of attempts by kills: one more is always
// left. The job client looks for available jobs each second.
const freeJobs = `
with silent as (
	delete from replicas where seen_at < now() - @silent_for::interval returning id
), unclaimed as (
	update deliveries d set claimed_by = '', claimed_until = null
	from silent where d.state = 'pending' and d.claimed_by = silent.id
)
update river_job j set state = 'available', scheduled_at = now(), finalized_at = null,
	max_attempts = greatest(j.max_attempts, j.attempt + 1),
	errors = array_append(j.errors, jsonb_build_object(
		'at', now(), 'attempt', j.attempt, 'error', 'replica ' || silent.id || ' fell silent', 'trace', ''))
from silent
where j.state = 'running' and j.attempted_by[cardinality(j.attempted_by)] = silent.id`

// FreeJobs forgets replicas that have been silent for a time and makes the jobs
// that they were at available to the others, and says how many; deliveries they
// had claimed are free again. A replica that was only slow may still finish its
// job: work must bear being done twice.
func (d *DB) FreeJobs(ctx context.Context, silentFor time.Duration) (int64, error) {
	n, err := run(ctx, d.q, freeJobs, args{"silent_for": silentFor})
	if err != nil {
		return 0, fmt.Errorf("free jobs: %w", err)
	}
	return n, nil
}

const freeLostJobs = `
update river_job j set state = 'available', scheduled_at = now(), finalized_at = null,
	max_attempts = greatest(j.max_attempts, j.attempt + 1),
	errors = array_append(j.errors, jsonb_build_object(
		'at', now(), 'attempt', j.attempt, 'error', 'replica ' || @replica::text || ' lost hold of it', 'trace', ''))
where j.state = 'running' and j.attempted_by[cardinality(j.attempted_by)] = @replica and j.id <> all(@working::bigint[])
	and j.attempted_at < now() - @grace::interval`

// FreeLostJobs makes jobs available that the queue believes a replica to be at
// and that it is not: they were handed out, or their end was told, over a
// connection that broke.
func (d *DB) FreeLostJobs(ctx context.Context, replica string, working []int64, grace time.Duration) (int64, error) {
	if working == nil {
		working = []int64{}
	}
	n, err := run(ctx, d.q, freeLostJobs, args{"replica": replica, "working": working, "grace": grace})
	if err != nil {
		return 0, fmt.Errorf("free lost jobs: %w", err)
	}
	return n, nil
}
