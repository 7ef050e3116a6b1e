package db

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/google/uuid"
)

// Call is what the clock has to say of a pour at a time, once for the day that the
// pour is to start on.
type Call struct {
	PourID   uuid.UUID
	Type     string
	Day      time.Time // of the start, in the site's zone; midnight UTC
	At       time.Time
	Until    time.Time // when it is of no more use
	Severity string
	State    string     // waiting, said or missed
	NoticeID *uuid.UUID // of one that was said
}

const (
	planCalls = `
		insert into calls (pour_id, type, day, at, until, severity)
		select "PourID", "Type", "Day", "At", "Until", "Severity"
		from jsonb_to_recordset(@calls::jsonb) as c("PourID" uuid, "Type" text, "Day" date, "At" timestamptz, "Until" timestamptz, "Severity" text)
		on conflict (pour_id, type, day) do update set at = excluded.at, until = excluded.until, severity = excluded.severity
		where calls.state = 'waiting' and (calls.at, calls.until, calls.severity) is distinct from (excluded.at, excluded.until, excluded.severity)`
	dropCalls = `
		delete from calls c where c.pour_id = any(@pours) and c.state = 'waiting' and not exists (
			select from jsonb_to_recordset(@calls::jsonb) as n("PourID" uuid, "Type" text, "Day" date)
			where n."PourID" = c.pour_id and n."Type" = c.type and n."Day" = c.day)`
)

// PlanCalls replaces what waits to be said of some pours. What was said stays so.
func (tx *Tx) PlanCalls(ctx context.Context, pours []uuid.UUID, calls []Call) error {
	if calls == nil {
		calls = []Call{}
	}
	text, err := json.Marshal(calls)
	if err == nil {
		_, err = run(ctx, tx.q, dropCalls, args{"pours": pours, "calls": text})
	}
	if err == nil && len(calls) > 0 {
		_, err = run(ctx, tx.q, planCalls, args{"calls": text})
	}
	if err != nil {
		return fmt.Errorf("plan %d calls: %w", len(calls), err)
	}
	return nil
}

const dueCalls = `select * from calls where state = 'waiting' and at <= @now order by at, pour_id, type limit @limit for update skip locked`

// DueCalls gives calls whose time has come, for this transaction alone.
func (tx *Tx) DueCalls(ctx context.Context, now time.Time, limit int) ([]Call, error) {
	calls, err := many[Call](ctx, tx.q, dueCalls, args{"now": now, "limit": limit})
	if err != nil {
		return nil, fmt.Errorf("find due calls: %w", err)
	}
	return calls, nil
}

const settleCall = `
update calls set state = case when @notice_id::uuid is null then 'missed' else 'said' end, notice_id = @notice_id
where pour_id = @pour_id and type = @type and day = @day and state = 'waiting'`

// SettleCall ends the waiting of a call: by the notice that says it, or as missed.
func (tx *Tx) SettleCall(ctx context.Context, c Call, noticeID *uuid.UUID) error {
	_, err := run(ctx, tx.q, settleCall, args{"pour_id": c.PourID, "type": c.Type, "day": c.Day, "notice_id": noticeID})
	if err != nil {
		return fmt.Errorf("settle call %s: %w", c.Type, err)
	}
	return nil
}

const callsOf = `
select c.* from calls c join pours p on p.id = c.pour_id
where c.pour_id = @id and ` + seenPour + `
order by c.at, c.type`

// Calls gives all calls of a pour; none when the scope hides it.
func (r reads) Calls(ctx context.Context, scope Scope, pourID uuid.UUID) ([]Call, error) {
	calls, err := many[Call](ctx, r.q, callsOf, scope.on(args{"id": pourID}))
	if err != nil {
		return nil, fmt.Errorf("load calls of pour %s: %w", pourID, err)
	}
	return calls, nil
}

const claimDigest = `insert into digests (endpoint_id, at) values (@endpoint_id, @at) on conflict do nothing`

// ClaimDigest reports whether an endpoint has yet to get the digest of a moment;
// from then on it has.
func (tx *Tx) ClaimDigest(ctx context.Context, endpointID uuid.UUID, at time.Time) (bool, error) {
	n, err := run(ctx, tx.q, claimDigest, args{"endpoint_id": endpointID, "at": at})
	if err != nil {
		return false, fmt.Errorf("claim digest of endpoint %s: %w", endpointID, err)
	}
	return n == 1, nil
}

const noteDigest = `update digests set notice_id = @notice_id where endpoint_id = @endpoint_id and at = @at`

// NoteDigest keeps which notice a digest was.
func (tx *Tx) NoteDigest(ctx context.Context, endpointID uuid.UUID, at time.Time, noticeID uuid.UUID) error {
	if _, err := run(ctx, tx.q, noteDigest, args{"endpoint_id": endpointID, "at": at, "notice_id": noticeID}); err != nil {
		return fmt.Errorf("note digest of endpoint %s: %w", endpointID, err)
	}
	return nil
}
