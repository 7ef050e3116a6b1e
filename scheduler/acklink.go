package scheduler

import (
	"net/url"
	"time"

	"frostgate/db"
	"frostgate/scheduler/alert"

	"github.com/google/uuid"
)

// acknowledgeable is an event with the link by which the people at one endpoint
// can acknowledge its alert; as it is when there is nothing to acknowledge, or
// links would lead nowhere.
func (n *notifier) acknowledgeable(e *alert.Event, to db.Endpoint) *alert.Event {
	key := n.s.db.DeriveKey(alert.AckLinkPurpose)
	if n.s.cfg.PublicURL == "" || key == nil || e.Alert.ID == uuid.Nil || !e.Alert.Condition.InForce() {
		return e
	}
	link := alert.AckLink{
		AlertID: e.Alert.ID, EndpointID: to.ID, Episode: e.Alert.Episode, Expires: n.now.Add(alert.AckLinkLasts).Truncate(time.Second),
	}
	address, err := url.JoinPath(n.s.cfg.PublicURL, "a", link.Token(key))
	if err != nil {
		return e
	}
	own := *e
	own.Links.Acknowledge = address
	return &own
}
