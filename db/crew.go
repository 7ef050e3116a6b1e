package db

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"
)

// Crew is the people who place and finish. One crew is in one place at a time.
type Crew struct {
	Record
	Name         string     // unique among those not archived, without case
	DayStartsMin int        // minutes of the site's local day, 0 to 1439
	DayEndsMin   int        // after DayStartsMin, at most 1440
	Days         []int16    // of work: 1 is Monday, 7 is Sunday
	Machine      *bool      // finishes slabs by machine; nil leaves it to the slab's size
	PlaceM3H     float64    // placed in an hour; 0 is the usual
	StaggerMin   float64    // between trucks; 0 leaves it to the rate of placing
	ArchivedAt   *time.Time // no longer offered; its pours stay
}

const crewColumns = `c.id, c.version, c.created_at, c.updated_at, c.name, c.day_starts_min, c.day_ends_min, c.days,
	c.machine, c.place_m3_h, c.stagger_min, c.archived_at`

const selectCrew = `select ` + crewColumns + ` from crews c where c.id = @id and ` + seenCrew

// Crew gives one crew; ErrNotFound also when the scope hides it.
func (r reads) Crew(ctx context.Context, scope Scope, id uuid.UUID) (Crew, error) {
	c, err := one[Crew](ctx, r.q, selectCrew, scope.on(args{"id": id}))
	if err != nil {
		return Crew{}, fmt.Errorf("load crew %s: %w", id, err)
	}
	return c, nil
}

const selectCrews = `select ` + crewColumns + ` from crews c where ` + seenCrew

// Crews lists crews in the order they were made.
func (r reads) Crews(ctx context.Context, scope Scope, f Filter, p Page) (List[Crew], error) {
	q := newQuery(selectCrews, scope.on(args{}))
	if !f.Archived {
		q.and("c.archived_at is null")
	}
	q.like("c.name", f.Text)
	l, err := list(ctx, r, q, p, order{at: "c.created_at", id: "c.id"}, func(c Crew) Key { return c.created() })
	if err != nil {
		return l, fmt.Errorf("list crews: %w", err)
	}
	return l, nil
}

const insertCrew = `
insert into crews as c (id, created_at, updated_at, name, day_starts_min, day_ends_min, days, machine, place_m3_h,
	stagger_min, archived_at)
values (@id, @now, @now, @name, @day_starts_min, @day_ends_min, coalesce(@days::smallint[], '{}'), @machine, @place_m3_h,
	@stagger_min, @archived_at)
returning ` + crewColumns

// CreateCrew stores a new crew. A caller with a scope may not: ErrNotAllowed.
func (tx *Tx) CreateCrew(ctx context.Context, scope Scope, c Crew) (Crew, error) {
	stored, err := Crew{}, ErrNotAllowed
	if scope.All() {
		stored, err = created[Crew](ctx, tx, insertCrew, record(c))
	}
	if err != nil {
		return Crew{}, fmt.Errorf("create crew: %w", err)
	}
	return stored, nil
}

const updateCrew = `
update crews c set version = c.version + 1, updated_at = @now, name = @name, day_starts_min = @day_starts_min,
	day_ends_min = @day_ends_min, days = coalesce(@days::smallint[], '{}'), machine = @machine,
	place_m3_h = @place_m3_h, stagger_min = @stagger_min, archived_at = @archived_at
where c.id = @id and c.version = @version and ` + seenCrew + `
returning ` + crewColumns

// UpdateCrew edits a crew; ErrStale when c.Version isn't the one stored.
func (tx *Tx) UpdateCrew(ctx context.Context, scope Scope, c Crew) (Crew, error) {
	stored, err := edited(ctx, tx, updateCrew, scope.on(record(c)), func(ctx context.Context) (Crew, error) {
		return tx.Crew(ctx, scope, c.ID)
	})
	if err != nil {
		return Crew{}, fmt.Errorf("update crew %s: %w", c.ID, err)
	}
	return stored, nil
}

const deleteCrew = `delete from crews c where c.id = @id and c.version = @version and ` + seenCrew

// DeleteCrew removes a crew that no pour ever had; otherwise ErrConflict:
// archive it.
func (tx *Tx) DeleteCrew(ctx context.Context, scope Scope, id uuid.UUID, version int64) error {
	err := removed(ctx, tx, deleteCrew, scope.on(args{"id": id, "version": version}), func(ctx context.Context) (Crew, error) {
		return tx.Crew(ctx, scope, id)
	})
	if err != nil {
		return fmt.Errorf("delete crew %s: %w", id, err)
	}
	return nil
}
