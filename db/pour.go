package db

import (
	"context"
	"fmt"
	"time"

	"frostgate/rules"

	"github.com/google/uuid"
)

// PourState is how far a pour has come.
type PourState string

// The states of a pour. A crew is taken while a pour is planned or placed.
const (
	Planned   PourState = "planned"
	Placed    PourState = "placed"   // concrete is in; needs PlacedAt
	Released  PourState = "released" // protection came off; needs ReleasedAt
	Cancelled PourState = "cancelled"
)

// Pour is one placement. Fields with a zero value that [rules.Pour] gives a
// default to may stay zero.
type Pour struct {
	Record
	Name    string
	Note    string
	SiteID  uuid.UUID
	PlantID uuid.UUID
	CrewID  uuid.UUID
	MixID   uuid.UUID

	Element          rules.Element
	ThicknessMM      float64
	WidthMM          float64
	HeightMM         float64
	LengthMM         float64
	AreaM2           float64
	VolumeM3         *float64 // as ordered; nil is by the geometry
	WastePct         *float64
	Base             rules.Base
	FoamMM           float64
	VapourRetarder   bool
	Reinforced       bool
	Exposure         rules.Exposure
	ServiceCategory  int
	FormRM2KW        *float64
	Windbreak        bool
	Lights           bool
	PlacedTempC      *float64
	HaulMin          *float64 // nil is the plant's
	Protection       []rules.Protection
	ProtectionAtHand []rules.Cover
	GroundCover      []rules.GroundCover

	StartsAt      time.Time
	OccupiedUntil time.Time  // the crew is taken from the start till here
	CancelBy      *time.Time // when the order can last be cancelled
	State         PourState  // planned when empty
	PlacedAt      *time.Time
	ReleasedAt    *time.Time
	CancelledAt   *time.Time

	Standing
}

// Standing is what the latest assessment says of a pour. It is read only here:
// StoreAssessments sets it, and that is no edit of the pour.
type Standing struct {
	Verdict          rules.Verdict // empty until assessed
	WorstRule        string
	WorstReason      string
	WorstProbability *float64
	Severity         string
	AssessedAt       *time.Time
	AssessmentID     *uuid.UUID
	NextWindowAt     *time.Time // the next start that places or needs only protection at hand
}

// PourLine is a pour in a list, with the names of what it uses.
type PourLine struct {
	Pour
	SiteName  string
	Timezone  string // of the site
	PlantName string
	CrewName  string
	MixName   string
}

const pourColumns = `p.id, p.version, p.created_at, p.updated_at, p.name, p.note, p.site_id, p.plant_id, p.crew_id, p.mix_id,
	p.element, p.thickness_mm, p.width_mm, p.height_mm, p.length_mm, p.area_m2, p.volume_m3, p.waste_pct, p.base,
	p.foam_mm, p.vapour_retarder, p.reinforced, p.exposure, p.service_category, p.form_r_m2k_w, p.windbreak, p.lights,
	p.placed_temp_c, p.haul_min, p.protection, p.protection_at_hand, p.ground_cover,
	p.starts_at, p.occupied_until, p.cancel_by, p.state, p.placed_at, p.released_at, p.cancelled_at,
	p.verdict, p.worst_rule, p.worst_reason, p.worst_probability, p.severity, p.assessed_at, p.assessment_id, p.next_window_at`

const selectPour = `select ` + pourColumns + ` from pours p where p.id = @id and ` + seenPour

// Pour gives one pour; ErrNotFound also when the scope hides it.
func (r reads) Pour(ctx context.Context, scope Scope, id uuid.UUID) (Pour, error) {
	p, err := one[Pour](ctx, r.q, selectPour, scope.on(args{"id": id}))
	if err != nil {
		return Pour{}, fmt.Errorf("load pour %s: %w", id, err)
	}
	return p, nil
}

// PourFilter narrows a list of pours; what is empty doesn't.
type PourFilter struct {
	StartsFrom   time.Time // at or after
	StartsBefore time.Time
	DayFrom      string // first day of start in the site's own zone, 2006-01-02
	DayUntil     string // last day, inclusive
	IDs          []uuid.UUID
	SiteIDs      []uuid.UUID
	PlantIDs     []uuid.UUID
	CrewIDs      []uuid.UUID
	MixIDs       []uuid.UUID
	Verdicts     []rules.Verdict // unscored has those never assessed too
	States       []PourState
	Text         string // in the pour's name or note or the site's name, without case
}

const selectPours = `
select ` + pourColumns + `, s.name as site_name, s.timezone, pl.name as plant_name, c.name as crew_name, m.name as mix_name
from pours p
join sites s on s.id = p.site_id
join plants pl on pl.id = p.plant_id
join crews c on c.id = p.crew_id
join mixes m on m.id = p.mix_id
where true`

// Pours lists pours by their start.
func (r reads) Pours(ctx context.Context, scope Scope, f PourFilter, p Page) (List[PourLine], error) {
	q := newQuery(selectPours, args{})
	q.seen(scope)
	q.when(!f.StartsFrom.IsZero(), "p.starts_at >= @starts_from", "starts_from", f.StartsFrom)
	q.when(!f.StartsBefore.IsZero(), "p.starts_at < @starts_before", "starts_before", f.StartsBefore)
	// The day is the site's own; the second condition lets the index help.
	const localDay = "(p.starts_at at time zone s.timezone)::date"
	q.when(f.DayFrom != "", localDay+" >= @day_from::text::date and p.starts_at >= @day_from::text::date - 1", "day_from", f.DayFrom)
	q.when(f.DayUntil != "", localDay+" <= @day_until::text::date and p.starts_at < @day_until::text::date + 2", "day_until", f.DayUntil)
	q.when(len(f.IDs) > 0, "p.id = any(@ids)", "ids", f.IDs)
	q.when(len(f.SiteIDs) > 0, "p.site_id = any(@site_ids)", "site_ids", f.SiteIDs)
	q.when(len(f.PlantIDs) > 0, "p.plant_id = any(@plant_ids)", "plant_ids", f.PlantIDs)
	q.when(len(f.CrewIDs) > 0, "p.crew_id = any(@crew_ids)", "crew_ids", f.CrewIDs)
	q.when(len(f.MixIDs) > 0, "p.mix_id = any(@mix_ids)", "mix_ids", f.MixIDs)
	q.when(len(f.Verdicts) > 0, "coalesce(nullif(p.verdict, ''), 'unscored') = any(@verdicts)", "verdicts", f.Verdicts)
	q.when(len(f.States) > 0, "p.state = any(@states)", "states", f.States)
	q.like("p.name || ' ' || p.note || ' ' || s.name", f.Text)
	l, err := list(ctx, r, q, p, order{at: "p.starts_at", id: "p.id"}, func(p PourLine) Key { return Key{p.StartsAt, p.ID} })
	if err != nil {
		return l, fmt.Errorf("list pours: %w", err)
	}
	return l, nil
}

const insertPour = `
insert into pours as p (id, created_at, updated_at, name, note, site_id, plant_id, crew_id, mix_id,
	element, thickness_mm, width_mm, height_mm, length_mm, area_m2, volume_m3, waste_pct, base,
	foam_mm, vapour_retarder, reinforced, exposure, service_category, form_r_m2k_w, windbreak, lights,
	placed_temp_c, haul_min, protection, protection_at_hand, ground_cover,
	starts_at, occupied_until, cancel_by, state, placed_at, released_at, cancelled_at)
values (@id, @now, @now, @name, @note, @site_id, @plant_id, @crew_id, @mix_id,
	@element, @thickness_mm, @width_mm, @height_mm, @length_mm, @area_m2, @volume_m3, @waste_pct, @base,
	@foam_mm, @vapour_retarder, @reinforced, @exposure, @service_category, @form_r_m2k_w, @windbreak, @lights,
	@placed_temp_c, @haul_min, coalesce(@protection::jsonb, '[]'), coalesce(@protection_at_hand::jsonb, '[]'), coalesce(@ground_cover::jsonb, '[]'),
	@starts_at, @occupied_until, @cancel_by, @state, @placed_at, @released_at, @cancelled_at)
returning ` + pourColumns

// CreatePour stores a new pour. What it uses must exist and be seen in the
// scope; its crew must be free: otherwise a FieldError.
func (tx *Tx) CreatePour(ctx context.Context, scope Scope, p Pour) (Pour, error) {
	if p.State == "" {
		p.State = Planned
	}
	err := tx.usable(ctx, scope, p)
	var stored Pour
	if err == nil {
		stored, err = created[Pour](ctx, tx, insertPour, record(p))
	}
	if err != nil {
		return Pour{}, fmt.Errorf("create pour: %w", err)
	}
	return stored, nil
}

const updatePour = `
update pours p set version = p.version + 1, updated_at = @now, name = @name, note = @note,
	site_id = @site_id, plant_id = @plant_id, crew_id = @crew_id, mix_id = @mix_id,
	element = @element, thickness_mm = @thickness_mm, width_mm = @width_mm, height_mm = @height_mm,
	length_mm = @length_mm, area_m2 = @area_m2, volume_m3 = @volume_m3, waste_pct = @waste_pct, base = @base,
	foam_mm = @foam_mm, vapour_retarder = @vapour_retarder, reinforced = @reinforced, exposure = @exposure,
	service_category = @service_category, form_r_m2k_w = @form_r_m2k_w, windbreak = @windbreak, lights = @lights,
	placed_temp_c = @placed_temp_c, haul_min = @haul_min, protection = coalesce(@protection::jsonb, '[]'),
	protection_at_hand = coalesce(@protection_at_hand::jsonb, '[]'), ground_cover = coalesce(@ground_cover::jsonb, '[]'),
	starts_at = @starts_at, occupied_until = @occupied_until, cancel_by = @cancel_by, state = @state,
	placed_at = @placed_at, released_at = @released_at, cancelled_at = @cancelled_at
where p.id = @id and p.version = @version and ` + seenPour + `
returning ` + pourColumns

// UpdatePour edits a pour, its state included; ErrStale when p.Version isn't the
// one stored. Its Standing is left alone.
func (tx *Tx) UpdatePour(ctx context.Context, scope Scope, p Pour) (Pour, error) {
	err := tx.usable(ctx, scope, p)
	var stored Pour
	if err == nil {
		stored, err = edited(ctx, tx, updatePour, scope.on(record(p)), func(ctx context.Context) (Pour, error) {
			return tx.Pour(ctx, scope, p.ID)
		})
	}
	if err != nil {
		return Pour{}, fmt.Errorf("update pour %s: %w", p.ID, err)
	}
	return stored, nil
}

const hiddenFromPour = `
select case
	when not exists (select from crews c where c.id = @crew_id and ` + seenCrew + `) then 'crew_id'
	when not exists (select from plants pl where pl.id = @plant_id and ` + seenPlant + `) then 'plant_id'
	when not exists (select from sites s where s.id = @site_id and ` + seenBySite + `) then 'site_id'
	when not exists (select from mixes m where m.id = @mix_id and ` + seenByMix + `) then 'mix_id'
	else '' end`

// usable refuses what a pour may not use because the scope hides it, in the words
// of what isn't there. Without a scope the foreign keys do.
func (tx *Tx) usable(ctx context.Context, scope Scope, p Pour) error {
	if scope.All() {
		return nil
	}
	field, err := value[string](ctx, tx.q, hiddenFromPour, scope.on(record(p)))
	if err == nil && field != "" {
		err = &FieldError{Field: field, Detail: "does not exist", kind: ErrInvalid}
	}
	return err
}

const deletePour = `delete from pours p where p.id = @id and p.version = @version and ` + seenPour

// DeletePour removes a pour with its assessments and observations. One that
// ever had an alert stays: ErrConflict, cancel it.
func (tx *Tx) DeletePour(ctx context.Context, scope Scope, id uuid.UUID, version int64) error {
	err := removed(ctx, tx, deletePour, scope.on(args{"id": id, "version": version}), func(ctx context.Context) (Pour, error) {
		return tx.Pour(ctx, scope, id)
	})
	if err != nil {
		return fmt.Errorf("delete pour %s: %w", id, err)
	}
	return nil
}

// The order of the keys keeps two transactions from waiting for each other.
const lockPours = `
select pg_advisory_xact_lock(key) from (
	select hashtextextended('assess ' || id, 0) as key from unnest(@ids::uuid[]) id order by key
) keys`

// LockPours keeps other transactions that lock the same pours waiting until this
// one ends. It is for deciding about pours, one decision after another; edits of
// the pours go on meanwhile.
func (tx *Tx) LockPours(ctx context.Context, ids ...uuid.UUID) error {
	if _, err := run(ctx, tx.q, lockPours, args{"ids": ids}); err != nil {
		return fmt.Errorf("lock %d pours: %w", len(ids), err)
	}
	return nil
}

// WatchedPour is what a clock has to know of a pour.
type WatchedPour struct {
	ID         uuid.UUID
	State      PourState
	StartsAt   time.Time
	CancelBy   *time.Time
	AssessedAt *time.Time
	Latitude   float64 // of the site
	Longitude  float64
	Timezone   string
}

const watchedPours = `
select p.id, p.state, p.starts_at, p.cancel_by, p.assessed_at, s.latitude, s.longitude, s.timezone
from pours p join sites s on s.id = p.site_id
where p.state in ('planned', 'placed') and p.starts_at >= @from and p.starts_at < @before
order by p.starts_at, p.id`

// WatchedPours gives the planned and placed pours that start in a span of time.
func (r reads) WatchedPours(ctx context.Context, from, before time.Time) ([]WatchedPour, error) {
	pours, err := many[WatchedPour](ctx, r.q, watchedPours, args{"from": from, "before": before})
	if err != nil {
		return nil, fmt.Errorf("load watched pours: %w", err)
	}
	return pours, nil
}
