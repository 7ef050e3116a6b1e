package api

import (
	"context"
	"net/http"
	"reflect"
	"strings"
	"time"

	"frostgate/db"
	"frostgate/rules"

	"github.com/google/uuid"
)

// An ObservationForm is something measured or seen on site, as people give it.
type ObservationForm struct {
	Kind    string    `json:"kind" enum:"base_frozen,base_temp,concrete_temp,slump,slab_temp,initial_set,final_set,blanket_on,blanket_off,cylinder_strength"`
	At      time.Time `json:"at" doc:"When it was seen; not in the future."`
	Value   float64   `json:"value,omitempty" minimum:"-100" maximum:"5000" doc:"Temperatures in degrees C, slump in mm, strength in MPa; base_frozen: 1 frozen, 0 not. Events have none."`
	DepthMM float64   `json:"depth_mm,omitempty" minimum:"0" maximum:"5000" doc:"Where it was measured, below the surface."`
	Note    string    `json:"note,omitempty" maxLength:"2000"`
}

// An Observation is a stored observation.
type Observation struct {
	Saved
	PourID uuid.UUID `json:"pour_id" format:"uuid"`
	ObservationForm
	Who string `json:"who" doc:"The name of the token that entered it."`
}

func observation(o db.Observation) Observation {
	return Observation{Saved: saved(o.Record), PourID: o.PourID, ObservationForm: observationForm(o), Who: o.Who}
}

func observationForm(o db.Observation) ObservationForm {
	return ObservationForm{Kind: o.Kind, At: o.At.UTC(), Value: o.Value, DepthMM: o.DepthMM, Note: o.Note}
}

func fillObservation(_ context.Context, tx *db.Tx, f ObservationForm, o db.Observation) (db.Observation, error) {
	o.Kind, o.At, o.Value, o.DepthMM, o.Note = f.Kind, f.At.UTC(), f.Value, f.DepthMM, neat(f.Note)
	if o.At.After(tx.Now().Add(tolerance)) || o.At.Year() < 2000 {
		return o, invalid(atPointer("/at", "out_of_range", "must not lie in the future"))
	}
	seen := rules.Pour{Observations: []rules.Observation{{Kind: o.Kind, At: o.At, Value: o.Value, DepthMM: o.DepthMM}}}
	var violations []Violation
	for _, v := range seen.Violations() {
		if pointer, mine := strings.CutPrefix(v.Pointer, "/observations/0"); mine {
			violations = append(violations, fromRule(pointer, v.Detail))
		}
	}
	return o, accepted(violations)
}

type observationsInput struct {
	ByID
	PageInput
	Kind []string `query:"kind" maxItems:"10" enum:"base_frozen,base_temp,concrete_temp,slump,slab_temp,initial_set,final_set,blanket_on,blanket_off,cylinder_strength"`
}

type observeInput struct {
	ByID
	Idempotent
	Body ObservationForm
}

const observing = "It takes the place of what was predicted, and the pour is assessed anew."

func (a *API) serveObservations() {
	const tag, many, item = "Observations", "/v1/pours/{id}/observations", "/v1/observations/{id}"
	serve(a, route{
		method: http.MethodGet, path: many, id: "list-observations", tag: tag, summary: "List the observations of a pour", roles: anyRole,
	}, func(ctx context.Context, in *observationsInput) (*listed[Observation], error) {
		page, err := in.page(ctx)
		if err != nil {
			return nil, err
		}
		if _, err := a.db.Pour(ctx, scopeOf(ctx), in.ID); err != nil {
			return nil, err
		}
		found, err := a.db.Observations(ctx, scopeOf(ctx), db.ObservationFilter{PourID: in.ID, Kinds: in.Kind}, page)
		if err != nil {
			return nil, err
		}
		return answerList(ctx, found, observation), nil
	})
	serve(a, route{
		method: http.MethodPost, path: many, id: "create-observation", tag: tag, summary: "Enter an observation", about: observing,
		roles: onSite, success: http.StatusCreated,
	}, func(ctx context.Context, in *observeInput) (*created[Observation], error) {
		return create(ctx, a, in.Idempotent, func(tx *db.Tx) (*created[Observation], error) {
			o, err := fillObservation(ctx, tx, in.Body, db.Observation{PourID: in.ID})
			if err != nil {
				return nil, err
			}
			if o, err = tx.CreateObservation(ctx, scopeOf(ctx), o); err != nil {
				return nil, err
			}
			return born(observation(o), o.Version, "/v1/observations/"+o.ID.String()), a.enqueueAssess(ctx, tx, o.PourID)
		})
	})
	serve(a, route{
		method: http.MethodGet, path: item, id: "get-observation", tag: tag, summary: "Read an observation", roles: anyRole,
	}, func(ctx context.Context, in *getInput) (*one[Observation], error) {
		o, err := a.db.Observation(ctx, scopeOf(ctx), in.ID)
		if err != nil {
			return nil, err
		}
		return answerOne(observation(o), etag(o.Version), in.NoneMatch), nil
	})
	serve(a, route{
		method: http.MethodPatch, path: item, id: "patch-observation", tag: tag, summary: "Correct an observation", about: observing,
		roles: onSite, body: patchBody(a.huma.OpenAPI().Components.Schemas, reflect.TypeFor[ObservationForm]()),
	}, func(ctx context.Context, in *patchInput) (*one[Observation], error) {
		var stored db.Observation
		err := a.edit(ctx, func(tx *db.Tx) (err error) {
			stored, err = a.correct(ctx, tx, in)
			return err
		})
		if err != nil {
			return nil, err
		}
		return answerOne(observation(stored), etag(stored.Version), NoneMatch{}), nil
	})
	serve(a, route{
		method: http.MethodDelete, path: item, id: "delete-observation", tag: tag, summary: "Take an observation back",
		about: "The audit keeps it.", roles: onSite,
	}, func(ctx context.Context, in *deleteInput) (*struct{}, error) {
		return nil, a.edit(ctx, func(tx *db.Tx) error { return a.takeBack(ctx, tx, in) })
	})
}

func (a *API) correct(ctx context.Context, tx *db.Tx, in *patchInput) (db.Observation, error) {
	current, err := tx.Observation(ctx, scopeOf(ctx), in.ID)
	if err != nil {
		return current, err
	}
	if err := in.check(current.Version); err != nil {
		return current, err
	}
	form, err := mergePatch(a, observationForm(current), exchangeOf(ctx).body)
	if err != nil {
		return current, err
	}
	o, err := fillObservation(ctx, tx, form, current)
	if err != nil {
		return o, err
	}
	if o, err = tx.UpdateObservation(ctx, scopeOf(ctx), o); err != nil {
		return o, err
	}
	return o, a.enqueueAssess(ctx, tx, o.PourID)
}

func (a *API) takeBack(ctx context.Context, tx *db.Tx, in *deleteInput) error {
	current, err := tx.Observation(ctx, scopeOf(ctx), in.ID)
	if err != nil {
		return err
	}
	if err := in.check(current.Version); err != nil {
		return err
	}
	if err := tx.DeleteObservation(ctx, scopeOf(ctx), in.ID, current.Version); err != nil {
		return err
	}
	return a.enqueueAssess(ctx, tx, current.PourID)
}
