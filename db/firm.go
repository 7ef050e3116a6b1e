package db

import (
	"context"
	"fmt"

	"frostgate/rules"
)

// Firm is the one contractor whose winter this is.
type Firm struct {
	Record
	Name                string
	Units               rules.Units // of sentences and pages
	Calibration         rules.Calibration
	Code                rules.Code          // body of published limits; empty is US practice
	Limits              []rules.LimitChange // with the reason of each override
	SourceOrder         map[string][]string // of weather sources, by variable
	QuietStartsMin      *int                // minutes of the site's local day; nil is no quiet hours
	QuietEndsMin        *int
	QuietCriticalExempt bool // critical notices go out in quiet hours too
}

const firmColumns = `id, version, created_at, updated_at, name, units, code, calibration, limits, source_order,
	quiet_starts_min, quiet_ends_min, quiet_critical_exempt`

const selectFirm = `select ` + firmColumns + ` from firm`

// Firm gives the firm; there always is one.
func (r reads) Firm(ctx context.Context) (Firm, error) {
	f, err := one[Firm](ctx, r.q, selectFirm)
	if err != nil {
		return Firm{}, fmt.Errorf("load firm: %w", err)
	}
	return f, nil
}

const updateFirm = `
update firm set version = version + 1, updated_at = @now, name = @name, units = @units, code = @code,
	calibration = @calibration, limits = coalesce(@limits::jsonb, '[]'), source_order = coalesce(@source_order::jsonb, '{}'),
	quiet_starts_min = @quiet_starts_min, quiet_ends_min = @quiet_ends_min, quiet_critical_exempt = @quiet_critical_exempt
where version = @version
returning ` + firmColumns

// UpdateFirm edits the firm; ErrStale when f.Version isn't the one stored.
func (tx *Tx) UpdateFirm(ctx context.Context, f Firm) (Firm, error) {
	stored, err := edited[Firm](ctx, tx, updateFirm, record(f), tx.Firm)
	if err != nil {
		return Firm{}, fmt.Errorf("update firm: %w", err)
	}
	return stored, nil
}
