package demo

import (
	"context"
	"fmt"
	"time"

	"frostgate/api"
	"frostgate/db"
	"frostgate/rules"
	"frostgate/scheduler/forecast"
	"frostgate/scheduler/forecast/openmeteo"

	"github.com/google/uuid"
)

// load enters the week through the service's API, places and people before the pours.
func (w Week) load(ctx context.Context, c Client, d *db.DB, anchor time.Time) error {
	ids := map[string]uuid.UUID{} // by the name of the place or person
	create := func(path, name string, form any) error {
		var made api.Saved
		if err := c.Post(ctx, path, form, &made); err != nil {
			return fmt.Errorf("enter %s: %w", name, err)
		}
		ids[path+name] = made.ID
		return nil
	}
	if err := c.Patch(ctx, "/v1/firm", map[string]any{"name": w.Firm, "units": rules.UnitsUS}); err != nil {
		return err
	}
	for _, p := range w.Plants {
		if err := create("/v1/plants", p.Name, p); err != nil {
			return err
		}
	}
	for _, crew := range w.Crews {
		if err := create("/v1/crews", crew.Name, crew); err != nil {
			return err
		}
	}
	for _, mix := range w.Mixes {
		if err := create("/v1/mixes", mix.Name, mix); err != nil {
			return err
		}
	}
	zones := map[string]*time.Location{}
	for _, site := range w.Sites {
		if err := create("/v1/sites", site.Name, site.SiteForm); err != nil {
			return err
		}
		zone, err := time.LoadLocation(site.Timezone)
		if err != nil {
			return err
		}
		zones[site.Name] = zone
		if site.Silent {
			if err := site.fellSilent(ctx, d, ids["/v1/sites"+site.Name], anchor); err != nil {
				return err
			}
		}
	}
	for _, p := range w.Pours {
		form := p.dated(anchor, zones[p.Site])
		form.SiteID, form.PlantID = ids["/v1/sites"+p.Site], ids["/v1/plants"+p.Plant]
		form.CrewID, form.MixID = ids["/v1/crews"+p.Crew], ids["/v1/mixes"+p.Mix]
		if err := create("/v1/pours", p.Name, form); err != nil {
			return err
		}
	}
	return nil
}

// silentFor is how old the last forecast is of a place that the weather service fell silent about.
const silentFor = 3 * 24 * time.Hour

// fellSilent stores the last forecast that the service gave for the site, days ago, as a pull then would have.
func (s Site) fellSilent(ctx context.Context, d *db.DB, siteID uuid.UUID, anchor time.Time) error {
	source, err := openmeteo.New(openmeteo.Config{})
	if err != nil {
		return err
	}
	cell, err := source.Locate(ctx, s.Latitude, s.Longitude, s.ElevationM)
	if err != nil {
		return err
	}
	then := time.Now().Add(-silentFor).UTC().Truncate(time.Second)
	issue := &forecast.Issue{Source: openmeteo.Name, Cell: cell, IssuedAt: then, FetchedAt: then}
	sky := s.Sky(anchor)
	var hours []db.Hour
	for h := -10 * 24; h < 12*24; h++ {
		hour := sky.Hour(then.Truncate(time.Hour).Add(time.Duration(h) * time.Hour))
		issue.Hours = append(issue.Hours, hour)
		hours = append(hours, db.Hour{Hour: hour.Hour})
	}
	issue.Seal([]byte(s.Name))
	return d.Tx(ctx, db.Actor{Name: "demo"}, func(tx *db.Tx) error {
		stored, err := tx.EnsureCell(ctx, db.Cell{
			Source: openmeteo.Name, Key: cell.Key, Latitude: cell.Latitude, Longitude: cell.Longitude, ElevationM: &cell.ElevationM,
		})
		if err != nil {
			return err
		}
		if err := tx.LinkSite(ctx, siteID, openmeteo.Name, stored.ID); err != nil {
			return err
		}
		_, _, err = tx.StoreIssue(ctx, db.Issue{
			CellID: stored.ID, Kind: "forecast", Model: "best_match", IssuedAt: then, FetchedAt: then, PayloadSHA256: issue.SHA256[:], ReachAt: issue.Reach(),
		}, hours)
		return err
	})
}
