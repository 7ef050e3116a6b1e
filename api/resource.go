package api

import (
	"context"
	"net/http"
	"reflect"
	"time"

	"frostgate/db"

	"github.com/google/uuid"
)

// A resource is a kind of record that people keep: sites, plants, crews, mixes and pours. R is its record, F the form
// that people fill in, V what is sent. All are listed, read, created, replaced, patched and deleted in the same way.
type resource[R, F, V any] struct {
	path     string // such as /v1/sites
	one      string // such as site
	many     string // such as sites
	tag      string
	deleting string // what a delete needs to know
	formHint string // what the form needs to know

	get    func(*db.DB, context.Context, db.Scope, uuid.UUID) (R, error)
	hold   func(*db.Tx, context.Context, db.Scope, uuid.UUID) (R, error)
	create func(*db.Tx, context.Context, db.Scope, R) (R, error)
	update func(*db.Tx, context.Context, db.Scope, R) (R, error)
	remove func(*db.Tx, context.Context, db.Scope, uuid.UUID, int64) error

	record func(*R) *db.Record
	news   func(*R) *time.Time                            // when what the view has besides the record last came; nil when there is no such thing
	fill   func(context.Context, *db.Tx, F, R) (R, error) // the record with the form's values; refuses what the schema cannot
	form   func(R) F
	view   func(R) V
	pours  func(uuid.UUID) db.PourFilter // whose assessments rest on a record; nil when it is a pour itself
	// patched has the last word on what a patch makes; names tells which fields the patch has. It may be nil.
	patched func(before R, form F, names func(string) bool) F
}

// ByID names a record in the path.
type ByID struct {
	ID uuid.UUID `path:"id" format:"uuid"`
}

type getInput struct {
	ByID
	NoneMatch
}

type createInput[F any] struct {
	Idempotent
	Body F
}

type replaceInput[F any] struct {
	ByID
	Match
	Body F
}

type deleteInput struct {
	ByID
	Match
}

// serveResource registers everything but the list, whose filters differ from kind to kind.
func serveResource[R, F, V any](a *API, r resource[R, F, V]) {
	item := r.path + "/{id}"
	serve(a, route{
		method: http.MethodGet, path: item, id: "get-" + r.one, tag: r.tag, summary: "Read a " + r.one, roles: anyRole,
	}, func(ctx context.Context, in *getInput) (*one[V], error) {
		record, err := r.get(a.db, ctx, scopeOf(ctx), in.ID)
		if err != nil {
			return nil, err
		}
		return answerOne(r.view(record), r.etag(&record), in.NoneMatch), nil
	})
	serve(a, route{
		method: http.MethodPost, path: r.path, id: "create-" + r.one, tag: r.tag, summary: "Create a " + r.one,
		about: r.formHint, roles: dispatchers, success: http.StatusCreated,
	}, func(ctx context.Context, in *createInput[F]) (*created[V], error) {
		return create(ctx, a, in.Idempotent, func(tx *db.Tx) (*created[V], error) {
			record, err := r.store(ctx, a, tx, in.Body)
			if err != nil {
				return nil, err
			}
			saved := r.record(&record)
			return born(r.view(record), saved.Version, r.path+"/"+saved.ID.String()), nil
		})
	})
	serve(a, route{
		method: http.MethodPut, path: item, id: "replace-" + r.one, tag: r.tag, summary: "Replace a " + r.one,
		about: r.formHint, roles: dispatchers,
	}, func(ctx context.Context, in *replaceInput[F]) (*one[V], error) {
		return r.change(ctx, a, in.ID, in.Match, func(R) (F, error) { return in.Body, nil })
	})
	serve(a, route{
		method: http.MethodPatch, path: item, id: "patch-" + r.one, tag: r.tag, summary: "Change fields of a " + r.one,
		about: r.formHint, roles: dispatchers, body: patchBody(a.huma.OpenAPI().Components.Schemas, reflect.TypeFor[F]()),
	}, func(ctx context.Context, in *patchInput) (*one[V], error) {
		return r.change(ctx, a, in.ID, in.Match, func(current R) (F, error) {
			form, err := mergePatch(a, r.form(current), exchangeOf(ctx).body)
			if err == nil && r.patched != nil {
				form = r.patched(current, form, fieldsOf(exchangeOf(ctx).body))
			}
			return form, err
		})
	})
	serve(a, route{
		method: http.MethodDelete, path: item, id: "delete-" + r.one, tag: r.tag, summary: "Delete a " + r.one,
		about: r.deleting, roles: dispatchers,
	}, func(ctx context.Context, in *deleteInput) (*struct{}, error) {
		return nil, a.edit(ctx, func(tx *db.Tx) error { return r.drop(ctx, tx, in.ID, in.Match) })
	})
}

func (r resource[R, F, V]) etag(record *R) string {
	if r.news == nil {
		return etag(r.record(record).Version)
	}
	return etagAt(r.record(record).Version, r.news(record))
}

// store creates a record from a form.
func (r resource[R, F, V]) store(ctx context.Context, a *API, tx *db.Tx, form F) (record R, err error) {
	if record, err = r.fill(ctx, tx, form, record); err != nil {
		return record, err
	}
	if record, err = r.create(tx, ctx, scopeOf(ctx), record); err != nil {
		return record, err
	}
	return record, r.assessAnew(ctx, a, tx, r.record(&record).ID)
}

// change edits a record in one transaction: read, compare the version, fill in, write, have it assessed anew.
func (r resource[R, F, V]) change(ctx context.Context, a *API, id uuid.UUID, match Match, form func(R) (F, error)) (*one[V], error) {
	var stored R
	err := a.edit(ctx, func(tx *db.Tx) error {
		current, err := r.hold(tx, ctx, scopeOf(ctx), id)
		if err != nil {
			return err
		}
		if err := match.check(r.record(&current).Version); err != nil {
			return err
		}
		filled, err := form(current)
		if err != nil {
			return err
		}
		stored, err = r.edit(ctx, a, tx, current, filled)
		return err
	})
	if err != nil {
		return nil, err
	}
	return answerOne(r.view(stored), r.etag(&stored), NoneMatch{}), nil
}

// edit writes a form over a record that was read in the same transaction.
func (r resource[R, F, V]) edit(ctx context.Context, a *API, tx *db.Tx, current R, form F) (R, error) {
	record, err := r.fill(ctx, tx, form, current)
	if err != nil {
		return record, err
	}
	if record, err = r.update(tx, ctx, scopeOf(ctx), record); err != nil {
		return record, err
	}
	return record, r.assessAnew(ctx, a, tx, r.record(&record).ID)
}

func (r resource[R, F, V]) drop(ctx context.Context, tx *db.Tx, id uuid.UUID, match Match) error {
	current, err := r.hold(tx, ctx, scopeOf(ctx), id)
	if err != nil {
		return err
	}
	version := r.record(&current).Version
	if err := match.check(version); err != nil {
		return err
	}
	return r.remove(tx, ctx, scopeOf(ctx), id, version)
}

// assessAnew enqueues the live pours that rest on a record, in the transaction that edited it.
func (r resource[R, F, V]) assessAnew(ctx context.Context, a *API, tx *db.Tx, id uuid.UUID) error {
	if r.pours == nil {
		return a.enqueueAssess(ctx, tx, id)
	}
	return a.assessWhere(ctx, tx, r.pours(id))
}

// assessWhere enqueues the live pours that a filter finds, whatever the caller's scope.
func (a *API) assessWhere(ctx context.Context, tx *db.Tx, filter db.PourFilter) error {
	filter.States = []db.PourState{db.Planned, db.Placed}
	lines, err := collect(func(page db.Page) (db.List[db.PourLine], error) { return tx.Pours(ctx, db.Scope{}, filter, page) })
	if err != nil {
		return err
	}
	ids := make([]uuid.UUID, len(lines))
	for i, line := range lines {
		ids[i] = line.ID
	}
	return a.enqueueAssess(ctx, tx, ids...)
}

// archived keeps the time at which a record was archived, or sets it.
func archived(want bool, since *time.Time, now time.Time) *time.Time {
	switch {
	case !want:
		return nil
	case since != nil:
		return since
	}
	return &now
}

// listInput narrows the lists of sites, plants, crews and mixes.
type listInput struct {
	PageInput
	Text     string `query:"text" maxLength:"100" doc:"Part of the name, in any case."`
	Archived bool   `query:"archived" doc:"Also those that are archived."`
}

// serveList registers the list of a kind that is filtered by text and archived.
func serveList[R, F, V any](a *API, r resource[R, F, V], list func(*db.DB, context.Context, db.Scope, db.Filter, db.Page) (db.List[R], error)) {
	serve(a, route{
		method: http.MethodGet, path: r.path, id: "list-" + r.many, tag: r.tag, summary: "List " + r.many,
		about: "In the order in which they were made.", roles: anyRole,
	}, func(ctx context.Context, in *listInput) (*listed[V], error) {
		page, err := in.page(ctx)
		if err != nil {
			return nil, err
		}
		found, err := list(a.db, ctx, scopeOf(ctx), db.Filter{Text: in.Text, Archived: in.Archived}, page)
		if err != nil {
			return nil, err
		}
		return answerList(ctx, found, r.view), nil
	})
}
