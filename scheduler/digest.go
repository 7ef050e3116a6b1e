package scheduler

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"frostgate/db"
	"frostgate/rules"
	"frostgate/scheduler/alert"
)

// sendDigests sends each endpoint that wants it the pours of its day, in the
// morning, or of the next day, in the afternoon.
func (s *Scheduler) sendDigests(ctx context.Context) error {
	return s.db.Tx(ctx, actor, func(tx *db.Tx) error {
		firm, err := tx.Firm(ctx)
		if err != nil {
			return err
		}
		n := &notifier{s: s, tx: tx, firm: firm, now: tx.Clock()}
		endpoints, err := n.everybody(ctx)
		if err != nil {
			return err
		}
		for _, to := range endpoints {
			if to.State == "enabled" {
				err = errors.Join(err, n.digest(ctx, to))
			}
		}
		return errors.Join(err, n.finish(ctx))
	})
}

// digestSettings are an endpoint's wishes, as they were checked when stored.
type digestSettings struct {
	Morning   string `json:"morning"` // 15:04, local
	Afternoon string `json:"afternoon"`
	Timezone  string `json:"timezone"`
	Empty     bool   `json:"empty"` // also when there is no pour
}

func (d digestSettings) times() (alert.Digest, error) {
	zone, err := time.LoadLocation(d.Timezone)
	if err != nil {
		return alert.Digest{}, fmt.Errorf("load zone: %w", err)
	}
	times := alert.Digest{Zone: zone}
	for text, minute := range map[string]**int{d.Morning: &times.MorningMin, d.Afternoon: &times.AfternoonMin} {
		if at, err := time.Parse("15:04", text); err == nil {
			*minute = new(at.Hour()*60 + at.Minute())
		}
	}
	return times, nil
}

func (n *notifier) digest(ctx context.Context, to db.Endpoint) error {
	var settings struct {
		Digest *digestSettings `json:"digest"`
	}
	if err := json.Unmarshal(to.Settings, &settings); err != nil || settings.Digest == nil {
		return nil //nolint:nilerr // settings of a kind of their own
	}
	times, err := settings.Digest.times()
	if err != nil {
		return err
	}
	at, day, due := times.Due(n.now)
	if !due {
		return nil
	}
	if fresh, err := n.tx.ClaimDigest(ctx, to.ID, at); err != nil || !fresh {
		return err
	}
	pours, err := n.digestPours(ctx, to, day)
	if err != nil || len(pours) == 0 && !settings.Digest.Empty {
		return err
	}
	e := &alert.Event{Type: alert.EventDigestType, At: n.now, Reason: alert.ReasonClock, Digest: alert.NewDigest(day, n.firm.Units, pours)}
	if n.s.cfg.PublicURL != "" {
		e.Links.Alert = n.s.cfg.PublicURL
	}
	e.Compose()
	id, err := n.tellOne(ctx, to, e, db.Notice{Type: e.Type, Reason: e.Reason})
	if err != nil {
		return err
	}
	return n.tx.NoteDigest(ctx, to.ID, at, id)
}

// mostInDigest bounds what is read for one; what is more is counted no further.
const mostInDigest = 500

func (n *notifier) digestPours(ctx context.Context, to db.Endpoint, day time.Time) ([]alert.EventDigestPour, error) {
	date := day.Format(time.DateOnly)
	list, err := n.tx.Pours(ctx, db.Scope{Crews: to.CrewIDs, Plants: to.PlantIDs}, db.PourFilter{
		DayFrom: date, DayUntil: date, States: []db.PourState{db.Planned, db.Placed},
	}, db.Page{Limit: mostInDigest})
	if err != nil {
		return nil, err
	}
	pours := make([]alert.EventDigestPour, 0, len(list.Items))
	for _, l := range list.Items {
		zone, err := time.LoadLocation(l.Timezone)
		if err != nil {
			return nil, fmt.Errorf("load zone: %w", err)
		}
		hour := func(t time.Time) alert.EventMoment {
			return alert.EventMoment{At: t.UTC(), Local: n.firm.Units.Hour(t.In(zone))}
		}
		p := alert.EventDigestPour{
			EventPour: alert.EventPour{
				ID: l.ID, Name: l.Name, Site: l.SiteName, Crew: l.CrewName, Plant: l.PlantName, Timezone: l.Timezone,
				Starts: hour(startOf(l.Pour)), State: string(l.State),
			},
			Verdict: l.Verdict, Link: n.s.pageOf("pours", l.ID),
		}
		if l.Verdict != rules.Place {
			p.Reason = l.WorstReason
		}
		pours = append(pours, p)
	}
	return pours, nil
}
