package scheduler

import (
	"context"
	"errors"
	"slices"
	"time"

	"frostgate/db"
	"frostgate/scheduler/forecast"

	"github.com/google/uuid"
)

// warn asks for the official warnings of the sites that are due. All of one
// source are due together, since one question serves them all.
func (s *Scheduler) warn(ctx context.Context) error {
	var all error
	for _, w := range s.cfg.Warners {
		all = errors.Join(all, s.linkSites(ctx, w), s.pullWarnings(ctx, w))
	}
	return all
}

// mostWarned bounds the zones of one question.
const mostWarned = 10_000

func (s *Scheduler) pullWarnings(ctx context.Context, source forecast.Warner) error {
	about := source.About()
	var cells []db.Cell
	err := s.db.Tx(ctx, actor, func(tx *db.Tx) error {
		claimed, err := tx.ClaimCells(ctx, about.Name, mostWarned, claimLease)
		for _, c := range claimed {
			if c.Key != outsideKey {
				cells = append(cells, c)
			} else {
				err = errors.Join(err, s.unlinkOutside(ctx, tx, c))
			}
		}
		return err
	})
	if err != nil || len(cells) == 0 {
		return err
	}
	sites, places, err := s.warnedPlaces(ctx, cells)
	if err != nil {
		return err
	}
	warnings, asked := source.Warnings(ctx, places)
	if ctx.Err() != nil {
		return ctx.Err()
	}
	return s.takeWarnings(ctx, about, cells, sites, warnings, asked)
}

// warnedPlaces are the sites in some zones, and the question for each.
func (s *Scheduler) warnedPlaces(ctx context.Context, cells []db.Cell) ([]db.CellSite, []forecast.Cell, error) {
	ids, key := make([]uuid.UUID, len(cells)), map[uuid.UUID]string{}
	for i, c := range cells {
		ids[i], key[c.ID] = c.ID, c.Key
	}
	sites, err := s.db.CellSites(ctx, ids...)
	places := make([]forecast.Cell, len(sites))
	for i, site := range sites {
		places[i] = forecast.Cell{Key: key[site.CellID], Latitude: site.Latitude, Longitude: site.Longitude, ElevationM: site.ElevationM}
	}
	return sites, places, err
}

// takeWarnings stores what is in force and has the pours looked at whose
// warnings changed. When the question failed, what is known stays until it ends
// by itself: silence is no all-clear.
func (s *Scheduler) takeWarnings(ctx context.Context, about forecast.About, cells []db.Cell, sites []db.CellSite, warnings [][]forecast.Warning, asked error) error {
	outcome := "unchanged"
	if asked != nil {
		outcome = "failed"
		s.log.WarnContext(ctx, "warnings not pulled", "source", about.Name, "error", asked)
	}
	err := s.db.Tx(ctx, actor, func(tx *db.Tx) error {
		for _, c := range cells {
			f := db.Fetch{CellID: c.ID, Succeeded: asked == nil, NextDueAt: tx.Now().Truncate(about.Period).Add(about.Period)}
			if asked != nil {
				f.Error, f.NextDueAt = brief(asked), tx.Now().Add(pauseAfter(c.Failures+1, asked))
			}
			if err := tx.SaveFetch(ctx, f); err != nil {
				return err
			}
		}
		if asked != nil {
			return nil //nolint:nilerr // told above; what is known stays
		}
		changed, err := s.replaceWarnings(ctx, tx, about.Name, sites, warnings)
		for _, c := range cells {
			if silent(about, c.SucceededAt, tx.Now()) { // they were not known
				changed = append(changed, c.ID)
			}
		}
		if err != nil || len(changed) == 0 {
			return err
		}
		outcome = "new"
		pours, err := tx.PoursOn(ctx, tx.Now().Add(weatherAhead), changed...)
		if err != nil {
			return err
		}
		return s.enqueueAssess(ctx, tx, causeWeather, pours)
	})
	if err != nil {
		return err
	}
	s.metrics.pulls.WithLabelValues(about.Name, outcome).Inc()
	return s.restHost(ctx, about, []forecast.Result{{Err: asked}})
}

// replaceWarnings stores the warnings of each site that has others than before,
// and gives the cells of those sites.
func (s *Scheduler) replaceWarnings(ctx context.Context, tx *db.Tx, source string, sites []db.CellSite, warnings [][]forecast.Warning) (changed []uuid.UUID, err error) {
	ids := make([]uuid.UUID, len(sites))
	for i := range sites {
		ids[i] = sites[i].SiteID
	}
	stored, err := tx.Warnings(ctx, tx.Now(), ids...)
	if err != nil {
		return nil, err
	}
	before := map[uuid.UUID][]db.Warning{}
	for _, w := range stored {
		if w.Source == source {
			before[w.SiteID] = append(before[w.SiteID], w)
		}
	}
	for i, site := range sites {
		now := make([]db.Warning, len(warnings[i]))
		for k, w := range warnings[i] {
			now[k] = warningOf(w)
		}
		if slices.EqualFunc(before[site.SiteID], now, sameWarning) {
			continue
		}
		if err := tx.ReplaceWarnings(ctx, site.SiteID, source, now); err != nil {
			return nil, err
		}
		changed = append(changed, site.CellID)
	}
	return changed, nil
}

func warningOf(w forecast.Warning) db.Warning {
	stored := db.Warning{ExternalID: w.ID, Event: w.Event, Severity: w.Severity, Headline: w.Headline, OnsetAt: w.OnsetAt}
	if !w.EndsAt.IsZero() {
		stored.EndsAt = &w.EndsAt
	}
	if !w.SentAt.IsZero() {
		stored.SentAt = &w.SentAt
	}
	return stored
}

// sameWarning compares what an assessment reads.
func sameWarning(a, b db.Warning) bool {
	ends := func(w db.Warning) time.Time {
		if w.EndsAt == nil {
			return time.Time{}
		}
		return *w.EndsAt
	}
	return a.ExternalID == b.ExternalID && a.Event == b.Event && a.Severity == b.Severity && a.OnsetAt.Equal(b.OnsetAt) && ends(a).Equal(ends(b))
}
