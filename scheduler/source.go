package scheduler

import (
	"context"
	"errors"
	"time"

	"frostgate/db"
	"frostgate/scheduler/alert"
	"frostgate/scheduler/forecast"
)

// watchSources raises an alert for each source of weather or of warnings that
// went quiet.
func (s *Scheduler) watchSources(ctx context.Context) error {
	var all error
	for _, about := range abouts(s.cfg.Sources, s.cfg.Warners) {
		if !about.Aside {
			all = errors.Join(all, s.watchSource(ctx, about))
		}
	}
	return all
}

// watchSource raises one alert for a source that tells nothing fresh, and has the
// pours that rest on it looked at.
func (s *Scheduler) watchSource(ctx context.Context, about forecast.About) error {
	return s.db.Tx(ctx, actor, func(tx *db.Tx) error {
		health, err := s.health(ctx, tx.SourceHealth, about)
		if err != nil {
			return err
		}
		now := tx.Clock()
		if health.IssuedAt != nil {
			s.metrics.sourceAge.WithLabelValues(about.Name).Set(now.Sub(*health.IssuedAt).Seconds())
		}
		firm, err := tx.Firm(ctx)
		if err != nil {
			return err
		}
		n := &notifier{s: s, tx: tx, firm: firm, now: now}
		return n.source(ctx, about, health)
	})
}

// health is how fresh a source is. What a source of warnings says holds from when
// it was asked: no warning is an answer too.
func (s *Scheduler) health(
	ctx context.Context, ask func(context.Context, string, time.Time) (db.SourceHealth, error), about forecast.About,
) (db.SourceHealth, error) {
	h, err := ask(ctx, about.Name, s.now())
	if about.Warns {
		h.IssuedAt = h.SucceededAt
	}
	return h, err
}

// settlesWithin is how long weather may take to come in after a start, of a
// source or of the program, before its lack is worth an alert.
const settlesWithin = 15 * time.Minute

// judgementOfSource calls a source bad when a try since its weather grew old
// brought nothing newer, or when there was no try all this time.
func (s *Scheduler) judgementOfSource(about forecast.About, h db.SourceHealth, now time.Time) alert.Judgement {
	j := alert.Judgement{Known: true, Severity: alert.Indeterminate, Cause: "stale"}
	switch {
	case h.Cells == 0:
		j.Gone = "not in use"
	case h.IssuedAt == nil:
		j.Bad, j.Cause = h.WaitingFrom != nil && now.Sub(*h.WaitingFrom) > settlesWithin, "none"
	case ageOf(about, *h.IssuedAt, now) != fresh:
		tried := h.TriedAt != nil && ageOf(about, *h.IssuedAt, *h.TriedAt) != fresh
		j.Bad = tried || now.Sub(s.startedAt) > settlesWithin
		j.Known = j.Bad
	}
	return j
}

func (n *notifier) source(ctx context.Context, about forecast.About, h db.SourceHealth) error {
	j := n.s.judgementOfSource(about, h, n.now)
	open, err := n.tx.Alerts(ctx, db.Scope{}, db.AlertFilter{
		Sources: []string{about.Name}, Kinds: []string{string(alert.SourceStale)}, Conditions: []string{string(alert.Raised)},
	}, db.Page{Limit: 1})
	if err != nil || len(open.Items) == 0 && (!j.Bad || j.Gone != "") {
		return err
	}
	a, d, err := n.decide(ctx, db.Subject{Source: &about.Name}, alert.SourceStale, j)
	if err != nil {
		return err
	}
	if d.Event == "" {
		return n.save(ctx, a, d, false)
	}
	zone := n.home(ctx)
	err = n.advance(ctx, a, d, db.Transition{Event: d.Event}, n.sourceEvent(about.Name, h, zone), alert.Matter{Zone: zone})
	if err != nil {
		return err
	}
	n.s.metrics.transitions.WithLabelValues(d.Event).Inc()
	if err := announce(ctx, n.tx, Event{Kind: "source", Name: about.Name}); err != nil {
		return err
	}
	return n.finish(ctx)
}

// sourceEvent says what is to be said of a source, by the clock of a zone.
func (n *notifier) sourceEvent(name string, h db.SourceHealth, zone *time.Location) *alert.Event {
	e := &alert.Event{Source: &alert.EventSource{Name: name, Error: h.LastError}}
	if h.IssuedAt != nil {
		e.Source.IssuedAt, e.Source.Issued = h.IssuedAt.UTC(), n.firm.Units.Day(h.IssuedAt.In(zone))
	}
	return e
}
