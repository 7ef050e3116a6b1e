package api

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"mime"
	"net/http"
	"reflect"
	"time"

	"frostgate/db"
	"frostgate/rules"

	"github.com/danielgtaylor/huma/v2"
	"github.com/google/uuid"
)

// A PourRow is one pour of a bulk edit in JSON: with id and version an edit, without a new one.
type PourRow struct {
	ID      *uuid.UUID `json:"id,omitempty" format:"uuid" doc:"Of the pour to edit; a new pour when absent."`
	Version *int64     `json:"version,omitempty" doc:"The version that you have seen; needed with id."`
	PourForm
}

// A BulkReport says what became of each row.
type BulkReport struct {
	DryRun    bool          `json:"dry_run" doc:"Nothing was written; this is what would have been."`
	Created   int           `json:"created"`
	Updated   int           `json:"updated"`
	Unchanged int           `json:"unchanged" doc:"Rows that say what is stored already."`
	Refused   int           `json:"refused"`
	Rows      []BulkOutcome `json:"rows"`
	Errors    []Violation   `json:"errors" doc:"Why rows were refused."`
}

// A BulkOutcome is what became of one row.
type BulkOutcome struct {
	Row     int        `json:"row" doc:"Of the sheet, the header being 1; or place in the JSON list, the first being 1."`
	Outcome string     `json:"outcome" enum:"created,updated,unchanged,refused"`
	ID      *uuid.UUID `json:"id" format:"uuid" nullable:"true"`
	Version *int64     `json:"version"`
}

type bulkInput struct {
	Idempotent
	Units       string `query:"units" enum:"us,si" doc:"Of columns whose heading names no unit; the firm's when absent."`
	Partial     bool   `query:"partial" doc:"Write the rows that pass, though others don't."`
	DryRun      bool   `query:"dry_run" doc:"Write nothing, report what would be."`
	ContentType string `header:"Content-Type" hidden:"true"`
}

const bulkAbout = `Takes a JSON list, or a table in CSV as spreadsheets export it: header row, UTF-8 with or without byte
order mark, separated by commas, semicolons or tabs. Columns are known by the titles of the export or by field name;
sites, plants, crews and mixes go by name or id; measures are in the unit of their heading, as in ` + "`Thickness (in)`" + `;
times are on the site's clock (an hour that a change of clocks skips or repeats needs its offset), with slashes month
first, with dots day first. In sheets separated by semicolons the comma is the decimal sign. A row with id and version
edits that pour, and columns that are absent stay as they are; a row without creates one. When a row of a table moves
the start, what hangs on it and isn't given anew moves along, as with a patch.

Nothing is written unless every row passes, or with partial=true the rows that do. At most 1000 rows.`

// A bulkRow is a row on its way.
type bulkRow struct {
	number  int
	id      uuid.UUID // zero: a new pour
	version int64
	form    func(context.Context, *db.Tx, db.Pour) (PourForm, []Violation) // given the pour to edit, or an empty one
	place   func([]Violation) []Violation                                  // in terms of the row

	outcome BulkOutcome
	wrong   []Violation
	again   bool // refused for a conflict that another row may lift
}

func (a *API) serveBulk() {
	registry := a.huma.OpenAPI().Components.Schemas
	most := mostRows
	rows := &huma.Schema{Type: huma.TypeArray, MaxItems: &most, Items: registry.Schema(reflect.TypeFor[PourRow](), true, "")}
	serve(a, route{
		method: http.MethodPost, path: "/v1/pours/bulk", id: "edit-pours", tag: "Pours", summary: "Create and edit many pours",
		about: bulkAbout, roles: dispatchers, success: http.StatusOK, bodyLimit: bulkBytes, skipBody: true,
		body: &huma.RequestBody{Required: true, Content: map[string]*huma.MediaType{
			mediaJSON: {Schema: rows},
			mediaCSV:  {Schema: &huma.Schema{Type: huma.TypeString}, Example: "Name,Site,Plant,Crew,Mix,Starts (site time),Element,Thickness (in),Area (ft2)\nBay 3 slab,North yard,River plant,Crew 2,4000 winter,2026-01-15 07:00,slab on ground,5,750\n"},
		}},
	}, a.bulk)
	serve(a, route{
		method: http.MethodGet, path: "/v1/pours.csv", id: "export-pours", tag: "Pours", summary: "Export pours as a table",
		about: "The same filters as the list. What it writes can be edited and sent to /v1/pours/bulk; unedited it changes nothing. Text that a spreadsheet would compute stands behind an apostrophe.",
		roles: anyRole,
		responses: map[string]*huma.Response{"200": {
			Description: "OK", Content: map[string]*huma.MediaType{mediaCSV: {Schema: &huma.Schema{Type: huma.TypeString}}},
		}},
	}, a.export)
}

func (a *API) bulk(ctx context.Context, in *bulkInput) (*created[BulkReport], error) {
	var report BulkReport
	answer, err := create(ctx, a, in.Idempotent, func(tx *db.Tx) (*created[BulkReport], error) {
		rows, err := a.bulkRows(ctx, tx, in)
		if err != nil {
			return nil, err
		}
		if err := a.applyRows(ctx, tx, rows); err != nil {
			return nil, err
		}
		report = reportOf(rows, in.DryRun)
		if report.Refused > 0 && !in.Partial && !in.DryRun {
			return nil, refusedRows(report, len(rows))
		}
		if in.DryRun {
			return nil, errDryRun
		}
		return &created[BulkReport]{Status: http.StatusOK, Body: report}, nil
	})
	if errors.Is(err, errDryRun) { // the transaction is undone, the report stands
		return &created[BulkReport]{Status: http.StatusOK, Body: report}, nil
	}
	return answer, err
}

var errDryRun = errors.New("dry run")

func refusedRows(report BulkReport, rows int) *Problem {
	p := invalid(report.Errors...)
	p.Detail = fmt.Sprintf("%d of %d rows are not acceptable, so nothing was written. First: %s", report.Refused, rows, summary(report.Errors))
	return p
}

// bulkRows reads the body, whichever way it came.
func (a *API) bulkRows(ctx context.Context, tx *db.Tx, in *bulkInput) ([]*bulkRow, error) {
	if media, _, err := mime.ParseMediaType(in.ContentType); err == nil && media == mediaCSV {
		return a.sheetRows(ctx, tx, in)
	}
	return a.jsonRows(exchangeOf(ctx).body)
}

func (a *API) jsonRows(body []byte) ([]*bulkRow, error) {
	var items []json.RawMessage
	if err := json.Unmarshal(body, &items); err != nil {
		return nil, invalid(atPointer("", "type", "must be a list"))
	}
	if len(items) == 0 || len(items) > mostRows {
		return nil, invalid(atPointer("", "length", fmt.Sprintf("must have 1 to %d entries", mostRows)))
	}
	rows := make([]*bulkRow, len(items))
	for i, item := range items {
		rows[i] = a.jsonRow(i, item)
	}
	return rows, nil
}

func (a *API) jsonRow(index int, item json.RawMessage) *bulkRow {
	row := &bulkRow{number: index + 1, place: func(violations []Violation) []Violation { return underIndex(index, violations) }}
	var value any
	var parsed PourRow
	err := json.Unmarshal(item, &value)
	if err == nil {
		err = a.checkForm(reflect.TypeFor[PourRow](), value)
	}
	if err == nil {
		err = json.Unmarshal(item, &parsed)
	}
	var p *Problem
	switch {
	case errors.As(err, &p):
		row.wrong = row.place(p.Errors)
	case err != nil:
		row.wrong = row.place([]Violation{unread(err)})
	case parsed.ID != nil && parsed.Version == nil:
		row.wrong = row.place([]Violation{atPointer("/version", "required", "is required with id")})
	case parsed.ID != nil:
		row.id, row.version = *parsed.ID, *parsed.Version
	}
	row.form = func(context.Context, *db.Tx, db.Pour) (PourForm, []Violation) { return parsed.PourForm, nil }
	return row
}

// underIndex moves pointers from a row to the list.
func underIndex(index int, violations []Violation) []Violation {
	moved := make([]Violation, len(violations))
	for i, v := range violations {
		moved[i] = Violation{Pointer: fmt.Sprintf("#/%d%s", index, trimHash(v.Pointer)), Code: v.Code, Detail: v.Detail}
	}
	return moved
}

func trimHash(pointer string) string {
	if pointer == "" {
		return ""
	}
	return pointer[1:]
}

func (a *API) sheetRows(ctx context.Context, tx *db.Tx, in *bulkInput) ([]*bulkRow, error) {
	t, err := readTable(exchangeOf(ctx).body)
	if err != nil {
		return nil, err
	}
	us, err := usUnits(ctx, tx, in.Units)
	if err != nil {
		return nil, err
	}
	headings, err := readHeader(t.header, us)
	if err != nil {
		return nil, err
	}
	names, err := loadDirectory(ctx, tx)
	if err != nil {
		return nil, err
	}
	rows := make([]*bulkRow, len(t.rows))
	for i, cells := range t.rows {
		rows[i] = a.sheetRow(headings, cells, t, names)
	}
	return rows, nil
}

func (a *API) sheetRow(headings []heading, cells tableRow, t *table, names *directory) *bulkRow {
	row := &bulkRow{number: cells.number, place: func(violations []Violation) []Violation { return inColumns(violations, cells.number, headings) }}
	var key sheetRow
	row.wrong = key.readKey(headings, cells)
	row.id, row.version = key.id, key.version
	row.form = func(_ context.Context, _ *db.Tx, current db.Pour) (PourForm, []Violation) {
		filled := sheetRow{PourForm: pourForm(current), id: current.ID, version: current.Version}
		if current.ID == uuid.Nil {
			filled = sheetRow{}
			if violations := lacking(headings, cells.number); len(violations) > 0 {
				return filled.PourForm, violations
			}
		} else {
			filled.zone = names.zones[current.SiteID]
		}
		if violations := filled.read(headings, cells, t, names); len(violations) > 0 {
			return filled.PourForm, violations
		}
		if current.ID != uuid.Nil {
			filled.PourForm = movedAlong(current, filled.PourForm, changedFrom(current, filled.PourForm))
		}
		return filled.PourForm, row.place(a.formViolations(filled.PourForm))
	}
	return row
}

// changedFrom tells which of the fields that hang on the start a row gives anew.
func changedFrom(before db.Pour, form PourForm) func(string) bool {
	was := pourForm(before)
	return func(field string) bool {
		switch field {
		case "occupied_until":
			return form.OccupiedUntil == nil || !form.OccupiedUntil.Equal(*was.OccupiedUntil)
		case "cancel_by":
			return (form.CancelBy == nil) != (was.CancelBy == nil) || form.CancelBy != nil && !form.CancelBy.Equal(*was.CancelBy)
		case "protection":
			return !reflect.DeepEqual(form.Protection, was.Protection)
		}
		return !reflect.DeepEqual(form.GroundCover, was.GroundCover)
	}
}

// formViolations checks a form that did not come as JSON by the schema of those that do.
func (a *API) formViolations(form PourForm) []Violation {
	text, err := json.Marshal(form)
	if err != nil {
		return []Violation{atPointer("", "invalid", "is not acceptable")}
	}
	var value map[string]any
	if err := json.Unmarshal(text, &value); err != nil {
		return []Violation{atPointer("", "invalid", "is not acceptable")}
	}
	if form.StartsAt.IsZero() { // an empty cell
		delete(value, "starts_at")
	}
	if p, ok := errors.AsType[*Problem](a.checkForm(reflect.TypeFor[PourForm](), value)); ok {
		return p.Errors
	}
	return nil
}

// readKey reads the columns that say which pour a row is of.
func (r *sheetRow) readKey(headings []heading, cells tableRow) []Violation {
	var violations []Violation
	for _, h := range headings {
		if h.field != "id" && h.field != "version" {
			continue
		}
		if err := h.read(r, cell{text: cells.cell(h.index)}); err != nil {
			violations = append(violations, Violation{Row: cells.number, Column: h.text, Code: "invalid", Detail: err.Error()})
		}
	}
	if r.id != uuid.Nil && r.version == 0 && len(violations) == 0 {
		violations = append(violations, Violation{Row: cells.number, Column: "Version", Code: "required", Detail: "is required with an id"})
	}
	return violations
}

// applyRows writes the rows, each for itself, and enqueues what was written. Rows that were refused for a conflict are
// tried again after the others, as one of them may have made room.
func (a *API) applyRows(ctx context.Context, tx *db.Tx, rows []*bulkRow) error {
	var touched []uuid.UUID
	for pass := range 2 {
		for _, row := range rows {
			if pass == 0 && len(row.wrong) == 0 || row.again {
				if err := a.applyRow(ctx, tx, row); err != nil {
					return err
				}
				if row.outcome.Outcome == "created" || row.outcome.Outcome == "updated" {
					touched = append(touched, *row.outcome.ID)
				}
			}
		}
	}
	return a.enqueueAssess(ctx, tx, touched...)
}

func (a *API) applyRow(ctx context.Context, tx *db.Tx, row *bulkRow) error {
	row.wrong, row.again = nil, false
	err := tx.Try(ctx, func(tx *db.Tx) error { return a.writeRow(ctx, tx, row) })
	if err == nil {
		return nil
	}
	p := fromError(err)
	if p.Status >= http.StatusInternalServerError {
		return err
	}
	row.again = p.Code == "conflict"
	row.outcome = BulkOutcome{}
	row.wrong = row.place(p.Errors)
	switch {
	case p.Code == "rows":
		row.wrong = p.Errors // they are in terms of the row already
	case len(p.Errors) == 0:
		row.wrong = row.place([]Violation{{Row: row.number, Code: p.Code, Detail: p.Detail}})
	}
	return nil
}

func (a *API) writeRow(ctx context.Context, tx *db.Tx, row *bulkRow) (err error) {
	var current db.Pour
	if row.id != uuid.Nil {
		if current, err = tx.Pour(ctx, scopeOf(ctx), row.id); err != nil {
			return err
		}
		if current.Version != row.version {
			return stale()
		}
	}
	form, violations := row.form(ctx, tx, current)
	if len(violations) > 0 {
		p := invalid(violations...)
		p.Code = "rows"
		return p
	}
	record, err := fillPour(ctx, tx, form, current)
	if err != nil {
		return err
	}
	outcome := "created"
	switch {
	case row.id == uuid.Nil:
		record, err = tx.CreatePour(ctx, scopeOf(ctx), record)
	case sameForm(record, current):
		outcome = "unchanged"
	default:
		outcome = "updated"
		record, err = tx.UpdatePour(ctx, scopeOf(ctx), record)
	}
	row.outcome = BulkOutcome{Outcome: outcome, ID: &record.ID, Version: &record.Version}
	return err
}

func sameForm(a, b db.Pour) bool {
	one, err := json.Marshal(pourForm(a))
	other, err2 := json.Marshal(pourForm(b))
	return err == nil && err2 == nil && bytes.Equal(one, other)
}

func reportOf(rows []*bulkRow, dryRun bool) BulkReport {
	report := BulkReport{DryRun: dryRun, Rows: make([]BulkOutcome, len(rows)), Errors: []Violation{}}
	for i, row := range rows {
		outcome := row.outcome
		if len(row.wrong) > 0 {
			outcome = BulkOutcome{Outcome: "refused"}
			report.Errors = append(report.Errors, row.wrong...)
		}
		outcome.Row = row.number
		if dryRun && outcome.Outcome == "created" {
			outcome.ID, outcome.Version = nil, nil
		}
		report.Rows[i] = outcome
		switch outcome.Outcome {
		case "created":
			report.Created++
		case "updated":
			report.Updated++
		case "unchanged":
			report.Unchanged++
		case "refused":
			report.Refused++
		}
	}
	return report
}

// usUnits tells which units a table is in.
func usUnits(ctx context.Context, tx interface {
	Firm(context.Context) (db.Firm, error)
}, asked string,
) (bool, error) {
	if asked != "" {
		return asked == string(rules.UnitsUS), nil
	}
	firm, err := tx.Firm(ctx)
	return firm.Units == rules.UnitsUS, err
}

type exportInput struct {
	PoursInput
	Units string `query:"units" enum:"us,si" doc:"The firm's when absent."`
}

type exportOutput struct {
	ContentType        string `header:"Content-Type" hidden:"true"`
	ContentDisposition string `header:"Content-Disposition"`
	Body               []byte
}

// mostExported bounds an export.
const mostExported = 10_000

func (a *API) export(ctx context.Context, in *exportInput) (*exportOutput, error) {
	us, err := usUnits(ctx, a.db, in.Units)
	if err != nil {
		return nil, err
	}
	names, err := loadDirectory(ctx, a.db)
	if err != nil {
		return nil, err
	}
	lines, err := collect(func(page db.Page) (db.List[db.PourLine], error) {
		return a.db.Pours(ctx, scopeOf(ctx), in.filter(), page)
	})
	if err != nil {
		return nil, err
	}
	if len(lines) > mostExported {
		return nil, problem(http.StatusUnprocessableEntity, "too_many", fmt.Sprintf("More than %d pours match; narrow the filters.", mostExported))
	}
	body, err := writeSheet(lines, names, us)
	if err != nil {
		return nil, err
	}
	return &exportOutput{
		ContentType:        mediaCSV + "; charset=utf-8",
		ContentDisposition: `attachment; filename="pours-` + time.Now().UTC().Format(time.DateOnly) + `.csv"`,
		Body:               body,
	}, nil
}

// collect reads a list to its end.
func collect[T any](list func(db.Page) (db.List[T], error)) ([]T, error) {
	var all []T
	page := db.Page{Limit: 1000}
	for {
		part, err := list(page)
		if err != nil {
			return nil, err
		}
		all = append(all, part.Items...)
		if part.Next == nil {
			return all, nil
		}
		page.After = part.Next
	}
}
