package db

import (
	"context"
	"fmt"
	"time"

	"frostgate/rules"

	"github.com/google/uuid"
)

// Site is where concrete is placed.
type Site struct {
	Record
	Name    string // unique among those not archived, without case
	Address string
	rules.Site
	SourceOrder map[string][]string // of weather sources, by variable; goes before the firm's
	ArchivedAt  *time.Time          // no longer offered; its pours stay
}

const siteColumns = `s.id, s.version, s.created_at, s.updated_at, s.name, s.address, s.latitude, s.longitude,
	s.elevation_m, s.timezone, s.shade, s.terrain, s.code, s.local_rules, s.source_order, s.archived_at`

const selectSite = `select ` + siteColumns + ` from sites s where s.id = @id and ` + seenBySite

// Site gives one site; ErrNotFound also when the scope hides it.
func (r reads) Site(ctx context.Context, scope Scope, id uuid.UUID) (Site, error) {
	s, err := one[Site](ctx, r.q, selectSite, scope.on(args{"id": id}))
	if err != nil {
		return Site{}, fmt.Errorf("load site %s: %w", id, err)
	}
	return s, nil
}

const selectSites = `select ` + siteColumns + ` from sites s where ` + seenBySite

// Sites lists sites in the order they were made.
func (r reads) Sites(ctx context.Context, scope Scope, f Filter, p Page) (List[Site], error) {
	q := newQuery(selectSites, scope.on(args{}))
	if !f.Archived {
		q.and("s.archived_at is null")
	}
	q.like("s.name || ' ' || s.address", f.Text)
	l, err := list(ctx, r, q, p, order{at: "s.created_at", id: "s.id"}, func(s Site) Key { return s.created() })
	if err != nil {
		return l, fmt.Errorf("list sites: %w", err)
	}
	return l, nil
}

const insertSite = `
insert into sites as s (id, created_at, updated_at, name, address, latitude, longitude, elevation_m, timezone,
	shade, terrain, code, local_rules, source_order, archived_at)
values (@id, @now, @now, @name, @address, @latitude, @longitude, @elevation_m, @timezone,
	@shade, @terrain, @code, coalesce(@local_rules::jsonb, '[]'), coalesce(@source_order::jsonb, '{}'), @archived_at)
returning ` + siteColumns

// CreateSite stores a new site. A caller with a scope may not: ErrNotAllowed.
func (tx *Tx) CreateSite(ctx context.Context, scope Scope, s Site) (Site, error) {
	stored, err := Site{}, ErrNotAllowed
	if scope.All() {
		stored, err = created[Site](ctx, tx, insertSite, record(s.complete()))
	}
	if err != nil {
		return Site{}, fmt.Errorf("create site: %w", err)
	}
	return stored, nil
}

const updateSite = `
update sites s set version = s.version + 1, updated_at = @now, name = @name, address = @address,
	latitude = @latitude, longitude = @longitude, elevation_m = @elevation_m, timezone = @timezone,
	shade = @shade, terrain = @terrain, code = @code,
	local_rules = coalesce(@local_rules::jsonb, '[]'), source_order = coalesce(@source_order::jsonb, '{}'), archived_at = @archived_at
where s.id = @id and s.version = @version and ` + seenBySite + `
returning ` + siteColumns

// UpdateSite edits a site; ErrStale when s.Version isn't the one stored.
func (tx *Tx) UpdateSite(ctx context.Context, scope Scope, s Site) (Site, error) {
	stored, err := edited(ctx, tx, updateSite, scope.on(record(s.complete())), func(ctx context.Context) (Site, error) {
		return tx.Site(ctx, scope, s.ID)
	})
	if err != nil {
		return Site{}, fmt.Errorf("update site %s: %w", s.ID, err)
	}
	return stored, nil
}

// complete spells out the terrain that is meant when none is given.
func (s Site) complete() Site {
	if s.Terrain == "" {
		s.Terrain = rules.TerrainOpen
	}
	return s
}

const deleteSite = `delete from sites s where s.id = @id and s.version = @version and ` + seenBySite

// DeleteSite removes a site that no pour ever used; otherwise ErrConflict:
// archive it.
func (tx *Tx) DeleteSite(ctx context.Context, scope Scope, id uuid.UUID, version int64) error {
	err := removed(ctx, tx, deleteSite, scope.on(args{"id": id, "version": version}), func(ctx context.Context) (Site, error) {
		return tx.Site(ctx, scope, id)
	})
	if err != nil {
		return fmt.Errorf("delete site %s: %w", id, err)
	}
	return nil
}
