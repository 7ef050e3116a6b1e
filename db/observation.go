package db

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"
)

// Observation is something measured or seen on site.
type Observation struct {
	Record
	PourID  uuid.UUID
	Kind    string // one of rules.Observation
	At      time.Time
	Value   float64 // deg C, mm or MPa by kind; base_frozen: 1 frozen, 0 not
	DepthMM float64
	Note    string
	Who     string // the actor when empty
}

const observationColumns = `o.id, o.version, o.created_at, o.updated_at, o.pour_id, o.kind, o.at, o.value, o.depth_mm, o.note, o.who`

// seenByObservation is the scope of what hangs on a pour o.pour_id.
const seenByObservation = `(` + scopeAll + ` or exists (select from pours p where p.id = o.pour_id and ` + seenPour + `))`

const selectObservation = `select ` + observationColumns + ` from observations o where o.id = @id and ` + seenByObservation

// Observation gives one observation; ErrNotFound also when the scope hides its
// pour.
func (r reads) Observation(ctx context.Context, scope Scope, id uuid.UUID) (Observation, error) {
	o, err := one[Observation](ctx, r.q, selectObservation, scope.on(args{"id": id}))
	if err != nil {
		return Observation{}, fmt.Errorf("load observation %s: %w", id, err)
	}
	return o, nil
}

// ObservationFilter narrows a list of observations; what is empty doesn't.
type ObservationFilter struct {
	PourID uuid.UUID
	Kinds  []string
	From   time.Time // of At
	Before time.Time
}

const selectObservations = `select ` + observationColumns + ` from observations o where ` + seenByObservation

// Observations lists observations by the time they were made.
func (r reads) Observations(ctx context.Context, scope Scope, f ObservationFilter, p Page) (List[Observation], error) {
	q := newQuery(selectObservations, scope.on(args{}))
	q.when(f.PourID != uuid.Nil, "o.pour_id = @pour_id", "pour_id", f.PourID)
	q.when(len(f.Kinds) > 0, "o.kind = any(@kinds)", "kinds", f.Kinds)
	q.when(!f.From.IsZero(), "o.at >= @from", "from", f.From)
	q.when(!f.Before.IsZero(), "o.at < @before", "before", f.Before)
	l, err := list(ctx, r, q, p, order{at: "o.at", id: "o.id"}, func(o Observation) Key { return Key{o.At, o.ID} })
	if err != nil {
		return l, fmt.Errorf("list observations: %w", err)
	}
	return l, nil
}

const insertObservation = `
insert into observations as o (id, created_at, updated_at, pour_id, kind, at, value, depth_mm, note, who)
select @id, @now, @now, p.id, @kind, @at, @value, @depth_mm, @note, @who
from pours p where p.id = @pour_id and ` + seenPour + `
returning ` + observationColumns

// CreateObservation stores what was measured or seen; ErrNotFound when the pour
// isn't there or the scope hides it.
func (tx *Tx) CreateObservation(ctx context.Context, scope Scope, o Observation) (Observation, error) {
	if o.Who == "" {
		o.Who = tx.actor.Name
	}
	stored, err := created[Observation](ctx, tx, insertObservation, scope.on(record(o)))
	if err != nil {
		return Observation{}, fmt.Errorf("create observation of pour %s: %w", o.PourID, err)
	}
	return stored, nil
}

const updateObservation = `
update observations o set version = o.version + 1, updated_at = @now, kind = @kind, at = @at, value = @value,
	depth_mm = @depth_mm, note = @note
where o.id = @id and o.version = @version and ` + seenByObservation + `
returning ` + observationColumns

// UpdateObservation corrects an observation; it stays with its pour and its
// observer. ErrStale when o.Version isn't the one stored.
func (tx *Tx) UpdateObservation(ctx context.Context, scope Scope, o Observation) (Observation, error) {
	stored, err := edited(ctx, tx, updateObservation, scope.on(record(o)), func(ctx context.Context) (Observation, error) {
		return tx.Observation(ctx, scope, o.ID)
	})
	if err != nil {
		return Observation{}, fmt.Errorf("update observation %s: %w", o.ID, err)
	}
	return stored, nil
}

const deleteObservation = `delete from observations o where o.id = @id and o.version = @version and ` + seenByObservation

// DeleteObservation takes an observation back; the audit keeps it.
func (tx *Tx) DeleteObservation(ctx context.Context, scope Scope, id uuid.UUID, version int64) error {
	err := removed(ctx, tx, deleteObservation, scope.on(args{"id": id, "version": version}), func(ctx context.Context) (Observation, error) {
		return tx.Observation(ctx, scope, id)
	})
	if err != nil {
		return fmt.Errorf("delete observation %s: %w", id, err)
	}
	return nil
}
