package api

import (
	"context"
	"strings"
	"time"

	"frostgate/db"

	"github.com/google/uuid"
)

// reader is met by the database and by a transaction.
type reader interface {
	Sites(context.Context, db.Scope, db.Filter, db.Page) (db.List[db.Site], error)
	Plants(context.Context, db.Scope, db.Filter, db.Page) (db.List[db.Plant], error)
	Crews(context.Context, db.Scope, db.Filter, db.Page) (db.List[db.Crew], error)
	Mixes(context.Context, db.Scope, db.Filter, db.Page) (db.List[db.Mix], error)
}

// loadDirectory reads the names of what the caller may see. An archived record keeps its name in sheets, but is not
// found by it when another has taken it.
func loadDirectory(ctx context.Context, r reader) (*directory, error) {
	d := &directory{names: map[uuid.UUID]string{}, zones: map[uuid.UUID]*time.Location{}}
	var err error
	if d.sites, err = namesOf(ctx, d, r.Sites, func(s db.Site) (uuid.UUID, string, bool) { return s.ID, s.Name, s.ArchivedAt != nil }, d.addZone); err != nil {
		return nil, err
	}
	if d.plants, err = namesOf(ctx, d, r.Plants, func(p db.Plant) (uuid.UUID, string, bool) { return p.ID, p.Name, p.ArchivedAt != nil }, nil); err != nil {
		return nil, err
	}
	if d.crews, err = namesOf(ctx, d, r.Crews, func(c db.Crew) (uuid.UUID, string, bool) { return c.ID, c.Name, c.ArchivedAt != nil }, nil); err != nil {
		return nil, err
	}
	d.mixes, err = namesOf(ctx, d, r.Mixes, func(m db.Mix) (uuid.UUID, string, bool) { return m.ID, m.Name, m.ArchivedAt != nil }, nil)
	return d, err
}

func namesOf[T any](
	ctx context.Context, d *directory, list func(context.Context, db.Scope, db.Filter, db.Page) (db.List[T], error),
	entry func(T) (id uuid.UUID, name string, archived bool), also func(T) error,
) (map[string]uuid.UUID, error) {
	all, err := collect(func(page db.Page) (db.List[T], error) {
		return list(ctx, scopeOf(ctx), db.Filter{Archived: true}, page)
	})
	if err != nil {
		return nil, err
	}
	byName := map[string]uuid.UUID{}
	for _, record := range all {
		id, name, archived := entry(record)
		d.names[id] = name
		if _, taken := byName[strings.ToLower(name)]; !archived || !taken {
			byName[strings.ToLower(name)] = id
		}
		if also != nil {
			if err := also(record); err != nil {
				return nil, err
			}
		}
	}
	return byName, nil
}

func (d *directory) addZone(s db.Site) (err error) {
	d.zones[s.ID], err = time.LoadLocation(s.Timezone)
	return err
}
