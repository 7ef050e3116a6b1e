package db

import (
	"context"
	"fmt"
	"time"

	"frostgate/rules"

	"github.com/google/uuid"
)

// Mix is a concrete that the firm orders.
type Mix struct {
	Record
	Name string // unique among those not archived, without case
	Note string
	rules.Mix
	ArchivedAt *time.Time // no longer offered; its pours stay
}

const mixColumns = `m.id, m.version, m.created_at, m.updated_at, m.name, m.note, m.cement_type, m.cement_kg_m3,
	m.water_kg_m3, m.aggregate_kg_m3, m.fly_ash_kg_m3, m.slag_kg_m3, m.strength_mpa, m.slump_mm, m.air_pct,
	m.admixtures, m.archived_at`

const selectMix = `select ` + mixColumns + ` from mixes m where m.id = @id and ` + seenByMix

// Mix gives one mix; ErrNotFound also when the scope hides it.
func (r reads) Mix(ctx context.Context, scope Scope, id uuid.UUID) (Mix, error) {
	m, err := one[Mix](ctx, r.q, selectMix, scope.on(args{"id": id}))
	if err != nil {
		return Mix{}, fmt.Errorf("load mix %s: %w", id, err)
	}
	return m, nil
}

const selectMixes = `select ` + mixColumns + ` from mixes m where ` + seenByMix

// Mixes lists mixes in the order they were made.
func (r reads) Mixes(ctx context.Context, scope Scope, f Filter, p Page) (List[Mix], error) {
	q := newQuery(selectMixes, scope.on(args{}))
	if !f.Archived {
		q.and("m.archived_at is null")
	}
	q.like("m.name", f.Text)
	l, err := list(ctx, r, q, p, order{at: "m.created_at", id: "m.id"}, func(m Mix) Key { return m.created() })
	if err != nil {
		return l, fmt.Errorf("list mixes: %w", err)
	}
	return l, nil
}

const insertMix = `
insert into mixes as m (id, created_at, updated_at, name, note, cement_type, cement_kg_m3, water_kg_m3,
	aggregate_kg_m3, fly_ash_kg_m3, slag_kg_m3, strength_mpa, slump_mm, air_pct, admixtures, archived_at)
values (@id, @now, @now, @name, @note, @cement_type, @cement_kg_m3, @water_kg_m3,
	@aggregate_kg_m3, @fly_ash_kg_m3, @slag_kg_m3, @strength_mpa, @slump_mm, @air_pct,
	coalesce(@admixtures::jsonb, '[]'), @archived_at)
returning ` + mixColumns

// CreateMix stores a new mix. A caller with a scope may not: ErrNotAllowed.
func (tx *Tx) CreateMix(ctx context.Context, scope Scope, m Mix) (Mix, error) {
	stored, err := Mix{}, ErrNotAllowed
	if scope.All() {
		stored, err = created[Mix](ctx, tx, insertMix, record(m))
	}
	if err != nil {
		return Mix{}, fmt.Errorf("create mix: %w", err)
	}
	return stored, nil
}

const updateMix = `
update mixes m set version = m.version + 1, updated_at = @now, name = @name, note = @note,
	cement_type = @cement_type, cement_kg_m3 = @cement_kg_m3, water_kg_m3 = @water_kg_m3,
	aggregate_kg_m3 = @aggregate_kg_m3, fly_ash_kg_m3 = @fly_ash_kg_m3, slag_kg_m3 = @slag_kg_m3,
	strength_mpa = @strength_mpa, slump_mm = @slump_mm, air_pct = @air_pct,
	admixtures = coalesce(@admixtures::jsonb, '[]'), archived_at = @archived_at
where m.id = @id and m.version = @version and ` + seenByMix + `
returning ` + mixColumns

// UpdateMix edits a mix; ErrStale when m.Version isn't the one stored.
func (tx *Tx) UpdateMix(ctx context.Context, scope Scope, m Mix) (Mix, error) {
	stored, err := edited(ctx, tx, updateMix, scope.on(record(m)), func(ctx context.Context) (Mix, error) {
		return tx.Mix(ctx, scope, m.ID)
	})
	if err != nil {
		return Mix{}, fmt.Errorf("update mix %s: %w", m.ID, err)
	}
	return stored, nil
}

const deleteMix = `delete from mixes m where m.id = @id and m.version = @version and ` + seenByMix

// DeleteMix removes a mix that no pour ever used; otherwise ErrConflict: archive
// it.
func (tx *Tx) DeleteMix(ctx context.Context, scope Scope, id uuid.UUID, version int64) error {
	err := removed(ctx, tx, deleteMix, scope.on(args{"id": id, "version": version}), func(ctx context.Context) (Mix, error) {
		return tx.Mix(ctx, scope, id)
	})
	if err != nil {
		return fmt.Errorf("delete mix %s: %w", id, err)
	}
	return nil
}
