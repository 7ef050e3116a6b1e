package scheduler

import (
	"context"
	"errors"
	"fmt"
	"time"

	"frostgate/db"
	"frostgate/scheduler/alert"

	"github.com/google/uuid"
)

// mostFollowed bounds one look; the rest is the next one's.
const mostFollowed = 500

// followAlerts does what time alone makes due on alerts: reminders, escalation, the
// end of acknowledgements and shelves.
func (s *Scheduler) followAlerts(ctx context.Context) error {
	ids, err := s.due(ctx, func(tx *db.Tx) ([]uuid.UUID, error) { return tx.FollowedAlerts(ctx, tx.Now(), mostFollowed) })
	for _, id := range ids {
		err = errors.Join(err, s.onAlert(ctx, id, (*notifier).follow))
	}
	return err
}

// onAlert does something to one alert, locked, in a transaction of its own.
func (s *Scheduler) onAlert(ctx context.Context, id uuid.UUID, do func(*notifier, context.Context, db.Alert) error) error {
	return s.db.Tx(ctx, actor, func(tx *db.Tx) error {
		a, err := tx.LockAlertByID(ctx, db.Scope{}, id)
		if err != nil {
			return err
		}
		n, err := s.newNotifier(ctx, tx)
		if err != nil {
			return err
		}
		if err := do(n, ctx, a); err != nil {
			return fmt.Errorf("follow alert %s: %w", id, err)
		}
		return n.finish(ctx)
	})
}

func (s *Scheduler) newNotifier(ctx context.Context, tx *db.Tx) (*notifier, error) {
	firm, err := tx.Firm(ctx)
	return &notifier{s: s, tx: tx, firm: firm, now: tx.Clock()}, err
}

// follow does what has come, one thing at a time, or notes when the next will.
func (n *notifier) follow(ctx context.Context, a db.Alert) error {
	e, m, err := n.aboutAlert(ctx, a)
	if err != nil {
		return err
	}
	f, err := n.following(ctx, a, m)
	if err != nil {
		return err
	}
	coming := f.Coming()
	if len(coming) == 0 || coming[0].At.After(n.now) {
		a.FollowAt = n.lookAgain(f, coming)
		return n.tx.SaveAlert(ctx, a)
	}
	next := coming[0]
	switch next.Event {
	case alert.EventUnshelved:
		return n.unshelve(ctx, a, e, m)
	case alert.EventAckExpired:
		a = unacknowledged(a)
		a.EscalatedAt = &n.now
	case alert.EventEscalated:
		a.Escalation, a.EscalatedAt = next.Rank, &n.now
	case alert.EventReminder:
		a.RemindedAt = &n.now
	}
	return n.repeat(ctx, a, next.Event, reasonOf[next.Event], e, m)
}

var reasonOf = map[string]string{
	alert.EventAckExpired: alert.ReasonAckOver, alert.EventEscalated: alert.ReasonNobody, alert.EventReminder: alert.ReasonNobody,
}

// unknownYet is when an alert is looked at again of which no message has been
// accepted: reminders count from the last one that was.
const unknownYet = 5 * time.Minute

func (n *notifier) lookAgain(f alert.Following, coming []alert.FollowUp) *time.Time {
	switch {
	case len(coming) > 0:
		return &coming[0].At
	case f.InForce && f.AcknowledgedUntil.IsZero():
		return new(n.now.Add(unknownYet))
	}
	return nil
}

func unacknowledged(a db.Alert) db.Alert {
	a.OperatorState, a.AcknowledgedBy, a.AckNote, a.AcknowledgedAt, a.AcknowledgedUntil = "none", "", "", nil, nil
	return a
}

// unshelve ends a shelf, and tells once what is still raised.
func (n *notifier) unshelve(ctx context.Context, a db.Alert, e *alert.Event, m alert.Matter) error {
	a.OperatorState, a.ShelvedBy, a.ShelveReason, a.ShelvedUntil = "none", "", "", nil
	a.EscalatedAt = &n.now
	if err := n.tx.ReleaseTellings(ctx, a.ID, alert.RuleShelved); err != nil {
		return err
	}
	if alert.Condition(a.Condition).InForce() {
		return n.repeat(ctx, a, alert.EventUnshelved, alert.ReasonShelfOver, e, m)
	}
	a.Reason, a.FollowAt = alert.ReasonShelfOver, nil
	_, _, err := n.tx.Advance(ctx, a, db.Transition{Event: alert.EventUnshelved})
	n.alerts = append(n.alerts, a.ID)
	return err
}

// Unshelve ends the shelf of an alert that the caller has locked: what somebody
// takes up again is told as when the shelf ends by itself.
func (s *Scheduler) Unshelve(ctx context.Context, tx *db.Tx, a db.Alert) error {
	n, err := s.newNotifier(ctx, tx)
	if err != nil {
		return err
	}
	e, m, err := n.aboutAlert(ctx, a)
	if err != nil {
		return err
	}
	if err := n.unshelve(ctx, a, e, m); err != nil {
		return err
	}
	return n.finish(ctx)
}

// repeat tells how an alert stands, by a transition that changes nothing of what
// was judged.
func (n *notifier) repeat(ctx context.Context, a db.Alert, event, reason string, e *alert.Event, m alert.Matter) error {
	state, err := stateOf(a)
	if err != nil {
		return err
	}
	d := alert.Decision{State: state, Event: event, Reason: reason}
	if a.WakeAt != nil {
		d.WakeAt = *a.WakeAt
	}
	if err := n.advance(ctx, a, d, db.Transition{Event: event}, e, m); err != nil {
		return err
	}
	n.s.metrics.transitions.WithLabelValues(event).Inc()
	return nil
}

// aboutAlert is what there is to say of an alert as it stands.
func (n *notifier) aboutAlert(ctx context.Context, a db.Alert) (*alert.Event, alert.Matter, error) {
	if a.Source != nil {
		health, err := n.tx.SourceHealth(ctx, *a.Source, n.now)
		zone := n.home(ctx)
		return n.sourceEvent(*a.Source, health, zone), alert.Matter{Zone: zone}, err
	}
	inputs, err := n.tx.PourInputs(ctx, []uuid.UUID{*a.PourID})
	if err != nil {
		return nil, alert.Matter{}, err
	}
	if len(inputs) == 0 {
		return nil, alert.Matter{}, db.ErrNotFound
	}
	v := judged{in: inputs[0]}
	if v.in.Pour.AssessmentID != nil {
		v.line = standing(v.in.Pour)
	}
	e, err := n.pourEvent(ctx, v)
	m := matterOfPour(v.in, alert.Severity(a.Severity))
	if err == nil {
		m.Inhibited, err = n.inhibitor(ctx, a)
	}
	return e, m, err
}

// inhibitor is the source whose alert speaks for an alert; empty when none does.
func (n *notifier) inhibitor(ctx context.Context, a db.Alert) (string, error) {
	if a.InhibitedBy == nil {
		return "", nil
	}
	by, err := n.tx.Alert(ctx, db.Scope{}, *a.InhibitedBy)
	if err != nil || by.Source == nil || !alert.Condition(by.Condition).InForce() {
		return "", err
	}
	return *by.Source, nil
}

// inhibit notes which source's alert speaks for the alert of a pour: one that the
// pour rests on, while nothing fresher is known.
func (n *notifier) inhibit(ctx context.Context, a *db.Alert, w Weather) (string, error) {
	a.InhibitedBy = nil
	if w.Age == fresh {
		return "", nil
	}
	sources := []string{w.Source}
	for _, p := range w.Parts {
		sources = append(sources, p.Source)
	}
	open, err := n.tx.Alerts(ctx, db.Scope{}, db.AlertFilter{
		Sources: sources, Kinds: []string{string(alert.SourceStale)}, Conditions: []string{string(alert.Raised), string(alert.Clearing)},
	}, db.Page{Limit: 1})
	if err != nil || len(open.Items) == 0 {
		return "", err
	}
	a.InhibitedBy = &open.Items[0].ID
	return *open.Items[0].Source, nil
}

// following is what the coming steps on an alert depend on.
func (n *notifier) following(ctx context.Context, a db.Alert, m alert.Matter) (alert.Following, error) {
	m.Severity = alert.Severity(a.Severity)
	f := alert.Following{
		InForce: alert.Condition(a.Condition).InForce(), Severity: m.Severity, Inhibited: m.Inhibited, Chattering: a.Chattering,
		Level: a.Escalation,
	}
	switch {
	case a.OperatorState == "shelved" && a.ShelvedUntil != nil:
		f.ShelvedUntil = *a.ShelvedUntil
	case a.OperatorState == "acknowledged" && a.AcknowledgedUntil != nil:
		f.AcknowledgedUntil = *a.AcknowledgedUntil
	}
	if !f.InForce || a.RaisedAt == nil {
		return f, nil
	}
	if planned, err := n.plannedFor(ctx, m); err != nil {
		return f, err
	} else if planned != nil {
		f.PlannedUntil = planned.Until
	}
	f.LevelAt = *a.RaisedAt
	if a.EscalatedAt != nil {
		f.LevelAt = *a.EscalatedAt
	}
	if end, in := n.quiet().Over(m.Zone, f.LevelAt); in && (m.Severity != alert.Critical || !n.quiet().CriticalExempt) {
		f.LevelAt = end // nobody has been told before
	}
	if a.RemindedAt != nil {
		f.Reminded = *a.RemindedAt
	}
	accepted, err := n.tx.AcceptedOf(ctx, a.ID, *a.RaisedAt)
	if err != nil {
		return f, err
	}
	if accepted != nil {
		f.Accepted = *accepted
	}
	if f.Steps, err = n.steps(ctx, a, m); err != nil {
		return f, err
	}
	return f, nil
}

// steps are the ranks of the endpoints that an alert concerns.
func (n *notifier) steps(ctx context.Context, a db.Alert, m alert.Matter) ([]alert.Step, error) {
	if err := n.loadListeners(ctx); err != nil {
		return nil, err
	}
	state, err := stateOf(a)
	if err != nil {
		return nil, err
	}
	m.Peak = state.Memory.Peak
	var steps []alert.Step
	for _, e := range n.endpoints {
		if alert.Concerns(m, n.listenerOf(e, db.Heard{})) {
			steps = append(steps, alert.Step{Rank: e.Rank, Delay: time.Duration(e.DelayMin) * time.Minute})
		}
	}
	return steps, nil
}

// Coming lists what time alone will do to an alert as it stands, the next first.
func (s *Scheduler) Coming(ctx context.Context, a db.Alert) (coming []alert.FollowUp, err error) {
	err = s.db.Tx(ctx, actor, func(tx *db.Tx) error {
		n, err := s.newNotifier(ctx, tx)
		if err != nil {
			return err
		}
		_, m, err := n.aboutAlert(ctx, a)
		if err != nil {
			return err
		}
		f, err := n.following(ctx, a, m)
		coming = f.Coming()
		return err
	})
	return coming, err
}
