package scheduler

import (
	"context"
	"errors"
	"time"

	"frostgate/db"
	"frostgate/scheduler/alert"

	"github.com/google/uuid"
)

// watch does what time alone makes necessary: pours whose hour has come are
// assessed anew, what the clock has to say of pours is said, digests go out, and
// weather sources that went quiet raise an alert.
func (s *Scheduler) watch(ctx context.Context) error {
	return errors.Join(s.watchPours(ctx), s.sayCalls(ctx), s.sendDigests(ctx), s.followAlerts(ctx), s.endSuppressions(ctx), s.watchSources(ctx))
}

// How far around now pours are watched.
const (
	watchBehind = 10 * 24 * time.Hour // protection is off by then
	watchAhead  = 16 * 24 * time.Hour // no forecast reaches further
)

func (s *Scheduler) watchPours(ctx context.Context) error {
	return s.db.Tx(ctx, actor, func(tx *db.Tx) error {
		now := tx.Now()
		pours, err := tx.WatchedPours(ctx, now.Add(-watchBehind), now.Add(watchAhead))
		if err != nil {
			return err
		}
		var due []uuid.UUID
		for _, p := range pours {
			if hourHasCome(p, now) {
				due = append(due, p.ID)
			}
		}
		woken, err := wokenPours(ctx, tx, now)
		if err != nil {
			return err
		}
		return s.enqueueAssess(ctx, tx, causeClock, append(due, woken...))
	})
}

// due asks for what is due by the database's clock: those of machines differ, and
// what one noted another looks up.
func (s *Scheduler) due(ctx context.Context, ask func(*db.Tx) ([]uuid.UUID, error)) (ids []uuid.UUID, err error) {
	err = s.db.Tx(ctx, actor, func(tx *db.Tx) (err error) {
		ids, err = ask(tx)
		return err
	})
	return ids, err
}

// mostWoken bounds one look; the rest is the next one's.
const mostWoken = 500

// wokenPours are those whose alert waits for a time that has come.
func wokenPours(ctx context.Context, tx *db.Tx, now time.Time) ([]uuid.UUID, error) {
	ids, err := tx.DueAlerts(ctx, now, mostWoken)
	if err != nil {
		return nil, err
	}
	var pours []uuid.UUID
	for _, id := range ids {
		a, err := tx.Alert(ctx, db.Scope{}, id)
		if err != nil {
			return nil, err
		}
		if a.PourID != nil {
			pours = append(pours, *a.PourID)
		}
	}
	return pours, nil
}

// lookAgainAfter is how long a pour goes without a look, whatever happens: its
// weather may have grown too old meanwhile.
const lookAgainAfter = time.Hour

// hourHasCome reports whether a pour has not been looked at since one of its
// hours. It asks nothing of the past but that, so hours missed while nothing ran
// are made up for, once.
func hourHasCome(p db.WatchedPour, now time.Time) bool {
	if p.AssessedAt == nil || now.Sub(*p.AssessedAt) >= lookAgainAfter {
		return true
	}
	for _, hour := range hoursOfPour(p) {
		if p.AssessedAt.Before(hour) && !now.Before(hour) {
			return true
		}
	}
	return false
}

// hoursOfPour are the moments at which a pour is looked at anew: where its
// urgency changes, the afternoon before, first light on the day, and the start.
func hoursOfPour(p db.WatchedPour) []time.Time {
	hours := []time.Time{p.StartsAt, p.StartsAt.Add(-alert.MajorWithin), p.StartsAt.Add(-alert.CriticalWithin)}
	if p.CancelBy != nil {
		hours = append(hours, *p.CancelBy, p.CancelBy.Add(-alert.MajorWithin), p.CancelBy.Add(-alert.CriticalWithin))
	}
	zone, err := time.LoadLocation(p.Timezone)
	if err != nil {
		return hours
	}
	return append(hours, alert.Afternoon(p.StartsAt, zone), alert.FirstLight(p.StartsAt, zone, p.Latitude, p.Longitude))
}
