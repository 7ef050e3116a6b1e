package db

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// Warning is an official weather warning for a site.
type Warning struct {
	SiteID     uuid.UUID
	Source     string
	ExternalID string // the source's own
	Event      string
	Severity   string // in the source's words
	Headline   string
	OnsetAt    time.Time
	EndsAt     *time.Time // nil when open
	SentAt     *time.Time
}

const (
	deleteWarnings = `delete from warnings where site_id = @site_id and source = @source`
	insertWarning  = `
		insert into warnings (site_id, source, external_id, event, severity, headline, onset_at, ends_at, sent_at)
		values (@site_id, @source, @external_id, @event, @severity, @headline, @onset_at, @ends_at, @sent_at)`
)

// ReplaceWarnings stores all the warnings that a source has in force for a site.
func (tx *Tx) ReplaceWarnings(ctx context.Context, siteID uuid.UUID, source string, warnings []Warning) error {
	var batch pgx.Batch
	batch.Queue(deleteWarnings, args{"site_id": siteID, "source": source})
	for _, w := range warnings {
		w.SiteID, w.Source = siteID, source
		batch.Queue(insertWarning, record(w))
	}
	if err := tx.tx.SendBatch(ctx, &batch).Close(); err != nil {
		return fmt.Errorf("store warnings of site %s: %w", siteID, fault(err))
	}
	return nil
}

const selectWarnings = `
select w.site_id, w.source, w.external_id, w.event, w.severity, w.headline, w.onset_at, w.ends_at, w.sent_at
from warnings w
where w.site_id = any(@site_ids) and (w.ends_at is null or w.ends_at > @now)
order by w.site_id, w.onset_at, w.external_id`

// Warnings gives the warnings for some sites that haven't ended.
func (r reads) Warnings(ctx context.Context, now time.Time, siteIDs ...uuid.UUID) ([]Warning, error) {
	warnings, err := many[Warning](ctx, r.q, selectWarnings, args{"site_ids": siteIDs, "now": now})
	if err != nil {
		return nil, fmt.Errorf("load warnings of %d sites: %w", len(siteIDs), err)
	}
	return warnings, nil
}

// WarnedSite is when somebody last answered on the warnings for a site.
type WarnedSite struct {
	SiteID  uuid.UUID
	Covered bool       // by a source of warnings
	AsOf    *time.Time // of the last answer; nil without any
}

const warnedSites = `
select sc.site_id, bool_or(c.key <> 'outside') as covered, max(c.succeeded_at) filter (where c.key <> 'outside') as as_of
from site_cells sc join cells c on c.id = sc.cell_id
where sc.site_id = any(@site_ids) and sc.source = any(@sources)
group by sc.site_id order by sc.site_id`

// WarnedSites tells of some sites when a source of warnings last answered. A site
// that none of them was asked about is left out.
func (r reads) WarnedSites(ctx context.Context, sources []string, siteIDs ...uuid.UUID) ([]WarnedSite, error) {
	sites, err := many[WarnedSite](ctx, r.q, warnedSites, args{"site_ids": siteIDs, "sources": sources})
	if err != nil {
		return nil, fmt.Errorf("find who warns %d sites: %w", len(siteIDs), err)
	}
	return sites, nil
}

// LeadError sums forecast minus observed of a variable at one lead.
type LeadError struct {
	CellID   uuid.UUID
	Variable string
	LeadH    int
	N        int64
	Sum      float64
	SumSq    float64
}

const addLeadError = `
insert into lead_errors as e (cell_id, variable, lead_h, n, sum, sum_sq)
values (@cell_id, @variable, @lead_h, @n, @sum, @sum_sq)
on conflict (cell_id, variable, lead_h) do update
set n = e.n + excluded.n, sum = e.sum + excluded.sum, sum_sq = e.sum_sq + excluded.sum_sq`

// AddLeadErrors adds errors found to those known.
func (tx *Tx) AddLeadErrors(ctx context.Context, errors []LeadError) error {
	var batch pgx.Batch
	for _, e := range errors {
		batch.Queue(addLeadError, record(e))
	}
	if err := tx.tx.SendBatch(ctx, &batch).Close(); err != nil {
		return fmt.Errorf("add %d lead errors: %w", len(errors), fault(err))
	}
	return nil
}

const selectLeadErrors = `
select e.cell_id, e.variable, e.lead_h, e.n, e.sum, e.sum_sq
from lead_errors e join cells c on c.id = e.cell_id
where c.source = @source order by e.cell_id, e.variable, e.lead_h`

// LeadErrors gives the errors of a source by cell, variable and lead.
func (r reads) LeadErrors(ctx context.Context, source string) ([]LeadError, error) {
	errors, err := many[LeadError](ctx, r.q, selectLeadErrors, args{"source": source})
	if err != nil {
		return nil, fmt.Errorf("load lead errors of %s: %w", source, err)
	}
	return errors, nil
}

// LeadErrorsOf gives the errors of one cell by variable and lead.
func (r reads) LeadErrorsOf(ctx context.Context, cellID uuid.UUID) ([]LeadError, error) {
	errors, err := many[LeadError](ctx, r.q, selectLeadErrorsOf, args{"cell_id": cellID})
	if err != nil {
		return nil, fmt.Errorf("load lead errors of cell %s: %w", cellID, err)
	}
	return errors, nil
}

const selectLeadErrorsOf = `
select e.cell_id, e.variable, e.lead_h, e.n, e.sum, e.sum_sq
from lead_errors e where e.cell_id = @cell_id order by e.variable, e.lead_h`

// verifyForecasts compares, for each forecast cell, what was measured at a site of
// it with what was forecast for that hour at each lead: of the issues of one lead
// the newest. Leads are 6 to 48 h in steps of 6, then days. Air is brought to the
// height of the forecast (6.5 K/km). An hour counts once: how far a cell has been
// compared stands in its notes.
const verifyForecasts = `
with pairs as (
	select distinct on (f.id) f.id as cell_id, o.id as observed_id,
		greatest(coalesce((f.meta ->> 'verified_until')::timestamptz, @until::timestamptz - interval '1 day'), @until::timestamptz - interval '7 days') as since
	from cells f
	join site_cells fs on fs.cell_id = f.id
	join site_cells os on os.site_id = fs.site_id and os.source = @observed
	join cells o on o.id = os.cell_id
	where f.source <> @observed and f.latest_issue_id is not null and o.latest_issue_id is not null
	order by f.id, o.id
), seen as (
	select distinct on (p.cell_id, h.at) p.cell_id, h.at, h.air_temp_c, h.wind_ms, i.elevation_m
	from pairs p
	join issues i on i.cell_id = p.observed_id and i.last_hour_at >= p.since and i.first_hour_at < @until
	join forecast_hours h on h.issue_id = i.id and h.at >= p.since and h.at < @until
	order by p.cell_id, h.at, i.issued_at desc
), told as (
	select distinct on (s.cell_id, s.at, l.lead_h) s.cell_id, l.lead_h::int as lead_h,
		h.air_temp_c - s.air_temp_c - 0.0065 * (coalesce(s.elevation_m, i.elevation_m, 0) - coalesce(i.elevation_m, s.elevation_m, 0)) as air,
		h.wind_ms - s.wind_ms as wind
	from seen s
	join issues i on i.cell_id = s.cell_id and i.kind = 'forecast' and i.issued_at < s.at and i.first_hour_at <= s.at and i.last_hour_at >= s.at
	join forecast_hours h on h.issue_id = i.id and h.at = s.at
	cross join lateral (select extract(epoch from s.at - i.issued_at) / 3600 as hours) d
	cross join lateral (select case when d.hours <= 48 then ceil(d.hours / 6) * 6 else ceil(d.hours / 24) * 24 end as lead_h) l
	order by s.cell_id, s.at, l.lead_h, i.issued_at desc
), added as (
	insert into lead_errors as e (cell_id, variable, lead_h, n, sum, sum_sq)
	select t.cell_id, v.variable, t.lead_h, count(*), sum(v.error), sum(v.error * v.error)
	from told t cross join lateral (values ('air_temp_c', t.air), ('wind_ms', t.wind)) v (variable, error)
	where v.error is not null
	group by t.cell_id, v.variable, t.lead_h
	on conflict (cell_id, variable, lead_h) do update
	set n = e.n + excluded.n, sum = e.sum + excluded.sum, sum_sq = e.sum_sq + excluded.sum_sq
	returning 1
), noted as (
	update cells c set meta = jsonb_set(c.meta, '{verified_until}', to_jsonb(@until::timestamptz))
	from pairs p where c.id = p.cell_id and p.since < @until
)
select count(*) from added`

// VerifyForecasts adds to the lead errors what the hours before a time, measured
// by a source of observations, say of the forecasts that were stored for them. It
// gives how many rows of the table changed.
func (tx *Tx) VerifyForecasts(ctx context.Context, observed string, until time.Time) (int64, error) {
	n, err := value[int64](ctx, tx.q, verifyForecasts, args{"observed": observed, "until": until})
	if err != nil {
		return 0, fmt.Errorf("compare forecasts with %s: %w", observed, err)
	}
	return n, nil
}
