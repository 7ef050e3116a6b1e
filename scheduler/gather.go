package scheduler

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"

	"frostgate/db"
	"frostgate/scheduler/alert"

	"github.com/google/uuid"
)

// mostGathered bounds one message; the rest is the next one's.
const mostGathered = 500

// gather makes one message for each endpoint of what was held and whose time has
// come.
func (s *Scheduler) gather(ctx context.Context) error {
	due, err := s.due(ctx, func(tx *db.Tx) ([]uuid.UUID, error) { return tx.GatheringEndpoints(ctx, tx.Now()) })
	for _, id := range due {
		err = errors.Join(err, s.gatherFor(ctx, id))
	}
	return err
}

func (s *Scheduler) gatherFor(ctx context.Context, endpointID uuid.UUID) error {
	return s.db.Tx(ctx, actor, func(tx *db.Tx) error {
		to, err := tx.LockEndpoint(ctx, endpointID)
		if errors.Is(err, db.ErrNotFound) || err == nil && to.State != "enabled" {
			return nil // gone, stopped, or another replica is at it
		}
		if err != nil {
			return err
		}
		firm, err := tx.Firm(ctx)
		if err != nil {
			return err
		}
		n := &notifier{s: s, tx: tx, firm: firm, now: tx.Now().UTC()}
		if err := n.gather(ctx, to); err != nil {
			return fmt.Errorf("gather for endpoint %s: %w", endpointID, err)
		}
		return n.finish(ctx)
	})
}

func (n *notifier) gather(ctx context.Context, to db.Endpoint) error {
	lines, err := n.tx.DueTellings(ctx, to.ID, mostGathered)
	if err != nil || len(lines) == 0 {
		return err
	}
	if err := n.loadListeners(ctx); err != nil {
		return err
	}
	waiting, knows, err := n.waitingOf(ctx, to, lines)
	if err != nil {
		return err
	}
	g := alert.Gather(waiting, knows, n.loads[to.ID].Recent, n.s.cfg.Pace, n.now)
	if !g.FloodTo.IsZero() {
		return n.tx.FloodTellings(ctx, to.ID, g.FloodTo, alert.RuleFlood, "The endpoint has had its most messages; the next one folds all that comes meanwhile.", idsOf(waiting)...)
	}
	if err := n.tx.DropTellings(ctx, alert.RuleClearedYet, "It was over before anyone there was told.", idsOf(g.Over)...); err != nil {
		return err
	}
	if err := n.tx.DropTellings(ctx, alert.RuleShelved, "It was shelved before it was told.", idsOf(g.Aside)...); err != nil {
		return err
	}
	if len(g.Lines) == 0 {
		return nil
	}
	return n.tellTogether(ctx, to, g.Lines, lines, knows)
}

// waitingOf is what waits for an endpoint, and of which alerts it knows.
func (n *notifier) waitingOf(ctx context.Context, to db.Endpoint, lines []db.TellingLine) ([]alert.Waiting, map[uuid.UUID]bool, error) {
	var alerts []uuid.UUID
	waiting := make([]alert.Waiting, len(lines))
	for i, l := range lines {
		waiting[i] = alert.Waiting{ID: l.ID, NoticeID: l.NoticeID, Severity: alert.Severity(l.Severity), Event: l.Type, Ends: l.Ends}
		if l.AlertID == nil {
			continue
		}
		waiting[i].AlertID, waiting[i].Transition = *l.AlertID, *l.Transition
		a, err := n.tx.Alert(ctx, db.Scope{}, *l.AlertID)
		if err != nil {
			return nil, nil, err
		}
		if n.shelved(a.Alert) {
			waiting[i].Shelved = a.ShelveReason
		}
		alerts = append(alerts, *l.AlertID)
	}
	knows := map[uuid.UUID]bool{}
	heard, err := n.tx.HeardOf(ctx, alerts...)
	for _, h := range heard {
		if h.EndpointID == to.ID {
			knows[h.AlertID] = h.Knows
		}
	}
	return waiting, knows, err
}

func idsOf(list []alert.Waiting) []uuid.UUID {
	ids := make([]uuid.UUID, len(list))
	for i, w := range list {
		ids[i] = w.ID
	}
	return ids
}

// tellTogether makes the delivery of one message: of a single matter as it is, of
// several as a group.
func (n *notifier) tellTogether(ctx context.Context, to db.Endpoint, lines []alert.Line, stored []db.TellingLine, knows map[uuid.UUID]bool) error {
	payloads := map[uuid.UUID][]byte{}
	for _, l := range stored {
		payloads[l.NoticeID] = l.Payload
	}
	var events []*alert.Event
	var covers []alert.EventCover
	var ids []uuid.UUID
	worst := alert.Warning
	for _, line := range lines {
		var e alert.Event
		if err := json.Unmarshal(payloads[line.Last.NoticeID], &e); err != nil {
			return fmt.Errorf("read notice %s: %w", line.Last.NoticeID, err)
		}
		events = append(events, e.HeardBy(knows[line.Last.AlertID]))
		for _, w := range append(line.Before, line.Last) {
			ids = append(ids, w.ID)
			if w.AlertID != uuid.Nil {
				covers = append(covers, alert.EventCover{NoticeID: w.NoticeID, AlertID: w.AlertID, Transition: w.Transition})
			}
		}
		if line.Last.Severity.AtLeast(worst) {
			worst = line.Last.Severity
		}
	}
	d, err := n.messageOf(ctx, to, events, covers, worst)
	if err != nil {
		return err
	}
	n.due = append(n.due, to.ID)
	return n.tx.TellTellings(ctx, d, ids...)
}

// messageOf stores the delivery of some events to an endpoint.
func (n *notifier) messageOf(ctx context.Context, to db.Endpoint, events []*alert.Event, covers []alert.EventCover, worst alert.Severity) (uuid.UUID, error) {
	if len(events) == 1 {
		e := events[0]
		if len(covers) > 1 {
			e.Covers = covers
		}
		d, err := n.deliveryOf(ctx, n.acknowledgeable(e, to), to, worst)
		if err != nil {
			return uuid.Nil, err
		}
		stored, err := n.tx.AddDelivery(ctx, e.ID, d)
		return stored.ID, err
	}
	id, err := uuid.NewV7()
	if err != nil {
		return id, fmt.Errorf("make id: %w", err)
	}
	e := alert.Grouped(id, n.now, events, covers, n.s.address("alerts"))
	e.Links.Schema = n.s.address("event-schema.json")
	body, err := e.Bytes()
	if err != nil {
		return id, err
	}
	d, err := n.deliveryOf(ctx, n.acknowledgeable(e, to), to, worst)
	if err != nil {
		return id, err
	}
	stored, _, err := n.tx.CreateNotice(ctx, db.Notice{ID: id, Type: e.Type, Reason: alert.RuleGroup, Payload: body}, []db.Delivery{d})
	if err != nil {
		return id, err
	}
	return stored[0].ID, nil
}
