package api

import (
	"cmp"
	"context"

	"frostgate/db"
	alerts "frostgate/scheduler/alert"
)

// acknowledgeBy acknowledges an alert for whoever holds the link of a message. It does so while the episode that the
// link was made for is in force, and nobody has acknowledged it since the link was made.
func (a *API) acknowledgeBy(ctx context.Context, l alerts.AckLink, name, note string) error {
	endpoint, err := a.db.Endpoint(ctx, l.EndpointID)
	if err != nil {
		return err
	}
	by := cmp.Or(name, "Somebody") + ", by a link sent to " + endpoint.Name
	return a.db.Tx(ctx, db.Actor{Name: by, RequestID: exchangeOf(ctx).id}, func(tx *db.Tx) error {
		alert, err := tx.LockAlertByID(ctx, db.Scope{}, l.AlertID)
		if err != nil {
			return err
		}
		if usable, err := ackLinkUsable(ctx, tx, alert, l); err != nil || !usable {
			return cmp.Or(err, db.ErrStale)
		}
		now := tx.Now()
		putAcknowledged(&alert, by, note, now, now.Add(alerts.AckLasts(alerts.Severity(alert.Severity))))
		return a.handle(ctx, tx, alert, db.Transition{Event: alerts.EventAcknowledged, Note: note})
	})
}

func ackLinkUsable(ctx context.Context, tx *db.Tx, alert db.Alert, l alerts.AckLink) (bool, error) {
	if alert.Episode != l.Episode || !alerts.Condition(alert.Condition).InForce() {
		return false, nil
	}
	steps, err := tx.Transitions(ctx, db.Scope{}, alert.ID)
	made := l.Expires.Add(-alerts.AckLinkLasts)
	for _, step := range steps {
		if step.Event == alerts.EventAcknowledged && step.Episode == l.Episode && !step.At.Before(made) {
			return false, err
		}
	}
	return true, err
}
