package db

import (
	"context"
	"fmt"
	"time"

	"frostgate/rules"

	"github.com/google/uuid"
)

// Issue is the hours that one source gave for one cell at one time. It is never
// changed, only thinned with age.
type Issue struct {
	ID            uuid.UUID // version 7; made by the store when zero
	CellID        uuid.UUID
	Kind          string // forecast, or observed
	Model         string
	ElevationM    *float64  // of the ground the hours are for; the cell's when nil at the store
	IssuedAt      time.Time // by the source's own word
	FetchedAt     time.Time
	PayloadSHA256 []byte // of the body as it came
	FirstHourAt   time.Time
	LastHourAt    time.Time
	ReachAt       time.Time // last hour with all that an assessment needs; LastHourAt when zero
	Hours         int
	Body          []byte `db:"-"` // as it came; nil isn't kept. Read by IssueBody.
}

// Hour is the normalised weather of one hour; nil was not supplied.
type Hour struct {
	rules.Hour
	RelHumidity       *float64 // 0 to 1
	WindFromDeg       *float64
	PrecipProbWindowH *int16 // hours that PrecipProb is for
	SnowfallMMSWE     *float64
	SnowfallDepthM    *float64
	IceAccumMM        *float64
	SoilTemps         []SoilTemp
	SkinTempC         *float64
	PressurePa        *float64 // at the station's height
	Flags             int64    // a bit set; the forecast package says what each means
}

// SoilTemp is the temperature of a layer of the ground.
type SoilTemp struct {
	TopM    float64 `json:"top_m"`
	BottomM float64 `json:"bottom_m"`
	TempC   float64 `json:"temp_c"`
}

const issueColumns = `i.id, i.cell_id, i.kind, i.model, i.elevation_m, i.issued_at, i.fetched_at, i.payload_sha256, i.first_hour_at,
	i.last_hour_at, i.reach_at, i.hours`

const (
	insertIssue = `
		insert into issues as i (id, cell_id, kind, model, elevation_m, issued_at, fetched_at, payload_sha256, first_hour_at,
			last_hour_at, reach_at, hours, body)
		values (@id, @cell_id, @kind, @model, coalesce(@elevation_m, (select elevation_m from cells where id = @cell_id)), @issued_at, @fetched_at, @payload_sha256, @first_hour_at,
			@last_hour_at, @reach_at, @hours, @body)
		on conflict on constraint issues_payload_sha256_key do nothing
		returning ` + issueColumns
	selectSameIssue = `select ` + issueColumns + ` from issues i
		where i.cell_id = @cell_id and i.issued_at = @issued_at and i.payload_sha256 = @payload_sha256`
	setLatestIssue = `
		update cells set latest_issue_id = @id, latest_issued_at = @issued_at
		where id = @cell_id and (latest_issued_at is null or latest_issued_at <= @issued_at)`
)

// StoreIssue stores hours as they were issued and makes them the cell's latest,
// unless a newer issue is there. The same payload again is not stored again:
// created is false and the issue is the first one. Hours must be full, in order
// and without repeats.
func (tx *Tx) StoreIssue(ctx context.Context, i Issue, hours []Hour) (stored Issue, isNew bool, err error) {
	stored, isNew, err = tx.storeIssue(ctx, i, hours)
	if err != nil {
		return Issue{}, false, fmt.Errorf("store issue of cell %s: %w", i.CellID, err)
	}
	return stored, isNew, nil
}

func (tx *Tx) storeIssue(ctx context.Context, i Issue, hours []Hour) (Issue, bool, error) {
	if err := i.span(hours); err != nil {
		return Issue{}, false, err
	}
	i.ID = newID(i.ID)
	inserted, err := many[Issue](ctx, tx.q, insertIssue, record(i))
	if err != nil {
		return Issue{}, false, err
	}
	if len(inserted) == 0 {
		same, err := one[Issue](ctx, tx.q, selectSameIssue, record(i))
		return same, false, err
	}
	if err := tx.copyHours(ctx, i.ID, hours); err != nil {
		return Issue{}, false, err
	}
	_, err = run(ctx, tx.q, setLatestIssue, record(i))
	return inserted[0], true, err
}

// span reads first, last and count off the hours.
func (i *Issue) span(hours []Hour) error {
	if len(hours) == 0 {
		return &FieldError{Field: "hours", Detail: "are none", kind: ErrInvalid}
	}
	for n, h := range hours {
		if !h.At.Equal(h.At.Truncate(time.Hour)) || n > 0 && !h.At.After(hours[n-1].At) {
			return &FieldError{Field: "hours", Detail: "must be full hours in order", kind: ErrInvalid}
		}
	}
	i.FirstHourAt, i.LastHourAt, i.Hours = hours[0].At, hours[len(hours)-1].At, len(hours)
	if i.ReachAt.IsZero() {
		i.ReachAt = i.LastHourAt
	}
	return nil
}

const hourColumns = `h.at, h.air_temp_c, h.dew_point_c, h.rel_humidity, h.wind_ms, h.gust_ms, h.wind_from_deg, h.cloud,
	h.shortwave_wm2, h.precip_mm, h.precip_prob, h.precip_prob_window_h, h.precip_type, h.snowfall_mm_swe,
	h.snowfall_depth_m, h.ice_accum_mm, h.snow_depth_m, h.soil_temps, h.skin_temp_c, h.pressure_pa,
	h.air_temp_sd_c, h.wind_sd_ms, h.flags`

const selectIssue = `select ` + issueColumns + ` from issues i where i.id = @id`

// Issue gives one issue.
func (r reads) Issue(ctx context.Context, id uuid.UUID) (Issue, error) {
	i, err := one[Issue](ctx, r.q, selectIssue, args{"id": id})
	if err != nil {
		return Issue{}, fmt.Errorf("load issue %s: %w", id, err)
	}
	return i, nil
}

const selectBody = `select i.body from issues i where i.id = @id and i.body is not null`

// IssueBody gives the body as it came; ErrNotFound when it wasn't kept.
func (r reads) IssueBody(ctx context.Context, id uuid.UUID) ([]byte, error) {
	body, err := value[[]byte](ctx, r.q, selectBody, args{"id": id})
	if err != nil {
		return nil, fmt.Errorf("load body of issue %s: %w", id, err)
	}
	return body, nil
}

const selectIssues = `select ` + issueColumns + ` from issues i where i.cell_id = @cell_id`

// Issues lists what a cell's source gave, newest first.
func (r reads) Issues(ctx context.Context, cellID uuid.UUID, p Page) (List[Issue], error) {
	q := newQuery(selectIssues, args{"cell_id": cellID})
	l, err := list(ctx, r, q, p, order{at: "i.issued_at", id: "i.id", falling: true}, func(i Issue) Key { return Key{i.IssuedAt, i.ID} })
	if err != nil {
		return l, fmt.Errorf("list issues of cell %s: %w", cellID, err)
	}
	return l, nil
}

// SiteIssue is the latest that one source gave for a site.
type SiteIssue struct {
	Issue
	SiteID uuid.UUID
	Source string
	Key    string
}

const latestIssues = `
select ` + issueColumns + `, sc.site_id, c.source, c.key
from site_cells sc join cells c on c.id = sc.cell_id join issues i on i.id = c.latest_issue_id
where sc.site_id = any(@site_ids) order by sc.site_id, c.source`

// LatestIssues gives the latest issue of each source for some sites.
func (r reads) LatestIssues(ctx context.Context, siteIDs ...uuid.UUID) ([]SiteIssue, error) {
	issues, err := many[SiteIssue](ctx, r.q, latestIssues, args{"site_ids": siteIDs})
	if err != nil {
		return nil, fmt.Errorf("load latest issues of %d sites: %w", len(siteIDs), err)
	}
	return issues, nil
}

const selectHours = `
select ` + hourColumns + ` from forecast_hours h
where h.issue_id = @issue_id and h.at >= coalesce(@from, '-infinity'::timestamptz) and h.at < coalesce(@before, 'infinity'::timestamptz)
order by h.at`

// Hours gives the hours of an issue from a time to before another; a zero time
// is no bound.
func (r reads) Hours(ctx context.Context, issueID uuid.UUID, from, before time.Time) ([]Hour, error) {
	hours, err := many[Hour](ctx, r.q, selectHours, args{"issue_id": issueID, "from": unlessZero(from), "before": unlessZero(before)})
	if err != nil {
		return nil, fmt.Errorf("load hours of issue %s: %w", issueID, err)
	}
	return hours, nil
}

// PastHour is an hour with the issue it is taken from.
type PastHour struct {
	Hour
	IssueID    uuid.UUID
	IssuedAt   time.Time
	ElevationM *float64 // of the issue
}

const pastHours = `
select distinct on (h.at) ` + hourColumns + `, h.issue_id, i.issued_at, i.elevation_m
from issues i join forecast_hours h on h.issue_id = i.id
where i.cell_id = @cell_id and i.last_hour_at >= @from and i.first_hour_at < @before and h.at >= @from and h.at < @before
order by h.at, i.issued_at desc, i.fetched_at desc`

// PastHours gives what a cell's source last said of each hour from a time to
// before another: the history that the ground is spun up from.
func (r reads) PastHours(ctx context.Context, cellID uuid.UUID, from, before time.Time) ([]PastHour, error) {
	hours, err := many[PastHour](ctx, r.q, pastHours, args{"cell_id": cellID, "from": from, "before": before})
	if err != nil {
		return nil, fmt.Errorf("load past hours of cell %s: %w", cellID, err)
	}
	return hours, nil
}

func unlessZero(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}
