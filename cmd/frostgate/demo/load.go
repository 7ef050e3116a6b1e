package demo

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"

	"frostgate/api"
)

// load enters the week through the service's API, places and people before the pours.
func (w Week) load(ctx context.Context, c Client, anchor time.Time) error {
	ids := map[string]uuid.UUID{} // by the name of the place or person
	create := func(path, name string, form any) error {
		var made api.Saved
		if err := c.Post(ctx, path, form, &made); err != nil {
			return fmt.Errorf("enter %s: %w", name, err)
		}
		ids[path+name] = made.ID
		return nil
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
