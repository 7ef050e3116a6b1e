package db

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/google/uuid"
)

// Telling is a ruling: whether an endpoint is told of a notice, when, and by which
// rule.
type Telling struct {
	ID         uuid.UUID // version 7; made by the store when zero
	CreatedAt  time.Time
	NoticeID   uuid.UUID
	EndpointID uuid.UUID
	AlertID    *uuid.UUID
	Transition *int
	Severity   string
	Ends       bool   // it says that the alert is over
	Ruling     string // now, hold or never
	Rule       string
	Sentence   string
	State      string     // waiting, told or untold
	DueAt      *time.Time // of one that is or was held
	SettledAt  *time.Time // nil while it waits
	DeliveryID *uuid.UUID // that tells it
}

// TellingLine is a ruling with its notice and what became of its delivery.
type TellingLine struct {
	Telling
	Type          string // of the notice
	Reason        string
	Payload       []byte
	EndpointName  string
	DeliveryState *string
	AcceptedAt    *time.Time
}

// insertTellings takes any number in one statement.
const insertTellings = `
insert into tellings (id, created_at, notice_id, endpoint_id, alert_id, transition, severity, ends, ruling, rule, sentence,
	state, due_at, settled_at, delivery_id)
select "ID", @now, "NoticeID", "EndpointID", "AlertID", "Transition", "Severity", "Ends", "Ruling", "Rule", "Sentence",
	"State", "DueAt", case when "State" <> 'waiting' then @now::timestamptz end, "DeliveryID"
from jsonb_to_recordset(@tellings::jsonb) as t("ID" uuid, "NoticeID" uuid, "EndpointID" uuid, "AlertID" uuid, "Transition" int,
	"Severity" text, "Ends" boolean, "Ruling" text, "Rule" text, "Sentence" text, "State" text, "DueAt" timestamptz, "DeliveryID" uuid)`

// StoreTellings stores rulings beside their notice and deliveries.
func (tx *Tx) StoreTellings(ctx context.Context, tellings ...Telling) error {
	if len(tellings) == 0 {
		return nil
	}
	for i := range tellings {
		tellings[i].ID = newID(tellings[i].ID)
	}
	text, err := json.Marshal(tellings)
	if err == nil {
		_, err = run(ctx, tx.q, insertTellings, args{"tellings": text, "now": tx.now})
	}
	if err != nil {
		return fmt.Errorf("store %d rulings: %w", len(tellings), err)
	}
	return nil
}

const settleTellings = `
update tellings set state = @state, settled_at = @now, delivery_id = @delivery_id,
	rule = case when @rule = '' then rule else @rule end, sentence = case when @rule = '' then sentence else @sentence end
where id = any(@ids) and state = 'waiting'`

// TellTellings ends the waiting of rulings: a delivery tells them.
func (tx *Tx) TellTellings(ctx context.Context, deliveryID uuid.UUID, ids ...uuid.UUID) error {
	return tx.settleTellings(ctx, args{"state": "told", "delivery_id": &deliveryID, "rule": "", "sentence": "", "ids": ids})
}

// DropTellings ends the waiting of rulings that are told to nobody after all.
func (tx *Tx) DropTellings(ctx context.Context, rule, sentence string, ids ...uuid.UUID) error {
	return tx.settleTellings(ctx, args{"state": "untold", "delivery_id": (*uuid.UUID)(nil), "rule": rule, "sentence": sentence, "ids": ids})
}

func (tx *Tx) settleTellings(ctx context.Context, a args) error {
	if len(a["ids"].([]uuid.UUID)) == 0 {
		return nil
	}
	if _, err := run(ctx, tx.q, settleTellings, a.set("now", tx.now)); err != nil {
		return fmt.Errorf("settle rulings: %w", err)
	}
	return nil
}

const releaseTellings = `update tellings set due_at = @now where alert_id = @alert_id and state = 'waiting' and rule = @rule and due_at > @now`

// ReleaseTellings makes due what waits of an alert by a rule that no longer holds.
func (tx *Tx) ReleaseTellings(ctx context.Context, alertID uuid.UUID, rule string) error {
	if _, err := run(ctx, tx.q, releaseTellings, args{"alert_id": alertID, "rule": rule, "now": tx.now}); err != nil {
		return fmt.Errorf("release rulings on alert %s: %w", alertID, err)
	}
	return nil
}

const postponeTellings = `
update tellings set due_at = @until, sentence = @sentence
where alert_id = @alert_id and state = 'waiting' and rule = @rule and due_at <> @until`

// PostponeTellings has what waits of an alert by a rule wait until another time,
// earlier or later.
func (tx *Tx) PostponeTellings(ctx context.Context, alertID uuid.UUID, rule string, until time.Time, sentence string) error {
	_, err := run(ctx, tx.q, postponeTellings, args{"alert_id": alertID, "rule": rule, "until": until, "sentence": sentence})
	if err != nil {
		return fmt.Errorf("postpone rulings on alert %s: %w", alertID, err)
	}
	return nil
}

const alertsHeldBy = alertLine + ` and a.id in (select alert_id from tellings where state = 'waiting' and rule = @rule) order by a.id`

// AlertsHeldBy gives the alerts of which something waits by a rule.
func (tx *Tx) AlertsHeldBy(ctx context.Context, rule string) ([]AlertLine, error) {
	list, err := many[AlertLine](ctx, tx.q, alertsHeldBy, Scope{}.on(args{"rule": rule}))
	if err != nil {
		return nil, fmt.Errorf("find alerts held by %s: %w", rule, err)
	}
	return list, nil
}

const (
	floodTellings = `
		with before as (
			select id, rule from tellings where id = any(@ids) and state = 'waiting' for update
		), held as (
			update tellings t set due_at = @until, rule = @rule, sentence = @sentence from before b where t.id = b.id
		)
		select count(*) from before where rule <> @rule`
	noteFlood = `
		update endpoints set folded = folded + @folded, flooded_until = greatest(flooded_until, @until) where id = @endpoint_id`
)

// FloodTellings has rulings wait until the flood guard lets the next message go.
func (tx *Tx) FloodTellings(ctx context.Context, endpointID uuid.UUID, until time.Time, rule, sentence string, ids ...uuid.UUID) error {
	folded, err := value[int](ctx, tx.q, floodTellings, args{"ids": ids, "until": until, "rule": rule, "sentence": sentence})
	if err == nil {
		err = tx.NoteFlood(ctx, endpointID, folded, until)
	}
	if err != nil {
		return fmt.Errorf("postpone rulings: %w", err)
	}
	return nil
}

// NoteFlood counts messages to an endpoint that the flood guard folds.
func (tx *Tx) NoteFlood(ctx context.Context, endpointID uuid.UUID, folded int, until time.Time) error {
	_, err := run(ctx, tx.q, noteFlood, args{"endpoint_id": endpointID, "folded": folded, "until": until})
	if err != nil {
		return fmt.Errorf("note flood at endpoint %s: %w", endpointID, err)
	}
	return nil
}

const gatheringEndpoints = `
select distinct endpoint_id from tellings t where state = 'waiting' and due_at <= @now
	and exists (select from endpoints e where e.id = t.endpoint_id and e.state = 'enabled')`

// GatheringEndpoints gives the endpoints with rulings whose time has come. What
// waits for a disabled one waits until it is enabled again.
func (r reads) GatheringEndpoints(ctx context.Context, now time.Time) ([]uuid.UUID, error) {
	ids, err := values[uuid.UUID](ctx, r.q, gatheringEndpoints, args{"now": now})
	if err != nil {
		return nil, fmt.Errorf("find endpoints to gather for: %w", err)
	}
	return ids, nil
}

// lockEndpoint lets others store rulings on the endpoint meanwhile, whose reference
// to it takes a lock, too: else it would never be free while much is decided.
const lockEndpoint = selectEndpoint + ` for no key update of e skip locked`

// LockEndpoint gives an endpoint for this transaction alone to gather for;
// ErrNotFound when it is gone or another is at it.
func (tx *Tx) LockEndpoint(ctx context.Context, id uuid.UUID) (Endpoint, error) {
	e, err := one[Endpoint](ctx, tx.q, lockEndpoint, args{"id": id})
	if err != nil {
		return Endpoint{}, fmt.Errorf("lock endpoint %s: %w", id, err)
	}
	return e, nil
}

const tellingColumns = `t.id, t.created_at, t.notice_id, t.endpoint_id, t.alert_id, t.transition, t.severity, t.ends, t.ruling,
	t.rule, t.sentence, t.state, t.due_at, t.settled_at, t.delivery_id`

const tellingLines = `
select ` + tellingColumns + `, n.type, n.reason, n.payload, e.name as endpoint_name, d.state as delivery_state,
	case when d.state = 'accepted' then d.settled_at end as accepted_at
from tellings t join notices n on n.id = t.notice_id join endpoints e on e.id = t.endpoint_id
left join deliveries d on d.id = t.delivery_id`

const dueTellings = tellingLines + `
where t.endpoint_id = @endpoint_id and t.state = 'waiting' and t.due_at <= @now
order by t.created_at, t.id limit @limit`

// DueTellings gives rulings on an endpoint whose time has come, as they were made.
func (tx *Tx) DueTellings(ctx context.Context, endpointID uuid.UUID, limit int) ([]TellingLine, error) {
	list, err := many[TellingLine](ctx, tx.q, dueTellings, args{"endpoint_id": endpointID, "now": tx.now, "limit": limit})
	if err != nil {
		return nil, fmt.Errorf("load rulings on endpoint %s: %w", endpointID, err)
	}
	return list, nil
}

// Heard is what an endpoint last was or is to be told of an alert.
type Heard struct {
	EndpointID uuid.UUID
	AlertID    uuid.UUID
	Ends       bool
	Waiting    bool // and not told yet
	DueAt      *time.Time
	Knows      bool // of what was told already, the last was no end
}

const heardOf = `
select t.endpoint_id, t.alert_id, (array_agg(t.ends order by t.transition desc))[1] as ends,
	bool_or(t.state = 'waiting') as waiting, max(t.due_at) filter (where t.state = 'waiting') as due_at,
	coalesce(not (array_agg(t.ends order by t.transition desc) filter (where t.state = 'told'))[1], false) as knows
from tellings t
where t.alert_id = any(@alert_ids) and t.state in ('waiting', 'told')
group by t.endpoint_id, t.alert_id`

// HeardOf gives what each endpoint has heard of some alerts; those that have heard
// nothing are left out.
func (r reads) HeardOf(ctx context.Context, alertIDs ...uuid.UUID) ([]Heard, error) {
	list, err := many[Heard](ctx, r.q, heardOf, args{"alert_ids": alertIDs})
	if err != nil {
		return nil, fmt.Errorf("find who heard of alerts: %w", err)
	}
	return list, nil
}

const waitingOf = `select ` + tellingColumns + ` from tellings t
where t.alert_id = @alert_id and t.endpoint_id = @endpoint_id and t.state = 'waiting' order by t.transition`

// WaitingOf gives the rulings on an endpoint that wait of an alert.
func (tx *Tx) WaitingOf(ctx context.Context, alertID, endpointID uuid.UUID) ([]Telling, error) {
	list, err := many[Telling](ctx, tx.q, waitingOf, args{"alert_id": alertID, "endpoint_id": endpointID})
	if err != nil {
		return nil, fmt.Errorf("find what waits of alert %s: %w", alertID, err)
	}
	return list, nil
}

// Load is how much an endpoint has been and is being told.
type Load struct {
	EndpointID uuid.UUID
	Recent     []time.Time // of its messages since a time, in order
	GatherAt   *time.Time  // when its next gathered message goes
}

const loads = `
select e.id as endpoint_id,
	coalesce((select array_agg(d.created_at order by d.created_at) from deliveries d
		where d.endpoint_id = e.id and d.created_at > @since and d.state <> 'suppressed'), '{}') as recent,
	(select min(t.due_at) from tellings t where t.endpoint_id = e.id and t.state = 'waiting' and t.rule = @rule) as gather_at
from endpoints e`

// Loads gives how much each endpoint has been told since a time, and when what is
// gathered by a rule goes out.
func (r reads) Loads(ctx context.Context, since time.Time, rule string) ([]Load, error) {
	list, err := many[Load](ctx, r.q, loads, args{"since": since, "rule": rule})
	if err != nil {
		return nil, fmt.Errorf("load what endpoints were told: %w", err)
	}
	return list, nil
}

const acceptedOf = `
select max(d.settled_at) from tellings t join deliveries d on d.id = t.delivery_id
where t.alert_id = @alert_id and d.state = 'accepted' and d.settled_at >= @since`

// AcceptedOf gives when a message on an alert was last accepted since a time; nil
// when none was.
func (r reads) AcceptedOf(ctx context.Context, alertID uuid.UUID, since time.Time) (*time.Time, error) {
	at, err := value[*time.Time](ctx, r.q, acceptedOf, args{"alert_id": alertID, "since": since})
	if err != nil {
		return nil, fmt.Errorf("find accepted messages on alert %s: %w", alertID, err)
	}
	return at, nil
}

const tellingsOf = tellingLines + `
left join alerts al on al.id = t.alert_id
where t.alert_id = @alert_id and (al.pour_id is null or exists (select from pours p where p.id = al.pour_id and ` + seenPour + `))
order by t.transition desc, n.created_at desc, e.name limit @limit`

// Tellings gives the rulings on an alert, the newest notice first; none when the
// scope hides its pour.
func (r reads) Tellings(ctx context.Context, scope Scope, alertID uuid.UUID, limit int) ([]TellingLine, error) {
	list, err := many[TellingLine](ctx, r.q, tellingsOf, scope.on(args{"alert_id": alertID, "limit": limit}))
	if err != nil {
		return nil, fmt.Errorf("load rulings on alert %s: %w", alertID, err)
	}
	return list, nil
}

// AddDelivery stores one more delivery of a notice, completed.
func (tx *Tx) AddDelivery(ctx context.Context, noticeID uuid.UUID, d Delivery) (Delivery, error) {
	n, err := tx.Notice(ctx, noticeID)
	if err == nil {
		d = d.of(n, tx.now)
		_, err = run(ctx, tx.q, insertDelivery, record(d).set("now", tx.now))
	}
	if err != nil {
		return Delivery{}, fmt.Errorf("add delivery of notice %s: %w", noticeID, err)
	}
	return d, nil
}

const tellingsOn = tellingLines + ` where t.notice_id = any(@notice_ids) order by n.created_at desc, n.id, e.name`

// TellingsOn gives the rulings on some notices, the newest notice first.
func (r reads) TellingsOn(ctx context.Context, noticeIDs ...uuid.UUID) ([]TellingLine, error) {
	list, err := many[TellingLine](ctx, r.q, tellingsOn, args{"notice_ids": noticeIDs})
	if err != nil {
		return nil, fmt.Errorf("load rulings on notices: %w", err)
	}
	return list, nil
}
