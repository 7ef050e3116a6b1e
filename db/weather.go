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
