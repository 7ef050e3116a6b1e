package db

import (
	"bytes"
	"cmp"
	"context"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// Notice is something worth saying, once.
type Notice struct {
	ID         uuid.UUID // version 7; made by the create when zero
	CreatedAt  time.Time
	AlertID    *uuid.UUID // nil for one that isn't about a single alert
	Transition *int       // of the alert
	Type       string     // such as alarm.raised
	Reason     string     // the rule by which it is said
	Payload    []byte     // the message as data, before an endpoint's form
}

// Delivery is one notice to one endpoint: the bytes to send, under one id for
// every attempt.
type Delivery struct {
	DeliveryState
	ContentType string
	Body        []byte
}

// DeliveryState is a delivery without what is sent.
type DeliveryState struct {
	ID            uuid.UUID // version 7; made by the create when zero
	CreatedAt     time.Time
	UpdatedAt     time.Time
	NoticeID      uuid.UUID
	EndpointID    uuid.UUID
	AlertID       *uuid.UUID // of the notice
	Transition    *int       // of the notice
	Severity      string
	WebhookID     string // made from ID when empty
	State         string // pending when empty; accepted, dead, superseded or suppressed
	Reason        string // of the state
	Attempts      int    // claimed so far
	NextAttemptAt *time.Time
	ClaimedBy     string
	ClaimedUntil  *time.Time
	SettledAt     *time.Time
}

// DeliveryLine is a delivery in a list.
type DeliveryLine struct {
	DeliveryState
	NoticeType   string
	EndpointName string
	EndpointHost string
	PourID       *uuid.UUID
}

// Attempt is one try of a delivery.
type Attempt struct {
	DeliveryID  uuid.UUID
	Number      int // as claimed
	At          time.Time
	DurationMS  int
	Outcome     string // accepted, retry, permanent, gone or unknown
	Status      *int   // of HTTP
	Error       string // without the URL
	Response    string // beginning of the answer
	RetryAfterS *float64
	Replica     string
	Addresses   []AddressResult // of a mail
}

// AddressResult is what a mail server said to one address.
type AddressResult struct {
	Address  string
	Status   int    // of SMTP; 2xx when the address has the message
	Response string // empty when it has
}

const (
	insertNotice = `
		insert into notices (id, created_at, alert_id, transition, type, reason, payload)
		values (@id, @now, @alert_id, @transition, @type, @reason, @payload)
		on conflict on constraint notices_type_key do nothing`
	insertDelivery = `
		insert into deliveries (id, created_at, updated_at, notice_id, endpoint_id, alert_id, transition, severity, webhook_id,
			content_type, body, state, reason, next_attempt_at, settled_at)
		values (@id, @now, @now, @notice_id, @endpoint_id, @alert_id, @transition, @severity, @webhook_id,
			@content_type, @body, @state, @reason, @next_attempt_at, @settled_at)`
)

// CreateNotice stores a notice with its deliveries, completed: those pending are
// due at once unless they say otherwise. A notice of the same type for the same
// transition is never stored twice: then nothing is, and the second result is
// false.
func (tx *Tx) CreateNotice(ctx context.Context, n Notice, deliveries []Delivery) ([]Delivery, bool, error) {
	stored, isNew, err := tx.createNotice(ctx, n, deliveries)
	if err != nil {
		return nil, false, fmt.Errorf("create notice %s: %w", n.Type, err)
	}
	return stored, isNew, nil
}

func (tx *Tx) createNotice(ctx context.Context, n Notice, deliveries []Delivery) ([]Delivery, bool, error) {
	n.ID = newID(n.ID)
	inserted, err := run(ctx, tx.q, insertNotice, record(n).set("now", tx.now))
	if err != nil || inserted == 0 {
		return nil, false, err
	}
	stored := make([]Delivery, len(deliveries))
	var batch pgx.Batch
	for i, d := range deliveries {
		stored[i] = d.of(n, tx.now)
		batch.Queue(insertDelivery, record(stored[i]).set("now", tx.now))
	}
	return stored, true, fault(tx.tx.SendBatch(ctx, &batch).Close())
}

// of completes a delivery of a notice.
func (d Delivery) of(n Notice, now time.Time) Delivery {
	d.ID = newID(d.ID)
	d.CreatedAt, d.UpdatedAt = now, now
	d.NoticeID, d.AlertID, d.Transition = n.ID, n.AlertID, n.Transition
	if d.WebhookID == "" {
		d.WebhookID = "msg_" + hex.EncodeToString(d.ID[:])
	}
	if d.State == "" {
		d.State = "pending"
	}
	switch {
	case d.State != "pending":
		d.NextAttemptAt, d.SettledAt = nil, &now
	case d.NextAttemptAt == nil:
		d.NextAttemptAt = &now
	}
	return d
}

const selectNotice = `select id, created_at, alert_id, transition, type, reason, payload from notices where id = @id`

// Notice gives one notice.
func (r reads) Notice(ctx context.Context, id uuid.UUID) (Notice, error) {
	n, err := one[Notice](ctx, r.q, selectNotice, args{"id": id})
	if err != nil {
		return Notice{}, fmt.Errorf("load notice %s: %w", id, err)
	}
	return n, nil
}

const deliveryStateColumns = `d.id, d.created_at, d.updated_at, d.notice_id, d.endpoint_id, d.alert_id, d.transition, d.severity,
	d.webhook_id, d.state, d.reason, d.attempts, d.next_attempt_at, d.claimed_by, d.claimed_until, d.settled_at`

const deliveryColumns = deliveryStateColumns + `, d.content_type, d.body`

// seenDelivery lets a scope see what was sent about its pours; digests and the
// alerts of sources may tell of others.
const seenDelivery = `(` + scopeAll + ` or exists (
	select from alerts a join pours p on p.id = a.pour_id where a.id = d.alert_id and ` + seenPour + `))`

const selectDelivery = `select ` + deliveryColumns + ` from deliveries d where d.id = @id and ` + seenDelivery

// Delivery gives one delivery; ErrNotFound also when the scope hides its pour.
func (r reads) Delivery(ctx context.Context, scope Scope, id uuid.UUID) (Delivery, error) {
	d, err := one[Delivery](ctx, r.q, selectDelivery, scope.on(args{"id": id}))
	if err != nil {
		return Delivery{}, fmt.Errorf("load delivery %s: %w", id, err)
	}
	return d, nil
}

// DeliveryFilter narrows a list of deliveries; what is empty doesn't.
type DeliveryFilter struct {
	ID         uuid.UUID
	EndpointID uuid.UUID
	AlertID    uuid.UUID
	PourID     uuid.UUID
	States     []string
	From       time.Time // of CreatedAt
	Before     time.Time
}

const selectDeliveries = `
select ` + deliveryStateColumns + `, n.type as notice_type, e.name as endpoint_name, e.host as endpoint_host, al.pour_id
from deliveries d join notices n on n.id = d.notice_id join endpoints e on e.id = d.endpoint_id
left join alerts al on al.id = d.alert_id
where ` + seenDelivery

// Deliveries lists deliveries, newest first.
func (r reads) Deliveries(ctx context.Context, scope Scope, f DeliveryFilter, p Page) (List[DeliveryLine], error) {
	q := newQuery(selectDeliveries, scope.on(args{}))
	q.deliveries(f)
	q.when(f.PourID != uuid.Nil, "al.pour_id = @pour_id", "pour_id", f.PourID)
	l, err := list(ctx, r, q, p, order{at: "d.created_at", id: "d.id", falling: true}, func(d DeliveryLine) Key { return Key{d.CreatedAt, d.ID} })
	if err != nil {
		return l, fmt.Errorf("list deliveries: %w", err)
	}
	return l, nil
}

func (q *query) deliveries(f DeliveryFilter) {
	q.when(f.ID != uuid.Nil, "d.id = @delivery_id", "delivery_id", f.ID)
	q.when(f.EndpointID != uuid.Nil, "d.endpoint_id = @endpoint_id", "endpoint_id", f.EndpointID)
	q.when(f.AlertID != uuid.Nil, "d.alert_id = @alert_id", "alert_id", f.AlertID)
	q.when(len(f.States) > 0, "d.state = any(@states)", "states", f.States)
	q.when(!f.From.IsZero(), "d.created_at >= @from", "from", f.From)
	q.when(!f.Before.IsZero(), "d.created_at < @before", "before", f.Before)
}

// unheld says that nobody is at a delivery d.
const unheld = `(d.claimed_until is null or d.claimed_until <= @now)`

// claimable says that a delivery d can be attempted once nobody is at it: due, its
// endpoint working, and no earlier one of the same alert still pending there, for
// people read them in order.
const claimable = `d.state = 'pending' and d.next_attempt_at <= @now
	and exists (select from endpoints e where e.id = d.endpoint_id and e.state = 'enabled')
	and not exists (
		select from deliveries b
		where b.endpoint_id = d.endpoint_id and b.alert_id = d.alert_id and b.transition < d.transition and b.state = 'pending')
	and not exists (
		select from tellings mine
		join tellings earlier on earlier.alert_id = mine.alert_id and earlier.endpoint_id = mine.endpoint_id and earlier.transition < mine.transition
		join deliveries b on b.id = earlier.delivery_id and b.id <> d.id and b.state = 'pending'
		where mine.delivery_id = d.id)`

// claimDeliveries has the ids in an array, so that the rows are looked up by them
// and the table is never read whole.
const claimDeliveries = `
update deliveries t set attempts = t.attempts + 1, claimed_by = @replica, claimed_until = @until, updated_at = @now
where t.id = any(array(
	select d.id from deliveries d
	where d.endpoint_id = @endpoint_id and ` + unheld + ` and ` + claimable + `
	order by d.next_attempt_at, d.id limit @limit
	for update skip locked
))
returning ` + claimedColumns

// claimedColumns are deliveryColumns of a row t.
const claimedColumns = `t.id, t.created_at, t.updated_at, t.notice_id, t.endpoint_id, t.alert_id, t.transition, t.severity,
	t.webhook_id, t.state, t.reason, t.attempts, t.next_attempt_at, t.claimed_by, t.claimed_until, t.settled_at,
	t.content_type, t.body`

// ClaimDeliveries takes deliveries to one endpoint for one attempt each, whose
// number is Attempts in the answer, the longest due first. No two replicas take one; when the lease
// runs out before the attempt is recorded, another may.
func (tx *Tx) ClaimDeliveries(ctx context.Context, endpointID uuid.UUID, replica string, limit int, lease time.Duration) ([]Delivery, error) {
	claimed, err := many[Delivery](ctx, tx.q, claimDeliveries, args{
		"endpoint_id": endpointID, "replica": replica, "limit": limit, "now": tx.now, "until": tx.now.Add(lease),
	})
	if err != nil {
		return nil, fmt.Errorf("claim deliveries to endpoint %s: %w", endpointID, err)
	}
	slices.SortFunc(claimed, func(a, b Delivery) int {
		return cmp.Or(a.NextAttemptAt.Compare(*b.NextAttemptAt), bytes.Compare(a.ID[:], b.ID[:]))
	})
	return claimed, nil
}

const (
	waitForTurn = `select pg_advisory_xact_lock(hashtextextended('deliveries to ' || @endpoint_id::uuid::text, 0))`
	othersAtIt  = `
		select exists (select from deliveries
			where endpoint_id = @endpoint_id and state = 'pending' and claimed_by not in ('', @replica) and claimed_until > @now)`
)

// TakeTurn reports whether no other replica is at any delivery to an endpoint, and
// keeps others from claiming one until the transaction ends. A turn ends with the
// claims of its replica: when they are recorded, given back, freed because it fell
// silent, or run out.
func (tx *Tx) TakeTurn(ctx context.Context, endpointID uuid.UUID, replica string) (bool, error) {
	a := args{"endpoint_id": endpointID, "replica": replica, "now": tx.now}
	_, err := run(ctx, tx.q, waitForTurn, a)
	if err != nil {
		return false, fmt.Errorf("wait for the turn at endpoint %s: %w", endpointID, err)
	}
	others, err := value[bool](ctx, tx.q, othersAtIt, a) // a statement of its own sees what was claimed meanwhile
	if err != nil {
		return false, fmt.Errorf("look who is at endpoint %s: %w", endpointID, err)
	}
	return !others, nil
}

const dropClaims = `
update deliveries set claimed_by = '', claimed_until = null, updated_at = @now
where endpoint_id = @endpoint_id and claimed_by = @replica and state = 'pending'`

// DropClaims frees all deliveries to an endpoint that a replica has claimed. It is
// for one that knows of none: their claims were lost over a broken connection.
// Their attempts may have been made, and count.
func (tx *Tx) DropClaims(ctx context.Context, endpointID uuid.UUID, replica string) error {
	if _, err := run(ctx, tx.q, dropClaims, args{"endpoint_id": endpointID, "replica": replica, "now": tx.now}); err != nil {
		return fmt.Errorf("drop claims on endpoint %s: %w", endpointID, err)
	}
	return nil
}

const unclaim = `
update deliveries set claimed_by = '', claimed_until = null, attempts = attempts - 1, updated_at = @now
where id = any(@ids) and claimed_by = @replica and state = 'pending'`

// Unclaim gives back deliveries that a replica claimed and did not begin: their
// attempts never were.
func (tx *Tx) Unclaim(ctx context.Context, replica string, ids ...uuid.UUID) error {
	if _, err := run(ctx, tx.q, unclaim, args{"ids": ids, "replica": replica, "now": tx.now}); err != nil {
		return fmt.Errorf("give back %d deliveries: %w", len(ids), err)
	}
	return nil
}

const dueEndpoints = `select distinct d.endpoint_id from deliveries d where ` + unheld + ` and ` + claimable

// DueEndpoints gives the endpoints with deliveries that can be attempted.
func (r reads) DueEndpoints(ctx context.Context, now time.Time) ([]uuid.UUID, error) {
	ids, err := values[uuid.UUID](ctx, r.q, dueEndpoints, args{"now": now})
	if err != nil {
		return nil, fmt.Errorf("find due endpoints: %w", err)
	}
	return ids, nil
}

// Settle is what an attempt makes of its delivery.
type Settle struct {
	State         string // pending, accepted or dead
	Reason        string
	NextAttemptAt *time.Time // when pending
}

// Recorded is an attempt with what it makes of its delivery.
type Recorded struct {
	Attempt
	Settle
}

// recordAttempts lets only those count that still have their claim. They come as
// one value, so that any number takes one statement, and with their ids, by which
// the rows are looked up.
const recordAttempts = `
with given as (
	select * from jsonb_to_recordset(@recorded::jsonb) as g("DeliveryID" uuid, "Number" int, "At" timestamptz, "DurationMS" int,
		"Outcome" text, "Status" int, "Error" text, "Response" text, "RetryAfterS" double precision, "Replica" text,
		"Addresses" jsonb, "State" text, "Reason" text, "NextAttemptAt" timestamptz)
), settled as (
	update deliveries d set state = g."State", reason = g."Reason", next_attempt_at = g."NextAttemptAt", updated_at = @now,
		claimed_by = '', claimed_until = null, settled_at = case when g."State" <> 'pending' then @now::timestamptz end
	from given g
	where d.id = any(@ids) and d.id = g."DeliveryID" and d.attempts = g."Number" and d.state = 'pending'
	returning d.id
)
insert into attempts (delivery_id, number, at, duration_ms, outcome, status, error, response, retry_after_s, replica, addresses)
select "DeliveryID", "Number", "At", "DurationMS", "Outcome", "Status", "Error", "Response", "RetryAfterS", "Replica", coalesce(nullif("Addresses", 'null'), '[]')
from given join settled on id = "DeliveryID"
returning delivery_id`

// RecordAttempts stores attempts and what they make of their deliveries, and
// gives the deliveries for which they count. Those are left out that another one
// claimed meanwhile, because the lease ran out. A delivery comes once at most.
func (tx *Tx) RecordAttempts(ctx context.Context, list []Recorded) ([]uuid.UUID, error) {
	text, err := json.Marshal(list)
	if err != nil {
		return nil, fmt.Errorf("record %d attempts: %w", len(list), err)
	}
	ids := make([]uuid.UUID, len(list))
	for i, r := range list {
		ids[i] = r.DeliveryID
	}
	counted, err := values[uuid.UUID](ctx, tx.q, recordAttempts, args{"recorded": text, "ids": ids, "now": tx.now})
	if err != nil {
		return nil, fmt.Errorf("record %d attempts: %w", len(list), err)
	}
	return counted, nil
}

// RecordAttempt stores one attempt; ErrStale when it doesn't count.
func (tx *Tx) RecordAttempt(ctx context.Context, a Attempt, s Settle) error {
	counted, err := tx.RecordAttempts(ctx, []Recorded{{a, s}})
	if err == nil && len(counted) == 0 {
		err = ErrStale
	}
	if err != nil {
		return fmt.Errorf("record attempt %d of delivery %s: %w", a.Number, a.DeliveryID, err)
	}
	return nil
}

const settleDelivery = `
update deliveries d set state = @state, reason = @reason, next_attempt_at = null, settled_at = @now, updated_at = @now,
	claimed_by = '', claimed_until = null
where d.id = @id and d.state = 'pending' and ` + seenDelivery

// SettleDelivery ends a pending delivery without an attempt, as superseded,
// suppressed or dead. ErrNotFound when it isn't pending or the scope hides it.
func (tx *Tx) SettleDelivery(ctx context.Context, scope Scope, id uuid.UUID, state, reason string) error {
	n, err := run(ctx, tx.q, settleDelivery, scope.on(args{"id": id, "state": state, "reason": reason, "now": tx.now}))
	if err == nil && n == 0 {
		err = ErrNotFound
	}
	if err != nil {
		return fmt.Errorf("settle delivery %s: %w", id, err)
	}
	return nil
}

const supersedeBlocked = `
update deliveries d set state = 'superseded', reason = 'a newer state is told instead', next_attempt_at = null, settled_at = @now, updated_at = @now
where d.state = 'pending' and d.next_attempt_at > @now and d.created_at < @made_before and ` + unheld + `
	and exists (select from endpoints e where e.id = d.endpoint_id and e.state = 'enabled')
	and exists (
		select from deliveries n
		where n.endpoint_id = d.endpoint_id and n.alert_id = d.alert_id and n.transition > d.transition and n.state = 'pending' and n.next_attempt_at <= @now)
returning d.id`

// SupersedeBlocked ends the deliveries made before a time that wait for another
// attempt while a newer one of the same alert to the same endpoint is due: the
// newer state is told instead. Nobody is at them, and their endpoints work.
func (tx *Tx) SupersedeBlocked(ctx context.Context, madeBefore time.Time) ([]uuid.UUID, error) {
	ids, err := values[uuid.UUID](ctx, tx.q, supersedeBlocked, args{"made_before": madeBefore, "now": tx.now})
	if err != nil {
		return nil, fmt.Errorf("supersede blocked deliveries: %w", err)
	}
	return ids, nil
}

// replay keeps to the rows of a filter; its text goes on in Replay.
const replay = `
update deliveries t set state = 'pending', reason = 'replayed', next_attempt_at = @now, settled_at = null, updated_at = @now
where t.id in (
	select d.id from deliveries d
	where d.state in ('accepted', 'dead', 'superseded', 'suppressed') and ` + seenDelivery

// Replay makes settled deliveries pending again, under their old ids and bytes.
func (tx *Tx) Replay(ctx context.Context, scope Scope, f DeliveryFilter) ([]uuid.UUID, error) {
	q := newQuery(replay, scope.on(args{"now": tx.now}))
	q.deliveries(f)
	q.when(f.PourID != uuid.Nil, "d.alert_id in (select id from alerts where pour_id = @pour_id)", "pour_id", f.PourID)
	q.text.WriteString(") returning t.id")
	ids, err := values[uuid.UUID](ctx, tx.q, q.text.String(), q.args)
	if err != nil {
		return nil, fmt.Errorf("replay deliveries: %w", err)
	}
	return ids, nil
}

const selectAttempts = `
select t.delivery_id, t.number, t.at, t.duration_ms, t.outcome, t.status, t.error, t.response, t.retry_after_s, t.replica, t.addresses
from attempts t join deliveries d on d.id = t.delivery_id
where t.delivery_id = @id and ` + seenDelivery + `
order by t.number`

// Attempts gives the tries of a delivery in order. A number left out is an
// attempt that died before its outcome was known.
func (r reads) Attempts(ctx context.Context, scope Scope, deliveryID uuid.UUID) ([]Attempt, error) {
	attempts, err := many[Attempt](ctx, r.q, selectAttempts, scope.on(args{"id": deliveryID}))
	if err != nil {
		return nil, fmt.Errorf("load attempts of delivery %s: %w", deliveryID, err)
	}
	return attempts, nil
}

const mailedTo = `
select distinct t.delivery_id, said->>'Address' as address
from attempts t, jsonb_array_elements(t.addresses) said
where t.delivery_id = any(@ids) and (said->>'Status')::int between 200 and 299`

// MailedTo gives the addresses that have some mails from earlier attempts.
func (r reads) MailedTo(ctx context.Context, deliveryIDs ...uuid.UUID) (map[uuid.UUID][]string, error) {
	type has struct {
		DeliveryID uuid.UUID
		Address    string
	}
	list, err := many[has](ctx, r.q, mailedTo, args{"ids": deliveryIDs})
	if err != nil {
		return nil, fmt.Errorf("find who has %d mails: %w", len(deliveryIDs), err)
	}
	to := map[uuid.UUID][]string{}
	for _, h := range list {
		to[h.DeliveryID] = append(to[h.DeliveryID], h.Address)
	}
	return to, nil
}
