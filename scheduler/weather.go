package scheduler

import (
	"context"
	"slices"
	"time"

	"github.com/google/uuid"

	"frostgate/db"
	"frostgate/rules"
	"frostgate/scheduler/forecast"
)

// Weather is what an assessment rests on.
type Weather struct {
	Hours    []rules.Hour // rising; past hours before the forecast's
	Source   string
	IssuedAt time.Time // of the forecast; zero without one
	IssueIDs []uuid.UUID
	Warnings []rules.Warning
	Age      age
}

// age is how far an issue may be trusted.
type age string

const (
	fresh age = "fresh"
	stale age = "stale" // doubtful: used, and said so
	dead  age = "dead"  // not used
	none  age = "none"
)

// How much weather an assessment is given: history for the ground to settle in,
// and as far ahead as a start may be offered with the nights that follow it.
const (
	historyBefore = 14 * 24 * time.Hour
	weatherAhead  = 16 * 24 * time.Hour
)

// A weatherDesk reads the weather of sites once for all the pours of a job.
type weatherDesk struct {
	s      *Scheduler
	tx     *db.Tx
	now    time.Time
	issues map[uuid.UUID][]db.SiteIssue
	warned map[uuid.UUID][]rules.Warning
	read   map[uuid.UUID]reading // by issue
}

// A reading is the hours of an issue with those of its cell before it.
type reading struct {
	from  time.Time
	hours []rules.Hour
}

func (s *Scheduler) openWeather(ctx context.Context, tx *db.Tx, now time.Time, siteIDs []uuid.UUID) (*weatherDesk, error) {
	d := &weatherDesk{
		s: s, tx: tx, now: now,
		issues: map[uuid.UUID][]db.SiteIssue{}, warned: map[uuid.UUID][]rules.Warning{}, read: map[uuid.UUID]reading{},
	}
	issues, err := tx.LatestIssues(ctx, siteIDs...)
	if err != nil {
		return nil, err
	}
	for _, i := range issues {
		d.issues[i.SiteID] = append(d.issues[i.SiteID], i)
	}
	warnings, err := tx.Warnings(ctx, now, siteIDs...)
	for _, w := range warnings {
		r := rules.Warning{Event: w.Event, Severity: w.Severity, OnsetAt: w.OnsetAt, Source: w.Source}
		if w.EndsAt != nil {
			r.EndsAt = *w.EndsAt
		}
		d.warned[w.SiteID] = append(d.warned[w.SiteID], r)
	}
	return d, err
}

// at gives the weather of a site from some time before a start.
func (d *weatherDesk) at(ctx context.Context, siteID uuid.UUID, start time.Time) (Weather, error) {
	w := Weather{Age: none, Warnings: d.warned[siteID]}
	issue, trust := d.choose(siteID)
	if issue == nil {
		return w, nil
	}
	w.Source, w.IssuedAt, w.Age = issue.Source, issue.IssuedAt, trust
	if trust == dead {
		return w, nil
	}
	from := start
	if d.now.Before(from) {
		from = d.now
	}
	from = from.Add(-historyBefore).Truncate(time.Hour)
	hours, err := d.hours(ctx, issue, from)
	w.Hours, w.IssueIDs = hours, []uuid.UUID{issue.ID}
	return w, err
}

// choose takes the first source, in the order of preference, whose newest issue
// is fresh; else the freshest that there is.
func (d *weatherDesk) choose(siteID uuid.UUID) (*db.SiteIssue, age) {
	var best *db.SiteIssue
	trust := none
	for _, source := range d.s.cfg.Sources {
		about := source.About()
		for k := range d.issues[siteID] {
			issue := &d.issues[siteID][k]
			if issue.Source != about.Name {
				continue
			}
			a := ageOf(about, issue.IssuedAt, d.now)
			if a == fresh {
				return issue, a
			}
			if best == nil || issue.IssuedAt.After(best.IssuedAt) {
				best, trust = issue, a
			}
		}
	}
	return best, trust
}

func ageOf(about forecast.About, issuedAt, now time.Time) age {
	switch old := now.Sub(issuedAt); {
	case about.DeadAfter > 0 && old > about.DeadAfter:
		return dead
	case about.StaleAfter > 0 && old > about.StaleAfter:
		return stale
	}
	return fresh
}

// hours reads an issue and what came before it, once.
func (d *weatherDesk) hours(ctx context.Context, issue *db.SiteIssue, from time.Time) ([]rules.Hour, error) {
	known, ok := d.read[issue.ID]
	if !ok || from.Before(known.from) {
		var err error
		if known, err = d.readHours(ctx, issue, from); err != nil {
			return nil, err
		}
		d.read[issue.ID] = known
	}
	first, _ := slices.BinarySearchFunc(known.hours, from, func(h rules.Hour, t time.Time) int { return h.At.Compare(t) })
	return known.hours[first:], nil
}

func (d *weatherDesk) readHours(ctx context.Context, issue *db.SiteIssue, from time.Time) (reading, error) {
	r := reading{from: from}
	if issue.FirstHourAt.After(from) {
		past, err := d.tx.PastHours(ctx, issue.CellID, from, issue.FirstHourAt)
		if err != nil {
			return r, err
		}
		for k := range past {
			r.hours = append(r.hours, past[k].Hour.Hour)
		}
	}
	// Nothing is read beyond what the source really tells.
	ahead, err := d.tx.Hours(ctx, issue.ID, from, issue.ReachAt.Add(time.Hour))
	for k := range ahead {
		r.hours = append(r.hours, ahead[k].Hour)
	}
	return r, err
}
