package scheduler

import (
	"context"
	"fmt"
	"slices"
	"time"

	"frostgate/db"
	"frostgate/scheduler/alert"

	"github.com/google/uuid"
)

// TryEndpoint makes one call to an endpoint, as people do before they rely on it,
// and gives its answer. Nothing is stored.
func (s *Scheduler) TryEndpoint(ctx context.Context, id uuid.UUID) (alert.Answer, error) {
	keys, err := s.db.EndpointKeys(ctx, id, s.now())
	if err != nil {
		return alert.Answer{}, err
	}
	e := alert.Event{
		Type: alert.EventTest, ID: uuid.New(), At: s.now().UTC().Truncate(time.Second),
		Text: "This is a test of frostgate. Nothing is wrong.", Links: alert.EventLinks{Schema: s.address("event-schema.json")},
	}
	contentType, body, err := alert.Write(&e, keys.Kind, "")
	if err != nil {
		return alert.Answer{}, err
	}
	return s.poster.Post(ctx, alert.Message{
		URL: keys.URL, Form: keys.Kind, Secrets: keys.Secrets, ID: "msg_" + e.ID.String(), Attempt: 1, ContentType: contentType, Body: s.addressed(body, keys),
	}), nil
}

// EndpointRestored tells the other endpoints that one works again, and has what
// waits for it sent, in the transaction that restored it.
func (s *Scheduler) EndpointRestored(ctx context.Context, tx *db.Tx, e db.Endpoint) error {
	text := fmt.Sprintf("Messages go to the endpoint %s again. What waited for it is sent now.", e.Name)
	if err := s.tellOthers(ctx, tx, e.ID, alert.EventRestored, text, tx.Actor().Name); err != nil {
		return err
	}
	return s.EnqueueDeliver(ctx, tx, e.ID)
}

// stopEndpoint stops an endpoint and tells the others.
func (s *Scheduler) stopEndpoint(ctx context.Context, tx *db.Tx, id uuid.UUID, reason string) error {
	stopped, err := tx.DisableEndpoint(ctx, id, reason)
	if err != nil || !stopped {
		return err
	}
	s.log.WarnContext(ctx, "endpoint stopped", "endpoint", id, "reason", reason)
	e, err := tx.Endpoint(ctx, id)
	if err != nil {
		return err
	}
	text := fmt.Sprintf("No messages go to the endpoint %s any more: %s. What is meant for it waits until somebody restores it.", e.Name, reason)
	return s.tellOthers(ctx, tx, id, alert.EventDisabled, text, reason)
}

// highestRank reaches every endpoint, whatever its place in an escalation.
const highestRank = 9

// tellOthers tells all endpoints but one about that one.
func (s *Scheduler) tellOthers(ctx context.Context, tx *db.Tx, about uuid.UUID, event, text, reason string) error {
	firm, err := tx.Firm(ctx)
	if err != nil {
		return err
	}
	n := &notifier{s: s, tx: tx, firm: firm, now: tx.Now().UTC()}
	if err := n.loadListeners(ctx); err != nil {
		return err
	}
	n.endpoints = slices.DeleteFunc(n.endpoints, func(e db.Endpoint) bool { return e.ID == about })
	e := &alert.Event{Type: event, At: n.now, Reason: reason, Text: text, Links: alert.EventLinks{Alert: s.pageOf("firm/endpoints", about)}}
	// Whoever relies on messages has to know that some do not arrive: nothing holds this back.
	m := alert.Matter{Event: event, Severity: alert.Critical, Level: highestRank, Zone: n.home(ctx)}
	if _, err := n.tell(ctx, m, e, db.Notice{Type: event, Reason: reason}); err != nil {
		return err
	}
	return n.finish(ctx)
}
