package api

import (
	"context"
	"net/http"
	"reflect"

	"frostgate/db"
	"frostgate/rules"
)

// A FirmForm is what the firm sets for all of its pours.
type FirmForm struct {
	Name                string              `json:"name,omitempty" maxLength:"200"`
	Units               rules.Units         `json:"units" enum:"us,si" doc:"Of sentences, pages and tables; the API's own fields are always SI."`
	Calibration         rules.Calibration   `json:"calibration,omitzero" doc:"The firm's own factors on the engine."`
	Code                rules.Code          `json:"code,omitempty" enum:"us,csa,en,din" doc:"Body of published limits; us when absent. A site may have its own."`
	Limits              []rules.LimitChange `json:"limits,omitempty" maxItems:"200" doc:"Limits that the firm has changed; see /v1/limits. Past the published floor only as an override with its reason, shown in every assessment."`
	SourceOrder         map[string][]string `json:"source_order,omitempty" doc:"Order of the weather sources by variable, the preferred first; the usual order where a variable is absent, and after the sources named. Read what holds for a site at /v1/sites/{id}/source-order."`
	QuietStarts         *DayTime            `json:"quiet_starts,omitempty" dependentRequired:"quiet_ends" doc:"Quiet hours, by the clock of each pour's site: what comes in them is told together when they end, and not at all when it is over by then."`
	QuietEnds           *DayTime            `json:"quiet_ends,omitempty" dependentRequired:"quiet_starts"`
	QuietCriticalExempt *bool               `json:"quiet_critical_exempt,omitempty" doc:"What is critical is told in quiet hours too; true when absent."`
}

// Firm is the firm as stored.
type Firm struct {
	Saved
	FirmForm
}

func firmView(f db.Firm) Firm { return Firm{Saved: saved(f.Record), FirmForm: firmForm(f)} }

func firmForm(f db.Firm) FirmForm {
	return FirmForm{
		Name: f.Name, Units: f.Units, Code: f.Code, Calibration: f.Calibration, Limits: f.Limits, SourceOrder: f.SourceOrder, QuietStarts: maybeDayTime(f.QuietStartsMin),
		QuietEnds: maybeDayTime(f.QuietEndsMin), QuietCriticalExempt: &f.QuietCriticalExempt,
	}
}

func fillFirm(form FirmForm, f db.Firm) (db.Firm, error) {
	f.Name, f.Units, f.Code, f.Calibration, f.Limits = form.Name, form.Units, form.Code, form.Calibration, form.Limits
	f.SourceOrder = form.SourceOrder
	f.QuietStartsMin, f.QuietEndsMin = maybeMinutes(form.QuietStarts), maybeMinutes(form.QuietEnds)
	f.QuietCriticalExempt = form.QuietCriticalExempt == nil || *form.QuietCriticalExempt
	violations := fromRules(rules.Firm{Units: f.Units, Code: f.Code, Calibration: f.Calibration, Limits: f.Limits}.Violations())
	return f, accepted(append(violations, checkOrder(f.SourceOrder)...))
}

func maybeDayTime(minutes *int) *DayTime {
	if minutes == nil {
		return nil
	}
	t := dayTime(*minutes)
	return &t
}

// maybeMinutes takes 24:00 as the midnight that it is: quiet hours go round the clock.
func maybeMinutes(t *DayTime) *int {
	if t == nil {
		return nil
	}
	minutes := t.minutes() % (24 * 60)
	return &minutes
}

type firmReplaceInput struct {
	Match
	Body FirmForm
}

type firmPatchInput struct {
	Match
}

func (a *API) serveFirm() {
	const tag, path = "Firm", "/v1/firm"
	serve(a, route{
		method: http.MethodGet, path: path, id: "get-firm", tag: tag, summary: "Read the firm's settings", roles: anyRole,
	}, func(ctx context.Context, in *NoneMatch) (*one[Firm], error) {
		firm, err := a.db.Firm(ctx)
		if err != nil {
			return nil, err
		}
		return answerOne(firmView(firm), etag(firm.Version), *in), nil
	})
	const about = "Every pour that is planned or placed is assessed anew."
	serve(a, route{
		method: http.MethodPut, path: path, id: "replace-firm", tag: tag, summary: "Replace the firm's settings", about: about,
		roles: dispatchers, firmWide: true,
	}, func(ctx context.Context, in *firmReplaceInput) (*one[Firm], error) {
		return a.changeFirm(ctx, in.Match, func(db.Firm) (FirmForm, error) { return in.Body, nil })
	})
	serve(a, route{
		method: http.MethodPatch, path: path, id: "patch-firm", tag: tag, summary: "Change some of the firm's settings", about: about,
		roles: dispatchers, firmWide: true, body: patchBody(a.huma.OpenAPI().Components.Schemas, reflect.TypeFor[FirmForm]()),
	}, func(ctx context.Context, in *firmPatchInput) (*one[Firm], error) {
		return a.changeFirm(ctx, in.Match, func(current db.Firm) (FirmForm, error) {
			return mergePatch(a, firmForm(current), exchangeOf(ctx).body)
		})
	})
}

func (a *API) changeFirm(ctx context.Context, match Match, form func(db.Firm) (FirmForm, error)) (*one[Firm], error) {
	var stored db.Firm
	err := a.edit(ctx, func(tx *db.Tx) error {
		current, err := tx.Firm(ctx)
		if err != nil {
			return err
		}
		if err := match.check(current.Version); err != nil {
			return err
		}
		filled, err := form(current)
		if err != nil {
			return err
		}
		changed, err := fillFirm(filled, current)
		if err != nil {
			return err
		}
		if stored, err = tx.UpdateFirm(ctx, changed); err != nil {
			return err
		}
		return a.assessWhere(ctx, tx, db.PourFilter{})
	})
	if err != nil {
		return nil, err
	}
	return answerOne(firmView(stored), etag(stored.Version), NoneMatch{}), nil
}

// A LimitRow is a limit as the firm uses it.
type LimitRow struct {
	rules.Limit
	Used     float64 `json:"used" doc:"The value in use: the table's, or the firm's."`
	Override bool    `json:"override" doc:"The firm has gone past the published floor."`
	Reason   string  `json:"reason" doc:"The firm's, for an override."`
}

// Limits is the table of limits.
type Limits struct {
	Items []LimitRow `json:"items"`
}

func (a *API) serveLimits() {
	serve(a, route{
		method: http.MethodGet, path: "/v1/limits", id: "list-limits", tag: "Firm", summary: "List the limits that the rules compare with",
		about: "Each with its source and how sure it is, and the value that the firm uses.", roles: anyRole,
	}, func(ctx context.Context, _ *struct{}) (*answered[Limits], error) {
		firm, err := a.db.Firm(ctx)
		if err != nil {
			return nil, err
		}
		return &answered[Limits]{Body: limitRows(firm.Limits)}, nil
	})
}

func limitRows(changes []rules.LimitChange) Limits {
	changed := map[string]rules.LimitChange{}
	for _, c := range changes {
		changed[c.Limit] = c
	}
	var table Limits
	for _, limit := range rules.Limits() {
		row := LimitRow{Limit: limit, Used: limit.Value}
		if c, ok := changed[limit.Name]; ok {
			row.Used, row.Override, row.Reason = c.Value, c.Override, c.Reason
		}
		table.Items = append(table.Items, row)
	}
	return table
}
