package db

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"
)

// Suppression is a planned time in which alerts are not told: of the firm, or of a
// site, a crew or a pour.
type Suppression struct {
	Record
	SiteID      *uuid.UUID // at most one of the three is set; none is the whole firm
	CrewID      *uuid.UUID
	PourID      *uuid.UUID
	StartsAt    time.Time
	EndsAt      time.Time
	Reason      string
	CriticalToo bool   // also what is critical
	MadeBy      string // the actor; set by the store
	ClosedAt    *time.Time
}

const suppressionColumns = `w.id, w.version, w.created_at, w.updated_at, w.site_id, w.crew_id, w.pour_id, w.starts_at, w.ends_at,
	w.reason, w.critical_too, w.made_by, w.closed_at`

// A scope sees what may keep the alerts of its pours from being told, and changes
// what is of its pours or crews alone.
const (
	ownSuppression = `(` + scopeAll + ` or @scope_plants::uuid[] is null and w.crew_id = any(@scope_crews)
		or exists (select from pours p where p.id = w.pour_id and ` + seenPour + `))`
	seenSuppression = `(` + ownSuppression + ` or num_nonnulls(w.site_id, w.crew_id, w.pour_id) = 0
		or exists (select from pours p where (p.site_id = w.site_id or p.crew_id = w.crew_id) and ` + seenPour + `))`
)

const selectSuppression = `select ` + suppressionColumns + ` from suppressions w where w.id = @id and ` + seenSuppression

// Suppression gives one planned suppression.
func (r reads) Suppression(ctx context.Context, scope Scope, id uuid.UUID) (Suppression, error) {
	w, err := one[Suppression](ctx, r.q, selectSuppression, scope.on(args{"id": id}))
	if err != nil {
		return Suppression{}, fmt.Errorf("load suppression %s: %w", id, err)
	}
	return w, nil
}

// SuppressionFilter narrows a list of planned suppressions; what is zero doesn't.
type SuppressionFilter struct {
	PourID       uuid.UUID
	EndsAfter    time.Time
	StartsBefore time.Time
}

const selectSuppressions = `select ` + suppressionColumns + ` from suppressions w where ` + seenSuppression

// Suppressions lists planned suppressions, the latest start first.
func (r reads) Suppressions(ctx context.Context, scope Scope, f SuppressionFilter, p Page) (List[Suppression], error) {
	q := newQuery(selectSuppressions, scope.on(args{}))
	q.when(f.PourID != uuid.Nil, "w.pour_id = @of_pour", "of_pour", f.PourID)
	q.when(!f.EndsAfter.IsZero(), "w.ends_at > @ends_after", "ends_after", f.EndsAfter)
	q.when(!f.StartsBefore.IsZero(), "w.starts_at <= @starts_before", "starts_before", f.StartsBefore)
	l, err := list(ctx, r, q, p, order{at: "w.starts_at", id: "w.id", falling: true}, func(w Suppression) Key { return Key{w.StartsAt, w.ID} })
	if err != nil {
		return l, fmt.Errorf("list suppressions: %w", err)
	}
	return l, nil
}

const insertSuppression = `
insert into suppressions as w (id, created_at, updated_at, site_id, crew_id, pour_id, starts_at, ends_at, reason, critical_too, made_by)
select w.id, w.now, w.now, w.site_id, w.crew_id, w.pour_id, @starts_at, @ends_at, @reason, @critical_too, @actor
from (select @id::uuid as id, @now::timestamptz as now, @site_id::uuid as site_id, @crew_id::uuid as crew_id, @pour_id::uuid as pour_id) w
where ` + ownSuppression + `
returning ` + suppressionColumns

// CreateSuppression stores a planned suppression. A caller with a scope may make
// one for a pour or a crew in it.
func (tx *Tx) CreateSuppression(ctx context.Context, scope Scope, w Suppression) (Suppression, error) {
	stored, err := created[Suppression](ctx, tx, insertSuppression, scope.on(record(w)).set("actor", tx.actor.Name))
	if errors.Is(err, ErrNotFound) {
		err = w.outOfScope()
	}
	if err != nil {
		return Suppression{}, fmt.Errorf("create suppression: %w", err)
	}
	return stored, nil
}

// outOfScope is why a caller with a scope may not make one: what it does not see
// does not exist for it.
func (w Suppression) outOfScope() error {
	switch {
	case w.PourID != nil:
		return &FieldError{Field: "pour_id", Detail: "does not exist", kind: ErrInvalid}
	case w.CrewID != nil:
		return &FieldError{Field: "crew_id", Detail: "does not exist", kind: ErrInvalid}
	}
	return ErrNotAllowed
}

const updateSuppression = `
update suppressions w set version = w.version + 1, updated_at = @now::timestamptz, starts_at = @starts_at, ends_at = @ends_at::timestamptz, reason = @reason,
	critical_too = @critical_too, closed_at = case when @ends_at::timestamptz > @now::timestamptz then null else w.closed_at end
where w.id = @id and w.version = @version and ` + ownSuppression + `
returning ` + suppressionColumns

// UpdateSuppression edits a planned suppression; what it is of stays. ErrStale when
// w.Version isn't the one stored, ErrNotAllowed when the scope only sees it.
func (tx *Tx) UpdateSuppression(ctx context.Context, scope Scope, w Suppression) (Suppression, error) {
	stored, err := edited(ctx, tx, updateSuppression, scope.on(record(w)), func(ctx context.Context) (Suppression, error) {
		return tx.ownSuppression(ctx, scope, w.ID, w.Version)
	})
	if err != nil {
		return Suppression{}, fmt.Errorf("update suppression %s: %w", w.ID, err)
	}
	return stored, nil
}

// ownSuppression tells what is hidden, seen only, and changed meanwhile apart.
func (tx *Tx) ownSuppression(ctx context.Context, scope Scope, id uuid.UUID, version int64) (Suppression, error) {
	w, err := tx.Suppression(ctx, scope, id)
	if err == nil && w.Version == version {
		err = ErrNotAllowed
	}
	return w, err
}

const deleteSuppression = `delete from suppressions w where w.id = @id and w.version = @version and ` + ownSuppression

// DeleteSuppression takes back a planned suppression; the audit keeps it.
func (tx *Tx) DeleteSuppression(ctx context.Context, scope Scope, id uuid.UUID, version int64) error {
	err := removed(ctx, tx, deleteSuppression, scope.on(args{"id": id, "version": version}), func(ctx context.Context) (Suppression, error) {
		return tx.ownSuppression(ctx, scope, id, version)
	})
	if err != nil {
		return fmt.Errorf("delete suppression %s: %w", id, err)
	}
	return nil
}

const activeSuppressions = `select ` + suppressionColumns + ` from suppressions w where w.starts_at <= @now and w.ends_at > @now order by w.ends_at desc`

// ActiveSuppressions gives the planned suppressions that hold at a time, the one
// that lasts longest first.
func (r reads) ActiveSuppressions(ctx context.Context, now time.Time) ([]Suppression, error) {
	list, err := many[Suppression](ctx, r.q, activeSuppressions, args{"now": now})
	if err != nil {
		return nil, fmt.Errorf("load suppressions: %w", err)
	}
	return list, nil
}

const closeSuppressions = `
update suppressions w set closed_at = @now
where w.id in (select id from suppressions where closed_at is null and ends_at <= @now order by ends_at limit @limit for update skip locked)
returning ` + suppressionColumns

// CloseSuppressions takes planned suppressions that have ended, once each.
func (tx *Tx) CloseSuppressions(ctx context.Context, limit int) ([]Suppression, error) {
	list, err := many[Suppression](ctx, tx.q, closeSuppressions, args{"now": tx.now, "limit": limit})
	if err != nil {
		return nil, fmt.Errorf("close suppressions: %w", err)
	}
	return list, nil
}

const alertsUnder = `
select a.id from alerts a left join pours p on p.id = a.pour_id
where a.condition in ('raised', 'clearing')
	and (@pour_id::uuid is null or a.pour_id = @pour_id)
	and (@site_id::uuid is null or p.site_id = @site_id)
	and (@crew_id::uuid is null or p.crew_id = @crew_id)
order by a.id`

// AlertsUnder gives the alerts in force that a planned suppression is of.
func (r reads) AlertsUnder(ctx context.Context, w Suppression) ([]uuid.UUID, error) {
	ids, err := values[uuid.UUID](ctx, r.q, alertsUnder, record(w))
	if err != nil {
		return nil, fmt.Errorf("find alerts under suppression %s: %w", w.ID, err)
	}
	return ids, nil
}
