package scheduler

import (
	"context"
	"maps"
	"slices"
	"time"

	"frostgate/db"
	"frostgate/rules"
	"frostgate/scheduler/forecast"

	"github.com/google/uuid"
)

// Weather is what an assessment rests on.
type Weather struct {
	Hours    []rules.Hour // rising; past hours before the forecast's, none beyond its reach
	Source   string       // of the air temperature ahead; empty without weather
	IssuedAt time.Time    // of the oldest forecast that the coming two days rest on; zero without one
	Parts    []WeatherPart
	IssueIDs []uuid.UUID // of the parts
	Origins  []db.Origin
	Orders   forecast.Orders // by which the sources were chosen
	Warnings []rules.Warning
	// WarningsUnknown says that a service warns of weather at the site and did not
	// answer of late, so that no warning is no news.
	WarningsUnknown bool
	Age             age
}

// A WeatherPart is an issue that something is taken from.
type WeatherPart struct {
	Source    string
	IssuedAt  time.Time
	Variables []forecast.Variable
	Fallback  bool // the preferred source lacked some of it
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
	places map[uuid.UUID]forecast.Place
	issues map[uuid.UUID][]db.SiteIssue
	warned map[uuid.UUID][]rules.Warning
	unsure map[uuid.UUID]bool // of the warnings
	read   map[reading][]forecast.Offer
	mixed  map[reading]Weather
}

// A reading is what is read once: of an issue, or of a site, from a time on.
type reading struct {
	id   uuid.UUID
	from time.Time
}

func (s *Scheduler) openWeather(ctx context.Context, tx *db.Tx, now time.Time, firm db.Firm, inputs []db.PourInput) (*weatherDesk, error) {
	d := &weatherDesk{
		s: s, tx: tx, now: now, places: map[uuid.UUID]forecast.Place{},
		issues: map[uuid.UUID][]db.SiteIssue{}, warned: map[uuid.UUID][]rules.Warning{}, unsure: map[uuid.UUID]bool{},
		read: map[reading][]forecast.Offer{}, mixed: map[reading]Weather{},
	}
	for k := range inputs {
		site := &inputs[k].Site
		d.places[site.ID] = forecast.Place{
			Latitude: site.Latitude, Longitude: site.Longitude, ElevationM: site.ElevationM,
			Orders: forecast.OrdersOf(firm.SourceOrder, site.SourceOrder),
		}
	}
	siteIDs := slices.Collect(maps.Keys(d.places))
	issues, err := tx.LatestIssues(ctx, siteIDs...)
	if err != nil {
		return nil, err
	}
	for _, i := range issues {
		d.issues[i.SiteID] = append(d.issues[i.SiteID], i)
	}
	return d, d.readWarnings(ctx, siteIDs)
}

// readWarnings reads the warnings in force, and of which sites they are not
// known.
func (d *weatherDesk) readWarnings(ctx context.Context, siteIDs []uuid.UUID) error {
	warnings, err := d.tx.Warnings(ctx, d.now, siteIDs...)
	if err != nil {
		return err
	}
	for _, w := range warnings {
		r := rules.Warning{Event: w.Event, Severity: w.Severity, OnsetAt: w.OnsetAt, Source: w.Source}
		if w.EndsAt != nil {
			r.EndsAt = *w.EndsAt
		}
		d.warned[w.SiteID] = append(d.warned[w.SiteID], r)
	}
	for _, warner := range d.s.cfg.Warners {
		about := warner.About()
		sites, err := d.tx.WarnedSites(ctx, []string{about.Name}, siteIDs...)
		if err != nil {
			return err
		}
		for _, id := range siteIDs {
			at := slices.IndexFunc(sites, func(w db.WarnedSite) bool { return w.SiteID == id })
			if at < 0 || sites[at].Covered && silent(about, sites[at].AsOf, d.now) {
				d.unsure[id] = true
			}
		}
	}
	return nil
}

// silent reports whether a source of warnings has not answered of late.
func silent(about forecast.About, asOf *time.Time, now time.Time) bool {
	return asOf == nil || ageOf(about, *asOf, now) != fresh
}

// at gives the weather of a site from some time before a start, each variable of
// each hour from the best source that has it.
func (d *weatherDesk) at(ctx context.Context, siteID uuid.UUID, start time.Time) (Weather, error) {
	from := start
	if d.now.Before(from) {
		from = d.now
	}
	key := reading{siteID, from.Add(-historyBefore).UTC().Truncate(time.Hour)}
	if known, ok := d.mixed[key]; ok {
		return known, nil
	}
	var offers []forecast.Offer
	for k := range d.issues[siteID] {
		more, err := d.offers(ctx, &d.issues[siteID][k], key.from)
		if err != nil {
			return Weather{}, err
		}
		offers = append(offers, more...)
	}
	b := forecast.BlendOffers(d.places[siteID], offers, key.from, d.now)
	w := weatherOf(b, offers, d.now)
	w.Orders = d.places[siteID].Orders
	if err := d.widen(ctx, &w, siteID); err != nil {
		return Weather{}, err
	}
	w.Warnings, w.WarningsUnknown = d.warned[siteID], d.unsure[siteID]
	d.mixed[key] = w
	return w, nil
}

// widen lets what the source's past forecasts were off by count as their spread.
func (d *weatherDesk) widen(ctx context.Context, w *Weather, siteID uuid.UUID) error {
	at := slices.IndexFunc(d.issues[siteID], func(i db.SiteIssue) bool { return i.Source == w.Source })
	if at < 0 || w.Age == dead {
		return nil
	}
	issue := &d.issues[siteID][at]
	errors, err := d.tx.LeadErrorsOf(ctx, issue.CellID)
	leadTable(errors).Widen(w.Hours, issue.IssuedAt, d.now)
	return err
}

// weatherOf says of a blend what an assessment has to know.
func weatherOf(b forecast.Blend, offers []forecast.Offer, now time.Time) Weather {
	w := Weather{Age: fresh, IssuedAt: b.IssuedAt, Hours: make([]rules.Hour, len(b.Hours))}
	for k := range b.Hours {
		w.Hours[k] = b.Hours[k].Hour
	}
	switch {
	case !b.Reach.IsZero() && b.Stale:
		w.Age = stale
	case b.Reach.IsZero():
		w.Age = none
		for _, o := range offers { // what there would be is too old, or tells nothing ahead
			if !o.Observed && !o.Partial && o.ID != "" && o.IssuedAt.After(w.IssuedAt) {
				w.Age, w.Source, w.IssuedAt = dead, o.Source, o.IssuedAt
			}
		}
	}
	w.addParts(b, offers, now.Truncate(time.Hour))
	return w
}

// addParts lists where the hours are taken from, and of those the issues behind
// the coming hours and the newest measurements.
func (w *Weather) addParts(b forecast.Blend, offers []forecast.Offer, hour time.Time) {
	part := make([]int, len(offers))
	for _, o := range b.Origins {
		offer := &offers[o.Offer]
		origin := db.Origin{Variable: string(o.Variable), Source: offer.Source, From: o.From, Until: o.Until, Fallback: o.Fallback}
		id, err := uuid.Parse(offer.ID)
		if err == nil {
			origin.IssueID = &id
		}
		w.Origins = append(w.Origins, origin)
		if err != nil || o.Until.Before(hour) && !offer.Observed {
			continue // of the past, or not an issue of ours
		}
		if part[o.Offer] == 0 {
			w.Parts = append(w.Parts, WeatherPart{Source: offer.Source, IssuedAt: offer.IssuedAt})
			w.IssueIDs = append(w.IssueIDs, id)
			part[o.Offer] = len(w.Parts)
		}
		p := &w.Parts[part[o.Offer]-1]
		if !slices.Contains(p.Variables, o.Variable) {
			p.Variables = append(p.Variables, o.Variable)
		}
		p.Fallback = p.Fallback || o.Fallback
		if o.Variable == forecast.AirAndHumidity && w.Source == "" && !offer.Observed {
			w.Source = offer.Source
		}
	}
}

// offers reads an issue of a site and what its cell told before, once. The past
// has no name: it is many issues'.
func (d *weatherDesk) offers(ctx context.Context, issue *db.SiteIssue, from time.Time) ([]forecast.Offer, error) {
	about, ok := d.s.about(issue.Source)
	if !ok {
		return nil, nil // configured away since
	}
	key := reading{issue.ID, from}
	if known, ok := d.read[key]; ok {
		return known, nil
	}
	base := forecast.Offer{
		ID: issue.ID.String(), Source: issue.Source, IssuedAt: issue.IssuedAt, Observed: issue.Kind == kindObserved, Partial: about.Partial,
		StaleAfter: about.StaleAfter, DeadAfter: about.DeadAfter, ElevationM: d.places[issue.SiteID].ElevationM,
	}
	if issue.ElevationM != nil {
		base.ElevationM = *issue.ElevationM
	}
	ahead, err := d.tx.Hours(ctx, issue.ID, from, d.now.Add(weatherAhead))
	if err != nil {
		return nil, err
	}
	for k := range ahead {
		base.Hours = append(base.Hours, HourOf(&ahead[k]))
	}
	all := []forecast.Offer{base}
	if issue.FirstHourAt.After(from) && !about.Partial {
		past, err := d.tx.PastHours(ctx, issue.CellID, from, issue.FirstHourAt)
		if err != nil {
			return nil, err
		}
		all = append(all, pastOffers(base, past)...)
	}
	d.read[key] = all
	return all, nil
}

// pastOffers sorts what was told of past hours by the height it holds for.
func pastOffers(base forecast.Offer, past []db.PastHour) []forecast.Offer {
	var all []forecast.Offer
	for k := range past {
		height := base.ElevationM
		if past[k].ElevationM != nil {
			height = *past[k].ElevationM
		}
		at := slices.IndexFunc(all, func(o forecast.Offer) bool { return o.ElevationM == height })
		if at < 0 {
			o := base
			o.ID, o.ElevationM, o.Hours = "", height, nil
			at, all = len(all), append(all, o)
		}
		all[at].Hours = append(all[at].Hours, HourOf(&past[k].Hour))
	}
	return all
}

// about finds a source by name.
func (s *Scheduler) about(name string) (forecast.About, bool) {
	for _, source := range s.cfg.Sources {
		if about := source.About(); about.Name == name {
			return about, true
		}
	}
	return forecast.About{}, false
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
