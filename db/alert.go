package db

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// Subject is what an alert is about: a pour, or a weather source.
type Subject struct {
	PourID *uuid.UUID
	Source *string
}

// Alert is a state of its subject, not a message. There is one per subject and
// kind for ever; each time it is raised is an episode, and each change of it a
// transition with the next number.
type Alert struct {
	ID                uuid.UUID
	CreatedAt         time.Time
	UpdatedAt         time.Time
	PourID            *uuid.UUID
	Source            *string
	Kind              string
	Condition         string // arming, raised, clearing or cleared
	OperatorState     string // none, acknowledged, shelved or closed
	Severity          string // indeterminate, warning, minor, major or critical
	Verified          bool   // false while the input is stale
	Chattering        bool
	InhibitedBy       *uuid.UUID // the alert that speaks for this one
	Episode           int
	Transition        int // number of the last; 0 before the first
	Reason            string
	Detail            json.RawMessage
	Memory            json.RawMessage // what the deciding function keeps from one evaluation to the next
	RaisedAt          *time.Time
	ClearedAt         *time.Time
	ChangedAt         time.Time
	NoticedAt         *time.Time // last notice
	AcknowledgedBy    string
	AcknowledgedAt    *time.Time
	AcknowledgedUntil *time.Time
	AckNote           string
	ShelvedBy         string
	ShelveReason      string
	ShelvedUntil      *time.Time
	WakeAt            *time.Time // when it is to be looked at again, whatever happens
	Escalation        int        // rank of endpoints that is told
	EscalatedAt       *time.Time // since when
	RemindedAt        *time.Time
	FollowAt          *time.Time // when time alone may do the next thing: remind, escalate, end what is limited
}

// Transition is one change of an alert, kept for ever.
type Transition struct {
	AlertID       uuid.UUID
	Number        int // 1, 2, 3 and so on, without gaps
	At            time.Time
	Episode       int
	Event         string // such as alarm.raised
	Condition     string
	OperatorState string
	Severity      string
	Verified      bool
	Reason        string
	Detail        json.RawMessage
	Actor         string
	Note          string
	AssessmentID  *uuid.UUID
}

// AlertLine is an alert in a list, with the pour it is about.
type AlertLine struct {
	Alert
	PourName *string
	StartsAt *time.Time
	SiteID   *uuid.UUID
	SiteName *string
	Timezone *string
	CrewID   *uuid.UUID
	PlantID  *uuid.UUID
}

const alertColumns = `a.id, a.created_at, a.updated_at, a.pour_id, a.source, a.kind, a.condition, a.operator_state, a.severity,
	a.verified, a.chattering, a.inhibited_by, a.episode, a.transition, a.reason, a.detail, a.memory, a.raised_at, a.cleared_at,
	a.changed_at, a.noticed_at, a.acknowledged_by, a.acknowledged_at, a.acknowledged_until, a.ack_note,
	a.shelved_by, a.shelve_reason, a.shelved_until, a.wake_at,
	a.escalation, a.escalated_at, a.reminded_at, a.follow_at`

const alertLine = `
select ` + alertColumns + `, p.name as pour_name, p.starts_at, p.site_id, s.name as site_name, s.timezone, p.crew_id, p.plant_id
from alerts a left join pours p on p.id = a.pour_id left join sites s on s.id = p.site_id
where (a.pour_id is null or ` + seenPour + `)` // a silent source concerns everybody

// Alert gives one alert; ErrNotFound also when the scope hides its pour. Alerts
// of a source are seen in every scope.
func (r reads) Alert(ctx context.Context, scope Scope, id uuid.UUID) (AlertLine, error) {
	a, err := one[AlertLine](ctx, r.q, alertLine+` and a.id = @id`, scope.on(args{"id": id}))
	if err != nil {
		return AlertLine{}, fmt.Errorf("load alert %s: %w", id, err)
	}
	return a, nil
}

// AlertFilter narrows a list of alerts; what is empty doesn't.
type AlertFilter struct {
	PourIDs        []uuid.UUID
	Sources        []string
	Kinds          []string
	Conditions     []string
	OperatorStates []string
	Severities     []string
	CrewIDs        []uuid.UUID
	PlantIDs       []uuid.UUID
}

// Alerts lists alerts, newest first.
func (r reads) Alerts(ctx context.Context, scope Scope, f AlertFilter, p Page) (List[AlertLine], error) {
	q := newQuery(alertLine, scope.on(args{}))
	q.when(len(f.PourIDs) > 0, "a.pour_id = any(@pour_ids)", "pour_ids", f.PourIDs)
	q.when(len(f.Sources) > 0, "a.source = any(@sources)", "sources", f.Sources)
	q.when(len(f.Kinds) > 0, "a.kind = any(@kinds)", "kinds", f.Kinds)
	q.when(len(f.Conditions) > 0, "a.condition = any(@conditions)", "conditions", f.Conditions)
	q.when(len(f.OperatorStates) > 0, "a.operator_state = any(@operator_states)", "operator_states", f.OperatorStates)
	q.when(len(f.Severities) > 0, "a.severity = any(@severities)", "severities", f.Severities)
	q.when(len(f.CrewIDs) > 0, "p.crew_id = any(@crew_ids)", "crew_ids", f.CrewIDs)
	q.when(len(f.PlantIDs) > 0, "p.plant_id = any(@plant_ids)", "plant_ids", f.PlantIDs)
	l, err := list(ctx, r, q, p, order{at: "a.created_at", id: "a.id", falling: true}, func(a AlertLine) Key { return Key{a.CreatedAt, a.ID} })
	if err != nil {
		return l, fmt.Errorf("list alerts: %w", err)
	}
	return l, nil
}

const (
	ensureAlert = `
		insert into alerts (id, created_at, updated_at, changed_at, pour_id, source, kind, condition, severity)
		values (@id, @now, @now, @now, @pour_id, @source, @kind, 'cleared', 'indeterminate')
		on conflict (subject, kind) do nothing`
	lockAlert = `
		select ` + alertColumns + ` from alerts a
		where a.subject = coalesce(@pour_id::uuid::text, @source::text) and a.kind = @kind
		for update`
)

// LockAlert gives the alert of a subject and kind, for this transaction alone to
// change. When there is none yet it makes one: cleared, before its first
// transition.
func (tx *Tx) LockAlert(ctx context.Context, s Subject, kind string) (Alert, error) {
	a := record(s).set("id", newID(uuid.Nil)).set("kind", kind).set("now", tx.now)
	var batch pgx.Batch
	batch.Queue(ensureAlert, a)
	batch.Queue(lockAlert, a) // its own statement sees a row that another transaction just made
	results := tx.tx.SendBatch(ctx, &batch)
	defer results.Close() //nolint:errcheck // read to the end below
	alert, err := lockedAlert(results)
	if err != nil {
		return Alert{}, fmt.Errorf("lock alert %s: %w", kind, fault(err))
	}
	return alert, nil
}

func lockedAlert(results pgx.BatchResults) (Alert, error) {
	if _, err := results.Exec(); err != nil {
		return Alert{}, err
	}
	rows, err := results.Query()
	if err != nil {
		return Alert{}, err
	}
	return pgx.CollectOneRow(rows, pgx.RowToStructByName[Alert])
}

const lockAlertByID = `
select ` + alertColumns + ` from alerts a left join pours p on p.id = a.pour_id
where a.id = @id and (` + scopeAll + ` or a.pour_id is not null and ` + seenPour + `)
for update of a`

// LockAlertByID gives an alert for this transaction alone to change. A caller
// with a scope may change the alerts of the pours in it.
func (tx *Tx) LockAlertByID(ctx context.Context, scope Scope, id uuid.UUID) (Alert, error) {
	a, err := one[Alert](ctx, tx.q, lockAlertByID, scope.on(args{"id": id}))
	if err != nil {
		return Alert{}, fmt.Errorf("lock alert %s: %w", id, err)
	}
	return a, nil
}

// alertState sets all that can change of an alert.
const alertState = `
	updated_at = @now, condition = @condition, operator_state = @operator_state, severity = @severity, verified = @verified,
	chattering = @chattering, inhibited_by = @inhibited_by, episode = @episode, reason = @reason,
	detail = coalesce(@detail::jsonb, '{}'), memory = coalesce(@memory::jsonb, '{}'), raised_at = @raised_at,
	cleared_at = @cleared_at, changed_at = @changed_at, noticed_at = @noticed_at, acknowledged_by = @acknowledged_by,
	acknowledged_at = @acknowledged_at, acknowledged_until = @acknowledged_until, ack_note = @ack_note,
	shelved_by = @shelved_by, shelve_reason = @shelve_reason, shelved_until = @shelved_until, wake_at = @wake_at,
	escalation = @escalation, escalated_at = @escalated_at, reminded_at = @reminded_at, follow_at = @follow_at`

const saveAlert = `update alerts set ` + alertState + ` where id = @id and transition = @transition`

// SaveAlert stores an alert without a transition: what it remembers, when it
// wakes, whether its input is stale. ErrStale when it made a transition
// meanwhile; under a lock that can't be.
func (tx *Tx) SaveAlert(ctx context.Context, a Alert) error {
	n, err := run(ctx, tx.q, saveAlert, record(a).set("now", tx.now))
	if err == nil && n == 0 {
		err = ErrStale
	}
	if err != nil {
		return fmt.Errorf("save alert %s: %w", a.ID, err)
	}
	return nil
}

const advanceAlert = `
with moved as (
	update alerts set ` + alertState + `, transition = transition + 1
	where id = @id and transition = @transition
	returning id, transition
)
insert into alert_transitions (alert_id, number, at, episode, event, condition, operator_state, severity, verified,
	reason, detail, actor, note, assessment_id)
select id, transition, @now, @episode, @event, @condition, @operator_state, @severity, @verified,
	@reason, coalesce(@detail::jsonb, '{}'), @actor, @note, @assessment_id
from moved`

// Advance stores an alert in its new state together with the transition that
// led to it, under the next number. Of t it takes Event, Note and AssessmentID;
// the rest is the alert's. ErrStale when the alert made another transition
// meanwhile; under a lock that can't be.
func (tx *Tx) Advance(ctx context.Context, a Alert, t Transition) (Alert, Transition, error) {
	a.ChangedAt = tx.now
	n, err := run(ctx, tx.q, advanceAlert, record(a).set("now", tx.now).set("actor", tx.actor.Name).
		set("event", t.Event).set("note", t.Note).set("assessment_id", t.AssessmentID))
	if err == nil && n == 0 {
		err = ErrStale
	}
	if err != nil {
		return Alert{}, Transition{}, fmt.Errorf("advance alert %s: %w", a.ID, err)
	}
	a.UpdatedAt, a.Transition = tx.now, a.Transition+1
	t.AlertID, t.Number, t.At, t.Actor = a.ID, a.Transition, tx.now, tx.actor.Name
	t.Episode, t.Condition, t.OperatorState, t.Severity, t.Verified = a.Episode, a.Condition, a.OperatorState, a.Severity, a.Verified
	t.Reason, t.Detail = a.Reason, a.Detail
	return a, t, nil
}

const selectTransitions = `
select t.alert_id, t.number, t.at, t.episode, t.event, t.condition, t.operator_state, t.severity, t.verified,
	t.reason, t.detail, t.actor, t.note, t.assessment_id
from alert_transitions t join alerts a on a.id = t.alert_id left join pours p on p.id = a.pour_id
where t.alert_id = @id and (a.pour_id is null or ` + seenPour + `)
order by t.number`

// Transitions gives the history of an alert; nothing when the scope hides it.
func (r reads) Transitions(ctx context.Context, scope Scope, alertID uuid.UUID) ([]Transition, error) {
	t, err := many[Transition](ctx, r.q, selectTransitions, scope.on(args{"id": alertID}))
	if err != nil {
		return nil, fmt.Errorf("load transitions of alert %s: %w", alertID, err)
	}
	return t, nil
}

const dueAlerts = `select id from alerts where wake_at <= @now order by wake_at, id limit @limit`

// DueAlerts gives alerts whose WakeAt has come.
func (r reads) DueAlerts(ctx context.Context, now time.Time, limit int) ([]uuid.UUID, error) {
	ids, err := values[uuid.UUID](ctx, r.q, dueAlerts, args{"now": now, "limit": limit})
	if err != nil {
		return nil, fmt.Errorf("find due alerts: %w", err)
	}
	return ids, nil
}

const followedAlerts = `select id from alerts where follow_at <= @now order by follow_at, id limit @limit`

// FollowedAlerts gives alerts whose FollowAt has come.
func (r reads) FollowedAlerts(ctx context.Context, now time.Time, limit int) ([]uuid.UUID, error) {
	ids, err := values[uuid.UUID](ctx, r.q, followedAlerts, args{"now": now, "limit": limit})
	if err != nil {
		return nil, fmt.Errorf("find alerts to follow up: %w", err)
	}
	return ids, nil
}
