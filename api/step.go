package api

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"time"

	"frostgate/db"
)

// A step takes a pour from one state to another.
type step struct {
	verb, summary, about string
	from                 []db.PourState
	take                 func(p *db.Pour, at, now time.Time) *Problem
}

// tolerance is how far a clock on site may be ahead of ours.
const tolerance = 5 * time.Minute

var steps = []step{
	{
		verb: "place", summary: "Say that concrete is in", about: "From planned. Protection is followed from here on.",
		from: []db.PourState{db.Planned},
		take: func(p *db.Pour, at, _ time.Time) *Problem {
			p.State, p.PlacedAt = db.Placed, &at
			return nil
		},
	},
	{
		verb: "release", summary: "Say that protection is off", about: "From placed. Nothing more is watched or said.",
		from: []db.PourState{db.Placed},
		take: func(p *db.Pour, at, _ time.Time) *Problem {
			if p.PlacedAt != nil && at.Before(*p.PlacedAt) {
				return invalid(atPointer("/at", "out_of_range", "must not be before the pour was placed"))
			}
			p.State, p.ReleasedAt = db.Released, &at
			return nil
		},
	},
	{
		verb: "cancel", summary: "Cancel a pour", about: "From planned. Its alerts clear.",
		from: []db.PourState{db.Planned},
		take: func(p *db.Pour, at, _ time.Time) *Problem {
			p.State, p.CancelledAt = db.Cancelled, &at
			return nil
		},
	},
	{
		verb: "reopen", summary: "Take the last step back", about: "From cancelled or placed to planned, from released to placed.",
		from: []db.PourState{db.Cancelled, db.Placed, db.Released},
		take: func(p *db.Pour, _, _ time.Time) *Problem {
			if p.State == db.Released {
				p.State, p.ReleasedAt = db.Placed, nil
				return nil
			}
			p.State, p.CancelledAt, p.PlacedAt = db.Planned, nil, nil
			return nil
		},
	},
}

type stepInput struct {
	ByID
	MaybeMatch
	Idempotent
	Body struct {
		At *time.Time `json:"at,omitempty" doc:"When it happened; now when absent."`
	}
}

// serveSteps registers the steps of a pour's life.
func (a *API) serveSteps(r resource[db.Pour, PourForm, Pour]) {
	for _, s := range steps {
		serve(a, route{
			method: http.MethodPost, path: r.path + "/{id}/" + s.verb, id: s.verb + "-pour", tag: r.tag, summary: s.summary, about: s.about,
			roles: dispatchers, success: http.StatusOK, statuses: []int{http.StatusPreconditionFailed},
		}, func(ctx context.Context, in *stepInput) (*created[Pour], error) {
			return create(ctx, a, in.Idempotent, func(tx *db.Tx) (*created[Pour], error) {
				pour, err := a.takeStep(ctx, tx, s, in)
				if err != nil {
					return nil, err
				}
				return &created[Pour]{Status: http.StatusOK, ETag: r.etag(&pour), Body: pourView(pour)}, nil
			})
		})
	}
}

func (a *API) takeStep(ctx context.Context, tx *db.Tx, s step, in *stepInput) (db.Pour, error) {
	pour, err := tx.Pour(ctx, scopeOf(ctx), in.ID)
	if err != nil {
		return pour, err
	}
	if err := in.check(pour.Version); err != nil {
		return pour, err
	}
	if !slices.Contains(s.from, pour.State) {
		return pour, problem(http.StatusConflict, "wrong_state", fmt.Sprintf("The pour is %s; that step does not start from there.", pour.State))
	}
	at := tx.Now()
	if in.Body.At != nil {
		at = in.Body.At.UTC()
	}
	if at.After(tx.Now().Add(tolerance)) || at.Year() < 2000 {
		return pour, invalid(atPointer("/at", "out_of_range", "must not lie in the future"))
	}
	if p := s.take(&pour, at, tx.Now()); p != nil {
		return pour, p
	}
	if pour, err = tx.UpdatePour(ctx, scopeOf(ctx), pour); err != nil {
		return pour, err
	}
	return pour, a.enqueueAssess(ctx, tx, pour.ID)
}
