package db

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/google/uuid"
)

// Cell is a place that a weather source answers for: a grid cell, a station, a
// warning zone. Sites share it, and with it what is fetched.
type Cell struct {
	ID             uuid.UUID
	CreatedAt      time.Time
	Source         string // such as openmeteo
	Key            string // the source's own name of the cell
	Latitude       float64
	Longitude      float64
	ElevationM     *float64
	Meta           json.RawMessage // the source's own notes, such as addresses
	ETag           string
	LastModified   string // as the source wrote it
	ExpiresAt      *time.Time
	NextDueAt      time.Time
	Failures       int // in a row
	LastError      string
	FetchedAt      *time.Time // last try
	SucceededAt    *time.Time // last good try, an unchanged forecast included
	LatestIssueID  *uuid.UUID
	LatestIssuedAt *time.Time
}

const cellColumns = `c.id, c.created_at, c.source, c.key, c.latitude, c.longitude, c.elevation_m, c.meta, c.etag, c.last_modified,
	c.expires_at, c.next_due_at, c.failures, c.last_error, c.fetched_at, c.succeeded_at, c.latest_issue_id, c.latest_issued_at`

const ensureCell = `
insert into cells as c (id, created_at, source, key, latitude, longitude, elevation_m, meta, next_due_at)
values (@id, @now, @source, @key, @latitude, @longitude, @elevation_m, coalesce(@meta::jsonb, '{}'), @now)
on conflict (source, key) do update set key = excluded.key -- so that the row is returned
returning ` + cellColumns

// EnsureCell gives the cell of a source and key and makes it when it is new,
// due at once. Of an existing one nothing changes.
func (tx *Tx) EnsureCell(ctx context.Context, c Cell) (Cell, error) {
	stored, err := created[Cell](ctx, tx, ensureCell, record(c))
	if err != nil {
		return Cell{}, fmt.Errorf("ensure cell %s %s: %w", c.Source, c.Key, err)
	}
	return stored, nil
}

const selectCell = `select ` + cellColumns + ` from cells c where c.id = @id`

// Cell gives one cell.
func (r reads) Cell(ctx context.Context, id uuid.UUID) (Cell, error) {
	c, err := one[Cell](ctx, r.q, selectCell, args{"id": id})
	if err != nil {
		return Cell{}, fmt.Errorf("load cell %s: %w", id, err)
	}
	return c, nil
}

const selectCells = `select ` + cellColumns + ` from cells c where true`

// Cells lists the cells of a source, or of all when it is empty, as they were made.
func (r reads) Cells(ctx context.Context, source string, p Page) (List[Cell], error) {
	q := newQuery(selectCells, args{})
	q.when(source != "", "c.source = @source", "source", source)
	l, err := list(ctx, r, q, p, order{at: "c.created_at", id: "c.id"}, func(c Cell) Key { return Key{c.CreatedAt, c.ID} })
	if err != nil {
		return l, fmt.Errorf("list cells: %w", err)
	}
	return l, nil
}

const linkSite = `
insert into site_cells (site_id, source, cell_id, linked_at) values (@site_id, @source, @cell_id, @now)
on conflict (site_id, source) do update set cell_id = excluded.cell_id, linked_at = excluded.linked_at`

// LinkSite says which cell of a source answers for a site, from now on or still.
func (tx *Tx) LinkSite(ctx context.Context, siteID uuid.UUID, source string, cellID uuid.UUID) error {
	if _, err := run(ctx, tx.q, linkSite, args{"site_id": siteID, "source": source, "cell_id": cellID, "now": tx.now}); err != nil {
		return fmt.Errorf("link site %s to cell %s: %w", siteID, cellID, err)
	}
	return nil
}

const unlinkSite = `delete from site_cells where site_id = @site_id`

// UnlinkSite forgets the cells of a site, because it moved.
func (tx *Tx) UnlinkSite(ctx context.Context, siteID uuid.UUID) error {
	if _, err := run(ctx, tx.q, unlinkSite, args{"site_id": siteID}); err != nil {
		return fmt.Errorf("unlink site %s: %w", siteID, err)
	}
	return nil
}

const selectSiteCells = `
select ` + cellColumns + ` from site_cells sc join cells c on c.id = sc.cell_id
where sc.site_id = @site_id order by sc.source`

// SiteCells gives the cells that answer for a site, by source.
func (r reads) SiteCells(ctx context.Context, siteID uuid.UUID) ([]Cell, error) {
	cells, err := many[Cell](ctx, r.q, selectSiteCells, args{"site_id": siteID})
	if err != nil {
		return nil, fmt.Errorf("load cells of site %s: %w", siteID, err)
	}
	return cells, nil
}

const sitesWithout = `
select ` + siteColumns + ` from sites s
where s.archived_at is null and not exists (select from site_cells sc where sc.site_id = s.id and sc.source = @source)
order by s.created_at, s.id limit @limit`

// SitesWithout gives sites that have no cell of a source yet, oldest first.
func (r reads) SitesWithout(ctx context.Context, source string, limit int) ([]Site, error) {
	sites, err := many[Site](ctx, r.q, sitesWithout, args{"source": source, "limit": limit})
	if err != nil {
		return nil, fmt.Errorf("find sites without %s: %w", source, err)
	}
	return sites, nil
}

const sitesLinkedBefore = `
select ` + siteColumns + ` from sites s join site_cells sc on sc.site_id = s.id
where s.archived_at is null and sc.source = @source and sc.linked_at < @before and exists (
	select from cells c where c.id = sc.cell_id and c.key <> 'outside')
order by sc.linked_at, s.id limit @limit`

// SitesLinkedBefore gives sites whose cell of a source was last confirmed before a
// time, the longest ago first; not those that the source does not cover.
func (r reads) SitesLinkedBefore(ctx context.Context, source string, before time.Time, limit int) ([]Site, error) {
	sites, err := many[Site](ctx, r.q, sitesLinkedBefore, args{"source": source, "before": before, "limit": limit})
	if err != nil {
		return nil, fmt.Errorf("find sites to locate again by %s: %w", source, err)
	}
	return sites, nil
}

// forgottenAfter is how long after its start a pour that was never marked as
// placed still needs weather. The clock's watch on pours ends there too: no
// protection that a start could still ask for lasts longer (common practice, no
// source), and a pour that was placed is one word away from being followed again.
const forgottenAfter = 10 * 24 * time.Hour

// needsWeather is true of a pour that somebody still acts on.
const needsWeather = `(p.state = 'placed' or p.state = 'planned' and p.starts_at > @forgotten)`

const claimCells = `
with needed as materialized (
	select sc.cell_id, min(p.starts_at) as first_start
	from site_cells sc join pours p on p.site_id = sc.site_id
	where sc.source = @source and ` + needsWeather + `
	group by sc.cell_id
), due as (
	select d.id, n.first_start from cells d join needed n on n.cell_id = d.id
	where d.source = @source and d.next_due_at <= @now
	order by n.first_start, d.next_due_at, d.id limit @limit
	for update of d skip locked
), claimed as (
	update cells c set next_due_at = @until from due where c.id = due.id
	returning ` + cellColumns + `, due.first_start
)
select ` + cellColumns + ` from claimed c order by c.first_start, c.key, c.id`

// ClaimCells takes the cells of a source that are due and that a pour needs: one
// that is placed, or planned and not long past its start. Those whose next pour
// starts first come first, and neighbours by key together. They are due again
// after the lease unless SaveFetch says otherwise, so that a fetch that dies is
// made up for; no two replicas take one.
func (tx *Tx) ClaimCells(ctx context.Context, source string, limit int, lease time.Duration) ([]Cell, error) {
	cells, err := many[Cell](ctx, tx.q, claimCells, args{
		"source": source, "limit": limit, "now": tx.now, "until": tx.now.Add(lease), "forgotten": tx.now.Add(-forgottenAfter),
	})
	if err != nil {
		return nil, fmt.Errorf("claim cells of %s: %w", source, err)
	}
	return cells, nil
}

// Fetch is how one try to fetch a cell went.
type Fetch struct {
	CellID       uuid.UUID
	Succeeded    bool // an unchanged forecast included
	ETag         string
	LastModified string
	ExpiresAt    *time.Time
	NextDueAt    time.Time
	Error        string          // of a failed try
	Meta         json.RawMessage // replaces the cell's; nil leaves it
}

const saveFetch = `
update cells set etag = case when @succeeded then @etag else etag end,
	last_modified = case when @succeeded then @last_modified else last_modified end,
	expires_at = case when @succeeded then @expires_at else expires_at end,
	meta = coalesce(@meta::jsonb, meta), next_due_at = @next_due_at,
	failures = case when @succeeded then 0 else failures + 1 end, last_error = @error,
	fetched_at = @now, succeeded_at = case when @succeeded then @now else succeeded_at end
where id = @cell_id`

// SaveFetch stores how a try went and when the next is due.
func (tx *Tx) SaveFetch(ctx context.Context, f Fetch) error {
	n, err := run(ctx, tx.q, saveFetch, record(f).set("now", tx.now))
	if err == nil && n == 0 {
		err = ErrNotFound
	}
	if err != nil {
		return fmt.Errorf("save fetch of cell %s: %w", f.CellID, err)
	}
	return nil
}

const postponeCell = `update cells set next_due_at = @until where id = @id`

// PostponeCell has a cell asked for later, without a word on how it does: nobody
// asked.
func (tx *Tx) PostponeCell(ctx context.Context, id uuid.UUID, until time.Time) error {
	if _, err := run(ctx, tx.q, postponeCell, args{"id": id, "until": until}); err != nil {
		return fmt.Errorf("postpone cell %s: %w", id, err)
	}
	return nil
}

const poursOn = `
select p.id from site_cells sc join pours p on p.site_id = sc.site_id
where sc.cell_id = any(@cell_ids) and p.state in ('planned', 'placed') and p.starts_at < @starts_before
order by p.starts_at, p.id`

// PoursOn gives the planned and placed pours that rest on the weather of some
// cells and start before a time.
func (r reads) PoursOn(ctx context.Context, startsBefore time.Time, cellIDs ...uuid.UUID) ([]uuid.UUID, error) {
	ids, err := values[uuid.UUID](ctx, r.q, poursOn, args{"cell_ids": cellIDs, "starts_before": startsBefore})
	if err != nil {
		return nil, fmt.Errorf("find pours on %d cells: %w", len(cellIDs), err)
	}
	return ids, nil
}

// SourceHealth is how fresh a weather source is for the pours that need it.
type SourceHealth struct {
	Cells       int        // that pours rest on; not the one named outside, of sites that it does not cover
	WaitingFrom *time.Time // the first of them was made then
	IssuedAt    *time.Time // of the newest issue; nil without any
	TriedAt     *time.Time // last try, good or not
	SucceededAt *time.Time
	LastError   string // of a cell that fails now; empty when none does
}

const sourceHealth = `
select count(*)::int as cells, min(c.created_at) as waiting_from, max(c.latest_issued_at) as issued_at, max(c.fetched_at) as tried_at,
	max(c.succeeded_at) as succeeded_at, coalesce(max(c.last_error) filter (where c.failures > 0), '') as last_error
from cells c
where c.source = @source and c.key <> 'outside' and exists (
	select from site_cells sc join pours p on p.site_id = sc.site_id
	where sc.cell_id = c.id and ` + needsWeather + `)`

// SourceHealth tells how fresh a source is.
func (r reads) SourceHealth(ctx context.Context, source string, now time.Time) (SourceHealth, error) {
	h, err := one[SourceHealth](ctx, r.q, sourceHealth, args{"source": source, "forgotten": now.Add(-forgottenAfter)})
	if err != nil {
		return SourceHealth{}, fmt.Errorf("look after source %s: %w", source, err)
	}
	return h, nil
}

const cellsByID = `select ` + cellColumns + ` from cells c where c.id = any(@ids) order by c.id`

// CellsByID gives some cells; those that are gone are left out.
func (r reads) CellsByID(ctx context.Context, ids []uuid.UUID) ([]Cell, error) {
	cells, err := many[Cell](ctx, r.q, cellsByID, args{"ids": ids})
	if err != nil {
		return nil, fmt.Errorf("load %d cells: %w", len(ids), err)
	}
	return cells, nil
}

const unlinkCell = `delete from site_cells where cell_id = @cell_id`

// UnlinkCell takes all sites off a cell, because it answers for them no more.
func (tx *Tx) UnlinkCell(ctx context.Context, cellID uuid.UUID) error {
	if _, err := run(ctx, tx.q, unlinkCell, args{"cell_id": cellID}); err != nil {
		return fmt.Errorf("unlink cell %s: %w", cellID, err)
	}
	return nil
}

const makeDue = `
update cells c set next_due_at = @now
where c.next_due_at > @now and (cardinality(@site_ids::uuid[]) = 0 or exists (
	select from site_cells sc where sc.cell_id = c.id and sc.site_id = any(@site_ids)))
	and (c.expires_at is null or c.expires_at <= @now)`

// MakeDue makes the cells of some sites due at once, of all sites when none is
// named, except those whose source has said that it has nothing newer yet.
func (tx *Tx) MakeDue(ctx context.Context, siteIDs ...uuid.UUID) error {
	if siteIDs == nil {
		siteIDs = []uuid.UUID{}
	}
	if _, err := run(ctx, tx.q, makeDue, args{"site_ids": siteIDs, "now": tx.now}); err != nil {
		return fmt.Errorf("make cells due: %w", err)
	}
	return nil
}

// CellSite is a site that a cell answers for.
type CellSite struct {
	CellID     uuid.UUID
	SiteID     uuid.UUID
	Latitude   float64
	Longitude  float64
	ElevationM float64
}

const cellSites = `
select sc.cell_id, sc.site_id, s.latitude, s.longitude, s.elevation_m
from site_cells sc join sites s on s.id = sc.site_id
where sc.cell_id = any(@cell_ids) and s.archived_at is null
order by sc.cell_id, s.created_at, s.id`

// CellSites gives the sites, archived ones aside, that some cells answer for.
func (r reads) CellSites(ctx context.Context, cellIDs ...uuid.UUID) ([]CellSite, error) {
	sites, err := many[CellSite](ctx, r.q, cellSites, args{"cell_ids": cellIDs})
	if err != nil {
		return nil, fmt.Errorf("load sites of %d cells: %w", len(cellIDs), err)
	}
	return sites, nil
}
