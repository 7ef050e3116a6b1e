package db

import (
	"context"
	"fmt"
	"time"

	"frostgate/rules"

	"github.com/google/uuid"
)

// Plant is a ready-mix plant that supplies pours.
type Plant struct {
	Record
	Name      string   // unique among those not archived, without case
	Latitude  *float64 // degrees north; nil when not known
	Longitude *float64 // degrees east
	rules.Plant
	DailyM3    *float64   // concrete it can give us in a day; nil is no limit known
	ArchivedAt *time.Time // no longer offered; its pours stay
}

const plantColumns = `pl.id, pl.version, pl.created_at, pl.updated_at, pl.name, pl.latitude, pl.longitude,
	pl.aggregate_temp_c, pl.aggregate_moisture_pct, pl.cement_temp_c, pl.water_max_c, pl.haul_min, pl.truck,
	pl.truck_m3, pl.accelerator_ok, pl.daily_m3, pl.archived_at`

const selectPlant = `select ` + plantColumns + ` from plants pl where pl.id = @id and ` + seenPlant

// Plant gives one plant; ErrNotFound also when the scope hides it.
func (r reads) Plant(ctx context.Context, scope Scope, id uuid.UUID) (Plant, error) {
	p, err := one[Plant](ctx, r.q, selectPlant, scope.on(args{"id": id}))
	if err != nil {
		return Plant{}, fmt.Errorf("load plant %s: %w", id, err)
	}
	return p, nil
}

const selectPlants = `select ` + plantColumns + ` from plants pl where ` + seenPlant

// Plants lists plants in the order they were made.
func (r reads) Plants(ctx context.Context, scope Scope, f Filter, p Page) (List[Plant], error) {
	q := newQuery(selectPlants, scope.on(args{}))
	if !f.Archived {
		q.and("pl.archived_at is null")
	}
	q.like("pl.name", f.Text)
	l, err := list(ctx, r, q, p, order{at: "pl.created_at", id: "pl.id"}, func(p Plant) Key { return p.created() })
	if err != nil {
		return l, fmt.Errorf("list plants: %w", err)
	}
	return l, nil
}

const insertPlant = `
insert into plants as pl (id, created_at, updated_at, name, latitude, longitude, aggregate_temp_c,
	aggregate_moisture_pct, cement_temp_c, water_max_c, haul_min, truck, truck_m3, accelerator_ok, daily_m3, archived_at)
values (@id, @now, @now, @name, @latitude, @longitude, @aggregate_temp_c,
	@aggregate_moisture_pct, @cement_temp_c, @water_max_c, @haul_min, @truck, @truck_m3, @accelerator_ok, @daily_m3, @archived_at)
returning ` + plantColumns

// CreatePlant stores a new plant. A caller with a scope may not: ErrNotAllowed.
func (tx *Tx) CreatePlant(ctx context.Context, scope Scope, p Plant) (Plant, error) {
	stored, err := Plant{}, ErrNotAllowed
	if scope.All() {
		stored, err = created[Plant](ctx, tx, insertPlant, record(p))
	}
	if err != nil {
		return Plant{}, fmt.Errorf("create plant: %w", err)
	}
	return stored, nil
}

const updatePlant = `
update plants pl set version = pl.version + 1, updated_at = @now, name = @name, latitude = @latitude,
	longitude = @longitude, aggregate_temp_c = @aggregate_temp_c, aggregate_moisture_pct = @aggregate_moisture_pct,
	cement_temp_c = @cement_temp_c, water_max_c = @water_max_c, haul_min = @haul_min, truck = @truck,
	truck_m3 = @truck_m3, accelerator_ok = @accelerator_ok, daily_m3 = @daily_m3, archived_at = @archived_at
where pl.id = @id and pl.version = @version and ` + seenPlant + `
returning ` + plantColumns

// UpdatePlant edits a plant; ErrStale when p.Version isn't the one stored.
func (tx *Tx) UpdatePlant(ctx context.Context, scope Scope, p Plant) (Plant, error) {
	stored, err := edited(ctx, tx, updatePlant, scope.on(record(p)), func(ctx context.Context) (Plant, error) {
		return tx.Plant(ctx, scope, p.ID)
	})
	if err != nil {
		return Plant{}, fmt.Errorf("update plant %s: %w", p.ID, err)
	}
	return stored, nil
}

const deletePlant = `delete from plants pl where pl.id = @id and pl.version = @version and ` + seenPlant

// DeletePlant removes a plant that no pour ever used; otherwise ErrConflict:
// archive it.
func (tx *Tx) DeletePlant(ctx context.Context, scope Scope, id uuid.UUID, version int64) error {
	err := removed(ctx, tx, deletePlant, scope.on(args{"id": id, "version": version}), func(ctx context.Context) (Plant, error) {
		return tx.Plant(ctx, scope, id)
	})
	if err != nil {
		return fmt.Errorf("delete plant %s: %w", id, err)
	}
	return nil
}
