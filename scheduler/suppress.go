package scheduler

import (
	"context"
	"time"

	"frostgate/db"
	"frostgate/scheduler/alert"

	"github.com/google/uuid"
)

// mostClosed bounds one look; the rest is the next one's.
const mostClosed = 100

// endSuppressions tells once what is still raised when a planned suppression ends.
func (s *Scheduler) endSuppressions(ctx context.Context) error {
	return s.db.Tx(ctx, actor, func(tx *db.Tx) error {
		closed, err := tx.CloseSuppressions(ctx, mostClosed)
		if err != nil || len(closed) == 0 {
			return err
		}
		return s.liftSuppressions(ctx, tx, closed)
	})
}

// SuppressionChanged has what a planned suppression held decided anew, in the
// transaction that edited it: one that ends early, starts later or lets through
// what is critical keeps nothing back any more.
func (s *Scheduler) SuppressionChanged(ctx context.Context, tx *db.Tx, before db.Suppression) error {
	closed, err := tx.CloseSuppressions(ctx, mostClosed)
	if err != nil {
		return err
	}
	if !before.StartsAt.After(tx.Now()) && before.ClosedAt == nil {
		closed = append(closed, before)
	}
	return s.liftSuppressions(ctx, tx, closed)
}

func (s *Scheduler) liftSuppressions(ctx context.Context, tx *db.Tx, lifted []db.Suppression) error {
	n, err := s.newNotifier(ctx, tx)
	if err != nil {
		return err
	}
	n.now = tx.Now() // by which suppressions end
	told := map[uuid.UUID]bool{}
	for _, w := range lifted {
		ids, err := tx.AlertsUnder(ctx, w)
		if err != nil {
			return err
		}
		for _, id := range ids {
			if told[id] {
				continue
			}
			if told[id], err = n.unsuppress(ctx, id, w); err != nil {
				return err
			}
		}
	}
	if err := n.replan(ctx); err != nil {
		return err
	}
	return n.finish(ctx)
}

// unsuppress tells how an alert stands that a planned suppression kept from being
// told, unless another one still does.
func (n *notifier) unsuppress(ctx context.Context, id uuid.UUID, w db.Suppression) (told bool, err error) {
	a, err := n.tx.LockAlertByID(ctx, db.Scope{}, id)
	if err != nil || !alert.Condition(a.Condition).InForce() {
		return false, err
	}
	if alert.Severity(a.Severity) == alert.Critical && !w.CriticalToo {
		return false, nil // it was told all the same
	}
	e, m, err := n.aboutAlert(ctx, a)
	if err != nil {
		return false, err
	}
	m.Severity = alert.Severity(a.Severity)
	if planned, err := n.plannedFor(ctx, m); err != nil || planned != nil {
		return false, err
	}
	if a.OperatorState != "acknowledged" {
		a.EscalatedAt = &n.now
	}
	return true, n.repeat(ctx, a, alert.EventUnsuppressed, alert.ReasonPlanOver, e, m)
}

// replan has what planned suppressions hold wait as long as they say now.
func (n *notifier) replan(ctx context.Context) error {
	held, err := n.tx.AlertsHeldBy(ctx, alert.RulePlanned)
	if err != nil {
		return err
	}
	for _, a := range held {
		m := alert.Matter{Severity: alert.Severity(a.Severity), Zone: time.UTC}
		if a.Timezone != nil {
			m.Zone = zoneOf(*a.Timezone)
		}
		for _, of := range []struct{ is, to *uuid.UUID }{{a.PourID, &m.PourID}, {a.SiteID, &m.SiteID}, {a.CrewID, &m.CrewID}} {
			if of.is != nil {
				*of.to = *of.is
			}
		}
		planned, err := n.plannedFor(ctx, m)
		if err != nil {
			return err
		}
		until, why := n.now, "The planned suppression that held it ended early."
		if planned != nil {
			until, why = planned.Until, m.Suppressed(*planned)
		}
		if err := n.tx.PostponeTellings(ctx, a.ID, alert.RulePlanned, until, why); err != nil {
			return err
		}
	}
	return nil
}
