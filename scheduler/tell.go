package scheduler

import (
	"context"
	"fmt"
	"time"

	"frostgate/db"
	"frostgate/scheduler/alert"

	"github.com/google/uuid"
)

// matterOf is a call as something to be told.
func matterOf(c db.Call, in db.PourInput) alert.Matter {
	m := matterOfPour(in, alert.Severity(c.Severity))
	m.Event = c.Type
	return m
}

// matterOfPour is what is to be told of a pour, as far as the pour decides to whom.
func matterOfPour(in db.PourInput, s alert.Severity) alert.Matter {
	return alert.Matter{
		Severity: s, PourID: in.Pour.ID, SiteID: in.Pour.SiteID, CrewID: in.Pour.CrewID, PlantID: in.Pour.PlantID,
		Zone: zoneOf(in.Site.Timezone),
	}
}

// zoneOf is a stored zone, which was checked; should this machine not know it, UTC.
func zoneOf(name string) *time.Location {
	zone, err := time.LoadLocation(name)
	if err != nil {
		return time.UTC
	}
	return zone
}

// tell rules of each endpoint whether and when it is told of a matter, and stores
// the notice, the rulings, and the deliveries of what is told now, in this
// transaction. What is held is gathered when its time comes.
func (n *notifier) tell(ctx context.Context, m alert.Matter, e *alert.Event, about db.Notice) (uuid.UUID, error) {
	id, err := uuid.NewV7()
	if err != nil {
		return id, fmt.Errorf("make id: %w", err)
	}
	e.ID, about.ID, e.Links.Schema = id, id, n.s.address("event-schema.json")
	if about.Payload, err = e.Bytes(); err != nil {
		return id, err
	}
	if err := n.loadListeners(ctx); err != nil {
		return id, err
	}
	if m.Planned, err = n.plannedFor(ctx, m); err != nil {
		return id, err
	}
	heard, err := n.heardOf(ctx, about)
	if err != nil {
		return id, err
	}
	tellings := make([]db.Telling, len(n.endpoints))
	var deliveries []db.Delivery
	for i, to := range n.endpoints {
		listener := n.listenerOf(to, heard[to.ID])
		r := alert.Route(m, listener, n.quiet(), n.s.cfg.Pace, n.now)
		tellings[i] = db.Telling{
			NoticeID: id, EndpointID: to.ID, AlertID: about.AlertID, Transition: about.Transition, Severity: string(m.Urgency()), Ends: m.Ends,
			Ruling: string(r.Tell), Rule: r.Rule, Sentence: r.Sentence, State: "untold",
		}
		switch r.Tell {
		case alert.Now:
			covered, err := n.covering(ctx, e.HeardBy(heard[to.ID].Knows), about, to, heard[to.ID])
			if err != nil {
				return id, err
			}
			d, err := n.deliveryOf(ctx, n.acknowledgeable(covered, to), to, m.Urgency())
			if err != nil {
				return id, err
			}
			deliveries, n.due, tellings[i].State = append(deliveries, d), append(n.due, to.ID), "told"
			n.count(to.ID)
		case alert.Hold:
			tellings[i].State, tellings[i].DueAt = "waiting", &r.At
			if err := n.noteHold(ctx, to.ID, r); err != nil {
				return id, err
			}
		}
	}
	stored, isNew, err := n.tx.CreateNotice(ctx, about, deliveries)
	if err != nil || !isNew {
		return id, err
	}
	return id, n.storeTellings(ctx, about, tellings, stored, heard)
}

// covering is an event as an endpoint gets it that something earlier of the same
// alert waits for: the message tells that, too.
func (n *notifier) covering(ctx context.Context, e *alert.Event, about db.Notice, to db.Endpoint, heard db.Heard) (*alert.Event, error) {
	if !heard.Waiting || about.AlertID == nil {
		return e, nil
	}
	waiting, err := n.tx.WaitingOf(ctx, *about.AlertID, to.ID)
	if err != nil {
		return nil, err
	}
	one := *e
	one.Covers = make([]alert.EventCover, 0, len(waiting)+1)
	for _, w := range waiting {
		one.Covers = append(one.Covers, alert.EventCover{NoticeID: w.NoticeID, AlertID: *about.AlertID, Transition: *w.Transition})
	}
	one.Covers = append(one.Covers, alert.EventCover{NoticeID: e.ID, AlertID: *about.AlertID, Transition: *about.Transition})
	return &one, nil
}

// storeTellings stores rulings with the deliveries that tell them, and ends the
// waiting of what those cover.
func (n *notifier) storeTellings(ctx context.Context, about db.Notice, tellings []db.Telling, deliveries []db.Delivery, heard map[uuid.UUID]db.Heard) error {
	of := map[uuid.UUID]uuid.UUID{}
	for _, d := range deliveries {
		of[d.EndpointID] = d.ID
	}
	for i := range tellings {
		delivery, told := of[tellings[i].EndpointID]
		if !told {
			continue
		}
		tellings[i].DeliveryID = &delivery
		if !heard[tellings[i].EndpointID].Waiting {
			continue
		}
		waiting, err := n.tx.WaitingOf(ctx, *about.AlertID, tellings[i].EndpointID)
		if err != nil {
			return err
		}
		ids := make([]uuid.UUID, len(waiting))
		for j, w := range waiting {
			ids[j] = w.ID
		}
		if err := n.tx.TellTellings(ctx, delivery, ids...); err != nil {
			return err
		}
	}
	return n.tx.StoreTellings(ctx, tellings...)
}

// heardOf gives what the endpoints have heard of the alert that a notice is about.
func (n *notifier) heardOf(ctx context.Context, about db.Notice) (map[uuid.UUID]db.Heard, error) {
	heard := map[uuid.UUID]db.Heard{}
	if about.AlertID == nil || *about.Transition == 1 {
		return heard, nil
	}
	list, err := n.tx.HeardOf(ctx, *about.AlertID)
	for _, h := range list {
		heard[h.EndpointID] = h
	}
	return heard, err
}

// noteHold keeps in mind what is held of an endpoint's next message.
func (n *notifier) noteHold(ctx context.Context, id uuid.UUID, r alert.Ruling) error {
	load := n.loads[id]
	switch r.Rule {
	case alert.RuleGroup:
		if load.GatherAt == nil || r.At.Before(*load.GatherAt) {
			load.GatherAt = &r.At
		}
	case alert.RuleFlood:
		if err := n.tx.NoteFlood(ctx, id, 1, r.At); err != nil {
			return err
		}
	}
	n.loads[id] = load
	return nil
}

// count keeps in mind that an endpoint gets one message more.
func (n *notifier) count(id uuid.UUID) {
	load := n.loads[id]
	load.Recent = append(load.Recent, n.now)
	n.loads[id] = load
}

func (n *notifier) quiet() alert.QuietHours {
	f := n.firm
	if f.QuietStartsMin == nil || f.QuietEndsMin == nil {
		return alert.QuietHours{}
	}
	return alert.QuietHours{StartsMin: *f.QuietStartsMin, EndsMin: *f.QuietEndsMin, Set: true, CriticalExempt: f.QuietCriticalExempt}
}

// plannedFor is the planned suppression that a matter falls under; nil when there is none.
func (n *notifier) plannedFor(ctx context.Context, m alert.Matter) (*alert.Pause, error) {
	if !n.plansLoaded {
		var err error
		if n.plans, err = n.tx.ActiveSuppressions(ctx, n.now); err != nil {
			return nil, err
		}
		n.plansLoaded = true
	}
	for _, p := range n.plans {
		if (p.SiteID == nil || *p.SiteID == m.SiteID) && (p.CrewID == nil || *p.CrewID == m.CrewID) && (p.PourID == nil || *p.PourID == m.PourID) &&
			(m.Severity != alert.Critical || p.CriticalToo) {
			return &alert.Pause{Until: p.EndsAt, By: p.MadeBy, Reason: p.Reason, CriticalToo: p.CriticalToo}, nil
		}
	}
	return nil, nil
}

// deliveryOf writes an event in the form of an endpoint.
func (n *notifier) deliveryOf(ctx context.Context, e *alert.Event, to db.Endpoint, s alert.Severity) (d db.Delivery, err error) {
	d.EndpointID, d.Severity = to.ID, string(s)
	if d.ContentType, d.Body, err = alert.Write(e, to.Kind, settingsOf(to).Template); err != nil || to.Kind != alert.FormMail {
		return d, err
	}
	keys, err := n.tx.EndpointKeys(ctx, to.ID, n.now)
	d.Body = n.s.addressed(d.Body, keys)
	return d, err
}

// addressed is a message to an endpoint with the lines that say from whom and to
// whom it is, if it is a mail.
func (s *Scheduler) addressed(body []byte, keys db.Keys) []byte {
	if keys.Kind != alert.FormMail {
		return body
	}
	to, err := alert.MailAddresses(keys.URL)
	if err != nil {
		to = nil // it was checked when it was stored; the attempt says what is wrong
	}
	return append(alert.MailHead(s.cfg.Mail.From, to), body...)
}

func (n *notifier) listenerOf(e db.Endpoint, heard db.Heard) alert.Listener {
	l := alert.Listener{
		ID: e.ID, CrewIDs: e.CrewIDs, PlantIDs: e.PlantIDs, MinSeverity: alert.Severity(e.MinSeverity), Rank: e.Rank, DelayMin: e.DelayMin,
		Unconcerned: !settingsOf(e).tellsHandling(),
		Told:        (heard.Knows || heard.Waiting) && !heard.Ends, Recent: n.loads[e.ID].Recent,
	}
	if at := n.loads[e.ID].GatherAt; at != nil {
		l.GatherAt = *at
	}
	if heard.Waiting {
		l.Waiting = *heard.DueAt
	}
	if e.State != "enabled" {
		l.Stopped = e.StateReason
		if l.Stopped == "" {
			l.Stopped = "by hand"
		}
	}
	return l
}

// loadListeners reads all endpoints and what they were told lately, once.
func (n *notifier) loadListeners(ctx context.Context) error {
	if n.loads != nil {
		return nil
	}
	var err error
	if n.endpoints, err = n.everybody(ctx); err != nil {
		return err
	}
	loads, err := n.tx.Loads(ctx, n.now.Add(-alert.FloodTime), alert.RuleGroup)
	if err != nil {
		return err
	}
	n.loads = make(map[uuid.UUID]db.Load, len(loads))
	for _, l := range loads {
		n.loads[l.EndpointID] = l
	}
	return nil
}

// everybody are all endpoints, the disabled ones too.
func (n *notifier) everybody(ctx context.Context) ([]db.Endpoint, error) {
	var all []db.Endpoint
	page := db.Page{Limit: 1000}
	for {
		list, err := n.tx.Endpoints(ctx, page)
		if err != nil {
			return nil, err
		}
		all = append(all, list.Items...)
		if list.Next == nil {
			return all, nil
		}
		page.After = list.Next
	}
}

// ruleAsked is of what an endpoint gets because it asked for it.
const ruleAsked = "asked_for"

// tellOne sends an event to one endpoint that asked for it.
func (n *notifier) tellOne(ctx context.Context, to db.Endpoint, e *alert.Event, about db.Notice) (uuid.UUID, error) {
	id, err := uuid.NewV7()
	if err != nil {
		return id, fmt.Errorf("make id: %w", err)
	}
	e.ID, about.ID, e.Links.Schema = id, id, n.s.address("event-schema.json")
	if about.Payload, err = e.Bytes(); err != nil {
		return id, err
	}
	d, err := n.deliveryOf(ctx, e, to, alert.Warning)
	if err != nil {
		return id, err
	}
	stored, _, err := n.tx.CreateNotice(ctx, about, []db.Delivery{d})
	if err != nil {
		return id, err
	}
	n.due = append(n.due, to.ID)
	return id, n.tx.StoreTellings(ctx, db.Telling{
		NoticeID: id, EndpointID: to.ID, Severity: string(alert.Warning), Ruling: string(alert.Now), Rule: ruleAsked,
		Sentence: "The endpoint asked for it at this hour.", State: "told", DeliveryID: &stored[0].ID,
	})
}

// home is the zone of the firm's first site, whose clock what is of no site goes by.
func (n *notifier) home(ctx context.Context) *time.Location {
	sites, err := n.tx.Sites(ctx, db.Scope{}, db.Filter{}, db.Page{Limit: 1})
	if err != nil || len(sites.Items) == 0 {
		return time.UTC
	}
	zone, err := time.LoadLocation(sites.Items[0].Timezone)
	if err != nil {
		return time.UTC
	}
	return zone
}
