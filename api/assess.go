package api

import (
	"context"
	"net/http"
	"reflect"
	"runtime"
	"time"

	"frostgate/rules"

	"github.com/danielgtaylor/huma/v2"
)

// caseBytes bounds a stateless case; half a year of hours is about 1 MB.
const caseBytes = 4 << 20

type assessInput struct {
	Members int  `query:"members" default:"51" minimum:"0" maximum:"51" doc:"Courses of the weather that the chances rest on; 0 leaves the chances out."`
	Windows bool `query:"windows" default:"true" doc:"Also look at other starts in daylight over the days that the weather covers."`
}

const assessAbout = `Takes one pour with its weather and answers with one assessment; nothing is stored. Hourly weather are
states at the hour; sums, means and maxima are of the hour that begins there. Unknown fields are refused by name; a missing
optional value is replaced by a documented default that the answer repeats under assumed.

Verdicts support a decision; they do not take it. Local code, the project's engineer and licensed practice govern.`

// serveAssess registers the stateless form. It computes on this process, so few run at once and others wait their turn
// for a while.
func (a *API) serveAssess() {
	turns := make(chan struct{}, max(1, runtime.GOMAXPROCS(0)-1))
	registry := a.huma.OpenAPI().Components.Schemas
	serve(a, route{
		method: http.MethodPost, path: "/v1/assess", id: "assess", tag: "Assessments", summary: "Assess a pour that is not stored",
		about: assessAbout, roles: anyRole, success: http.StatusOK, bodyLimit: caseBytes, skipBody: true,
		body: &huma.RequestBody{Required: true, Content: map[string]*huma.MediaType{
			mediaJSON: {Schema: registry.Schema(reflect.TypeFor[rules.Case](), true, "")},
		}},
	}, func(ctx context.Context, in *assessInput) (*answered[rules.Assessment], error) {
		c, err := rules.Decode(exchangeOf(ctx).body)
		if err != nil {
			return nil, err
		}
		select {
		case turns <- struct{}{}:
			defer func() { <-turns }()
		case <-time.After(5 * time.Second):
			return nil, unavailable(2*time.Second, nil)
		case <-ctx.Done():
			return nil, ctx.Err()
		}
		options := rules.Options{Members: in.Members, Seed: 1}
		if in.Windows {
			options.Starts = rules.CandidateStarts(c)
		}
		return &answered[rules.Assessment]{Body: rules.Assess(c, options)}, nil
	})
}
