package api

import (
	"context"
	"net/http"
	"time"

	"frostgate/db"

	"github.com/google/uuid"
)

// A SuppressionForm is a planned time in which alerts are not told, as people give it.
type SuppressionForm struct {
	SiteID      *uuid.UUID `json:"site_id,omitempty" format:"uuid" nullable:"true" doc:"Of the pours of this site. At most one of site_id, crew_id and pour_id; none is the whole firm, its weather sources too."`
	CrewID      *uuid.UUID `json:"crew_id,omitempty" format:"uuid" nullable:"true" doc:"Of the pours of this crew."`
	PourID      *uuid.UUID `json:"pour_id,omitempty" format:"uuid" nullable:"true" doc:"Of this pour."`
	StartsAt    time.Time  `json:"starts_at"`
	EndsAt      time.Time  `json:"ends_at" doc:"After the start, 92 days at most. Then what is still raised is told once."`
	Reason      string     `json:"reason" minLength:"1" maxLength:"2000"`
	CriticalToo bool       `json:"critical_too,omitempty" doc:"Also what is critical; without it, that is told all the same."`
}

// A Suppression is a stored planned suppression.
type Suppression struct {
	Saved
	SuppressionForm
	MadeBy   string     `json:"made_by" doc:"The name of the token that made it."`
	ClosedAt *time.Time `json:"closed_at" doc:"When its end was carried out."`
}

func suppressionForm(w db.Suppression) SuppressionForm {
	return SuppressionForm{
		SiteID: w.SiteID, CrewID: w.CrewID, PourID: w.PourID, StartsAt: w.StartsAt.UTC(), EndsAt: w.EndsAt.UTC(), Reason: w.Reason, CriticalToo: w.CriticalToo,
	}
}

func (a *API) suppressions() resource[db.Suppression, SuppressionForm, Suppression] {
	return resource[db.Suppression, SuppressionForm, Suppression]{
		path: "/v1/suppressions", one: "suppression", many: "suppressions", tag: "Alerts",
		formHint: "Alerts are judged and kept meanwhile, and each ruling says that and by which suppression it was not told. " +
			"The end of an alert that was told before is told when the suppression ends, and what is still raised, too: at once when it is ended early. What it is of can't be changed.",
		deleting: "Only one that has not begun (409): POST to its /end ends one that has.",
		get:      (*db.DB).Suppression, hold: (*db.Tx).Suppression,
		create: (*db.Tx).CreateSuppression, update: a.updateSuppression, remove: removeSuppression,
		record: func(w *db.Suppression) *db.Record { return &w.Record },
		fill:   fillSuppression, form: suppressionForm,
		view: func(w db.Suppression) Suppression {
			return Suppression{Saved: saved(w.Record), SuppressionForm: suppressionForm(w), MadeBy: w.MadeBy, ClosedAt: w.ClosedAt}
		},
		pours: func(id uuid.UUID) db.PourFilter { return db.PourFilter{IDs: []uuid.UUID{id}} }, // none: no verdict rests on it
	}
}

func fillSuppression(_ context.Context, _ *db.Tx, f SuppressionForm, w db.Suppression) (db.Suppression, error) {
	if w.ID != uuid.Nil {
		for pointer, same := range map[string]bool{
			"/site_id": sameID(w.SiteID, f.SiteID), "/crew_id": sameID(w.CrewID, f.CrewID), "/pour_id": sameID(w.PourID, f.PourID),
		} {
			if !same {
				return w, invalid(atPointer(pointer, "invalid", "can't be changed"))
			}
		}
	}
	w.SiteID, w.CrewID, w.PourID, w.StartsAt, w.EndsAt = f.SiteID, f.CrewID, f.PourID, f.StartsAt.UTC(), f.EndsAt.UTC()
	w.Reason, w.CriticalToo = f.Reason, f.CriticalToo
	if !w.EndsAt.After(w.StartsAt) || w.EndsAt.Sub(w.StartsAt) > 92*24*time.Hour {
		return w, invalid(atPointer("/ends_at", "out_of_range", "must be after the start, by 92 days at most"))
	}
	if w.StartsAt.Year() < 2000 || w.StartsAt.Year() > 2200 {
		return w, invalid(atPointer("/starts_at", "out_of_range", "is not in this age"))
	}
	named := 0
	for _, id := range []*uuid.UUID{w.SiteID, w.CrewID, w.PourID} {
		if id != nil {
			named++
		}
	}
	if named > 1 {
		last := "/crew_id"
		if w.PourID != nil {
			last = "/pour_id"
		}
		return w, invalid(atPointer(last, "invalid", "goes alone: at most one of site, crew and pour can be named"))
	}
	return w, nil
}

func sameID(a, b *uuid.UUID) bool { return a == nil && b == nil || a != nil && b != nil && *a == *b }

func removeSuppression(tx *db.Tx, ctx context.Context, scope db.Scope, id uuid.UUID, version int64) error { //nolint:revive // as the method of Tx that it stands in for
	w, err := tx.Suppression(ctx, scope, id)
	if err != nil {
		return err
	}
	if !w.StartsAt.After(tx.Now()) {
		return problem(http.StatusConflict, "wrong_state", "The suppression has begun; to end it now, POST to /v1/suppressions/{id}/end.")
	}
	return tx.DeleteSuppression(ctx, scope, id, version)
}

type suppressionsInput struct {
	PageInput
	Active bool      `query:"active" doc:"Only those that hold now."`
	Pour   uuid.UUID `query:"pour_id" format:"uuid" doc:"Only those of this pour itself."`
}

func (a *API) serveSuppressions() {
	serveResource(a, a.suppressions())
	serve(a, route{
		method: http.MethodGet, path: "/v1/suppressions", id: "list-suppressions", tag: "Alerts", summary: "List planned suppressions",
		about: "Those that may keep alerts of yours from being told; the latest start first.", roles: anyRole,
	}, func(ctx context.Context, in *suppressionsInput) (*listed[Suppression], error) {
		page, err := in.page(ctx)
		if err != nil {
			return nil, err
		}
		filter := db.SuppressionFilter{PourID: in.Pour}
		if in.Active {
			now := a.now()
			filter.EndsAfter, filter.StartsBefore = now, now
		}
		found, err := a.db.Suppressions(ctx, scopeOf(ctx), filter, page)
		if err != nil {
			return nil, err
		}
		return answerList(ctx, found, a.suppressions().view), nil
	})
	serve(a, route{
		method: http.MethodPost, path: "/v1/suppressions/{id}/end", id: "end-suppression", tag: "Alerts", summary: "End a planned suppression now",
		about: "One that has begun (else 409). What it held is decided anew at once: the end of an alert that was told before is told, and what is still raised.",
		roles: dispatchers, success: http.StatusOK,
	}, func(ctx context.Context, in *endSuppressionInput) (*created[Suppression], error) {
		return create(ctx, a, in.Idempotent, func(tx *db.Tx) (*created[Suppression], error) { return a.endSuppression(ctx, tx, in.ID) })
	})
}

type endSuppressionInput struct {
	ByID
	Idempotent
}

func (a *API) endSuppression(ctx context.Context, tx *db.Tx, id uuid.UUID) (*created[Suppression], error) {
	w, err := tx.Suppression(ctx, scopeOf(ctx), id)
	if err != nil {
		return nil, err
	}
	if now := tx.Now(); !w.StartsAt.Before(now) || !w.EndsAt.After(now) {
		return nil, problem(http.StatusConflict, "wrong_state", "The suppression does not hold now: it is over, or has not begun and can be deleted.")
	}
	w.EndsAt = tx.Now()
	if w, err = a.updateSuppression(tx, ctx, scopeOf(ctx), w); err != nil {
		return nil, err
	}
	return &created[Suppression]{Status: http.StatusOK, ETag: etag(w.Version), Body: a.suppressions().view(w)}, nil
}

// updateSuppression has what the suppression held decided anew.
func (a *API) updateSuppression(tx *db.Tx, ctx context.Context, scope db.Scope, w db.Suppression) (db.Suppression, error) { //nolint:revive // as the method of Tx that it stands in for
	before, err := tx.Suppression(ctx, scope, w.ID)
	if err != nil {
		return w, err
	}
	if w, err = tx.UpdateSuppression(ctx, scope, w); err != nil || a.suppressionChanged == nil {
		return w, err
	}
	if err := a.suppressionChanged(ctx, tx, before); err != nil {
		return w, err
	}
	return tx.Suppression(ctx, scope, w.ID)
}
