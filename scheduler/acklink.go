package scheduler

import (
	"slices"
	"time"

	"frostgate/db"
	"frostgate/scheduler/alert"

	"github.com/google/uuid"
)

// acknowledgeable is an event with the links by which the people at one endpoint
// can acknowledge what it tells; as it is when there is nothing to acknowledge, or
// links would lead nowhere.
func (n *notifier) acknowledgeable(e *alert.Event, to db.Endpoint) *alert.Event {
	own := *e
	if e.Handling == nil || e.Type == alert.EventUnacknowledged {
		own.Links.Acknowledge = n.ackLink(e.Alert, to)
	}
	if e.Group != nil {
		group := *e.Group
		group.Items = slices.Clone(group.Items)
		for i := range group.Items {
			group.Items[i].Acknowledge = n.ackLink(group.Items[i].Alert, to)
		}
		own.Group = &group
	}
	return &own
}

// ackLink is the address by which the people at an endpoint can acknowledge an
// alert; empty when it is over, or links would lead nowhere.
func (n *notifier) ackLink(a alert.EventAlert, to db.Endpoint) string {
	if !n.s.AckLinks() || a.ID == uuid.Nil || !a.Condition.InForce() {
		return ""
	}
	link := alert.AckLink{
		AlertID: a.ID, EndpointID: to.ID, Episode: a.Episode, Expires: n.now.Add(alert.AckLinkLasts).Truncate(time.Second),
	}
	return n.s.address("a", link.Token(n.s.db.DeriveKey(alert.AckLinkPurpose)))
}

// AckLinks reports whether messages have links to acknowledge by: there is an
// address that they lead to, and a key that signs them.
func (s *Scheduler) AckLinks() bool {
	return s.cfg.PublicURL != "" && s.db.DeriveKey(alert.AckLinkPurpose) != nil
}
