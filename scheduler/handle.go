package scheduler

import (
	"context"
	"errors"
	"time"

	"frostgate/db"
	"frostgate/scheduler/alert"
)

// Handle stores what the transaction's actor did to an alert that it has locked and
// changed, and tells those who were told of the alert. It is told for information:
// nothing is escalated by it, and what the alert said last stays what the next
// message is compared with.
func (s *Scheduler) Handle(ctx context.Context, tx *db.Tx, a db.Alert, t db.Transition) error {
	a, t, err := tx.Advance(ctx, a, t)
	if err != nil {
		return err
	}
	n, err := s.newNotifier(ctx, tx)
	if err != nil {
		return err
	}
	n.alerts = append(n.alerts, a.ID)
	e, m, err := n.aboutAlert(ctx, a)
	switch {
	case errors.Is(err, db.ErrNotFound): // its pour is gone, and nobody waits for news of it
		return n.finish(ctx)
	case err != nil:
		return err
	}
	if err := n.tellHandling(ctx, a, t, e, m); err != nil {
		return err
	}
	s.metrics.transitions.WithLabelValues(t.Event).Inc()
	return n.finish(ctx)
}

func (n *notifier) tellHandling(ctx context.Context, a db.Alert, t db.Transition, e *alert.Event, m alert.Matter) error {
	state, err := stateOf(a)
	if err != nil {
		return err
	}
	e.Type, e.Reason, e.At = t.Event, alert.ReasonPerson, n.now
	e.Alert = alert.EventAlert{
		ID: a.ID, Kind: alert.Kind(a.Kind), Condition: state.Condition, Severity: state.Severity, Episode: a.Episode, Transition: t.Number, Verified: a.Verified,
	}
	if a.RaisedAt != nil {
		e.Alert.RaisedAt = a.RaisedAt.UTC()
	}
	e.Links.Alert = n.s.pageOf("alerts", a.ID)
	e.Handling = n.handling(a, t, m)
	e.Compose()
	m.Event, m.Severity, m.Peak, m.Level = t.Event, state.Severity, state.Memory.Peak, a.Escalation
	if t.Event != alert.EventShelved && n.shelved(a) {
		m.Shelved = &alert.Pause{Until: *a.ShelvedUntil, By: a.ShelvedBy, Reason: a.ShelveReason}
	}
	_, err = n.tell(ctx, m, e, db.Notice{AlertID: &a.ID, Transition: &t.Number, Type: t.Event, Reason: alert.ReasonPerson})
	return err
}

// handling is who did something, what they said, and how long it holds.
func (n *notifier) handling(a db.Alert, t db.Transition, m alert.Matter) *alert.EventHandling {
	h := &alert.EventHandling{By: t.Actor, Note: t.Note}
	until := a.AcknowledgedUntil
	if t.Event == alert.EventShelved {
		until = a.ShelvedUntil
	}
	if until != nil {
		zone := m.Zone
		if zone == nil {
			zone = time.UTC
		}
		h.Until = &alert.EventMoment{At: until.UTC(), Local: n.firm.Units.Day(until.In(zone))}
	}
	return h
}
