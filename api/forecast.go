package api

import (
	"context"
	"encoding/hex"
	"errors"
	"net/http"
	"slices"
	"time"

	"frostgate/db"
	"frostgate/rules"
	"frostgate/scheduler"
	"frostgate/scheduler/forecast"

	"github.com/danielgtaylor/huma/v2"
	"github.com/google/uuid"
)

// A Forecast is what one source said of one place at one time. It is never changed.
type Forecast struct {
	ID          uuid.UUID `json:"id" format:"uuid"`
	Source      string    `json:"source"`
	Kind        string    `json:"kind" doc:"forecast, or observed for what was measured."`
	Model       string    `json:"model"`
	IssuedAt    time.Time `json:"issued_at" doc:"By the source's own word."`
	FetchedAt   time.Time `json:"fetched_at"`
	FirstHourAt time.Time `json:"first_hour_at"`
	LastHourAt  time.Time `json:"last_hour_at"`
	ReachAt     time.Time `json:"reach_at" doc:"Last hour with all that an assessment needs."`
	ElevationM  *float64  `json:"elevation_m" doc:"Of the ground the hours are for."`
	SHA256      string    `json:"payload_sha256" doc:"Of the answer that it was read from, in hexadecimal; see its payload."`
	Credit      string    `json:"credit,omitempty" doc:"To be shown beside the data, as the source asks."`
	CreditLink  string    `json:"credit_link,omitempty"`
}

// A ForecastSeries is a forecast with its hours, in the form that /v1/assess takes.
type ForecastSeries struct {
	Forecast
	Reaches map[forecast.Variable]time.Time `json:"reaches" doc:"Of each variable the last hour that has it."`
	UsedFor []WeatherUse                    `json:"used_for,omitempty" doc:"What an assessment took from it."`
	Hours   []rules.Hour                    `json:"hours"`
}

// A WeatherUse is a variable that an assessment took from one source over a stretch of hours.
type WeatherUse struct {
	Variable string    `json:"variable"`
	From     time.Time `json:"from"`
	Until    time.Time `json:"until" doc:"The last hour, itself included."`
	Fallback bool      `json:"fallback" doc:"The preferred source lacked it."`
}

// Forecasts are forecasts without their hours.
type Forecasts struct {
	Items []Forecast `json:"items"`
}

// ForecastSeriesList is forecasts with their hours.
type ForecastSeriesList struct {
	Items []ForecastSeries `json:"items"`
}

func (a *API) forecast(i db.Issue, source string) Forecast {
	f := Forecast{
		ID: i.ID, Source: source, Kind: i.Kind, Model: i.Model, IssuedAt: i.IssuedAt, FetchedAt: i.FetchedAt,
		FirstHourAt: i.FirstHourAt, LastHourAt: i.LastHourAt, ReachAt: i.ReachAt, ElevationM: i.ElevationM,
		SHA256: hex.EncodeToString(i.PayloadSHA256),
	}
	for _, about := range a.weather {
		if about.Name == source {
			f.Credit, f.CreditLink = about.Attribution, about.Link
		}
	}
	return f
}

type siteForecastInput struct {
	ByID
	ForecastID uuid.UUID `path:"forecast_id" format:"uuid"`
	From       time.Time `query:"from" doc:"First hour."`
	Before     time.Time `query:"before" doc:"The hours end before it."`
}

func (a *API) serveForecasts() {
	const tag = "Weather"
	serve(a, route{
		method: http.MethodGet, path: "/v1/sites/{id}/forecasts", id: "list-forecasts", tag: tag,
		summary: "List the latest forecasts for a site", about: "The latest of each source.", roles: anyRole,
	}, func(ctx context.Context, in *itemInput) (*answered[Forecasts], error) {
		if _, err := a.db.Site(ctx, scopeOf(ctx), in.ID); err != nil {
			return nil, err
		}
		latest, err := a.db.LatestIssues(ctx, in.ID)
		if err != nil {
			return nil, err
		}
		list := Forecasts{Items: []Forecast{}}
		for _, i := range latest {
			list.Items = append(list.Items, a.forecast(i.Issue, i.Source))
		}
		return &answered[Forecasts]{Body: list}, nil
	})
	serve(a, route{
		method: http.MethodGet, path: "/v1/sites/{id}/forecasts/{forecast_id}", id: "get-forecast", tag: tag,
		summary: "Read the hours of a forecast for a site", about: "Any issue that is still kept.", roles: anyRole,
	}, func(ctx context.Context, in *siteForecastInput) (*answered[ForecastSeries], error) {
		if _, err := a.db.Site(ctx, scopeOf(ctx), in.ID); err != nil {
			return nil, err
		}
		cells, err := a.db.SiteCells(ctx, in.ID)
		if err != nil {
			return nil, err
		}
		series, cell, err := a.series(ctx, in.ForecastID, in.From, in.Before)
		if err != nil {
			return nil, err
		}
		if !slices.ContainsFunc(cells, func(c db.Cell) bool { return c.ID == cell }) {
			return nil, db.ErrNotFound
		}
		return &answered[ForecastSeries]{Body: series}, nil
	})
	serve(a, route{
		method: http.MethodGet, path: "/v1/assessments/{id}/forecasts", id: "list-assessment-forecasts", tag: tag,
		summary: "Read the forecasts that an assessment rests on", about: "Old forecasts are thinned out; those are left out.", roles: anyRole,
	}, func(ctx context.Context, in *itemInput) (*answered[ForecastSeriesList], error) {
		found, err := a.db.Assessment(ctx, scopeOf(ctx), in.ID)
		if err != nil {
			return nil, err
		}
		list := ForecastSeriesList{Items: []ForecastSeries{}}
		for _, id := range found.IssueIDs {
			series, _, err := a.series(ctx, id, time.Time{}, time.Time{})
			if errors.Is(err, db.ErrNotFound) {
				continue
			}
			if err != nil {
				return nil, err
			}
			series.UsedFor = usesOf(found.Origins, id)
			list.Items = append(list.Items, series)
		}
		return &answered[ForecastSeriesList]{Body: list}, nil
	})
	a.servePayload()
	a.serveForecastErrors()
	a.serveWarnings()
}

type payloadInput struct {
	ByID
	ForecastID uuid.UUID `path:"forecast_id" format:"uuid"`
}

type payloadOutput struct {
	ContentType string `header:"Content-Type"`
	Body        []byte
}

// servePayload gives the very bytes that a forecast was read from.
func (a *API) servePayload() {
	serve(a, route{
		method: http.MethodGet, path: "/v1/sites/{id}/forecasts/{forecast_id}/payload", id: "get-forecast-payload", tag: "Weather",
		summary: "Read the answer that a forecast was read from",
		about:   "The bytes whose SHA-256 the forecast names. They are kept for a week.", roles: anyRole,
		responses: map[string]*huma.Response{"200": {
			Description: "OK", Content: map[string]*huma.MediaType{mediaJSON: {Schema: &huma.Schema{}}},
		}},
	}, func(ctx context.Context, in *payloadInput) (*payloadOutput, error) {
		if _, err := a.db.Site(ctx, scopeOf(ctx), in.ID); err != nil {
			return nil, err
		}
		cells, err := a.db.SiteCells(ctx, in.ID)
		if err != nil {
			return nil, err
		}
		issue, err := a.db.Issue(ctx, in.ForecastID)
		if err != nil {
			return nil, err
		}
		if !slices.ContainsFunc(cells, func(c db.Cell) bool { return c.ID == issue.CellID }) {
			return nil, db.ErrNotFound
		}
		body, err := a.db.IssueBody(ctx, issue.ID)
		return &payloadOutput{ContentType: mediaJSON, Body: body}, err
	})
}

// A ForecastError is what the forecasts of a source for a site were off by, of all
// hours that were measured since.
type ForecastError struct {
	Source   string  `json:"source"`
	Variable string  `json:"variable" doc:"air_temp_c or wind_ms."`
	LeadH    int     `json:"lead_h" doc:"Forecasts issued up to so many hours before, and longer before than the next smaller lead."`
	Hours    int64   `json:"hours" doc:"That were compared; from 168 on the error counts as the forecast's spread."`
	Bias     float64 `json:"bias" doc:"Mean of forecast less measured."`
	RMS      float64 `json:"rms" doc:"Root of the mean square."`
}

// ForecastErrors is the table of them.
type ForecastErrors struct {
	Items []ForecastError `json:"items"`
}

func (a *API) serveForecastErrors() {
	serve(a, route{
		method: http.MethodGet, path: "/v1/sites/{id}/forecast-errors", id: "list-forecast-errors", tag: "Weather",
		summary: "List what the forecasts for a site were off by", about: "By source, variable and lead, against the nearest stations.", roles: anyRole,
	}, func(ctx context.Context, in *itemInput) (*answered[ForecastErrors], error) {
		if _, err := a.db.Site(ctx, scopeOf(ctx), in.ID); err != nil {
			return nil, err
		}
		cells, err := a.db.SiteCells(ctx, in.ID)
		if err != nil {
			return nil, err
		}
		list := ForecastErrors{Items: []ForecastError{}}
		for _, cell := range cells {
			table, err := a.db.LeadErrorsOf(ctx, cell.ID)
			if err != nil {
				return nil, err
			}
			for _, e := range table {
				l := forecast.LeadError{N: e.N, Sum: e.Sum, SumSq: e.SumSq}
				list.Items = append(list.Items, ForecastError{
					Source: cell.Source, Variable: e.Variable, LeadH: e.LeadH, Hours: e.N, Bias: l.Bias(), RMS: l.RMS(),
				})
			}
		}
		return &answered[ForecastErrors]{Body: list}, nil
	})
}

// series reads an issue with its hours, and tells the cell that it is for.
func (a *API) series(ctx context.Context, id uuid.UUID, from, before time.Time) (ForecastSeries, uuid.UUID, error) {
	issue, err := a.db.Issue(ctx, id)
	if err != nil {
		return ForecastSeries{}, uuid.Nil, err
	}
	cell, err := a.db.Cell(ctx, issue.CellID)
	if err != nil {
		return ForecastSeries{}, uuid.Nil, err
	}
	hours, err := a.db.Hours(ctx, id, from, before)
	series := ForecastSeries{Forecast: a.forecast(issue, cell.Source), Hours: make([]rules.Hour, len(hours))}
	full := make([]forecast.Hour, len(hours))
	for i := range hours {
		series.Hours[i], full[i] = hours[i].Hour, scheduler.HourOf(&hours[i])
	}
	series.Reaches = forecast.Reaches(full)
	return series, cell.ID, err
}

// usesOf is what was taken from one issue.
func usesOf(origins []db.Origin, issueID uuid.UUID) []WeatherUse {
	var uses []WeatherUse
	for _, o := range origins {
		if o.IssueID != nil && *o.IssueID == issueID {
			uses = append(uses, WeatherUse{Variable: o.Variable, From: o.From, Until: o.Until, Fallback: o.Fallback})
		}
	}
	return uses
}

// A SiteWarning is an official weather warning in force for a site.
type SiteWarning struct {
	Source   string     `json:"source"`
	Event    string     `json:"event"`
	Severity string     `json:"severity" doc:"In the source's words."`
	Headline string     `json:"headline"`
	OnsetAt  time.Time  `json:"onset_at"`
	EndsAt   *time.Time `json:"ends_at" doc:"null when it is open."`
}

// SiteWarnings are the warnings in force for a site.
type SiteWarnings struct {
	Items []SiteWarning `json:"items"`
	Known bool          `json:"known" doc:"false: no source of warnings covers the site or answered of late, so that an empty list is no all-clear."`
	AsOf  *time.Time    `json:"as_of" doc:"When a source of warnings last answered for the site; null when none ever did."`
}

func (a *API) serveWarnings() {
	serve(a, route{
		method: http.MethodGet, path: "/v1/sites/{id}/warnings", id: "list-warnings", tag: "Weather",
		summary: "List the official warnings in force for a site", roles: anyRole,
	}, func(ctx context.Context, in *itemInput) (*answered[SiteWarnings], error) {
		if _, err := a.db.Site(ctx, scopeOf(ctx), in.ID); err != nil {
			return nil, err
		}
		found, err := a.db.Warnings(ctx, a.now(), in.ID)
		if err != nil {
			return nil, err
		}
		list := SiteWarnings{Items: []SiteWarning{}}
		if list.Known, list.AsOf, err = a.warningsKnown(ctx, in.ID); err != nil {
			return nil, err
		}
		for _, w := range found {
			list.Items = append(list.Items, SiteWarning{
				Source: w.Source, Event: w.Event, Severity: w.Severity, Headline: w.Headline, OnsetAt: w.OnsetAt, EndsAt: w.EndsAt,
			})
		}
		return &answered[SiteWarnings]{Body: list}, nil
	})
}

// warningsKnown tells whether an empty list of warnings for a site means that
// none is in force, and when somebody last said so.
func (a *API) warningsKnown(ctx context.Context, siteID uuid.UUID) (known bool, asOf *time.Time, err error) {
	for _, about := range a.weather {
		if !about.Warns {
			continue
		}
		sites, err := a.db.WarnedSites(ctx, []string{about.Name}, siteID)
		if err != nil {
			return false, nil, err
		}
		for _, s := range sites {
			if s.AsOf != nil && (asOf == nil || s.AsOf.After(*asOf)) {
				asOf = s.AsOf
				known = a.now().Sub(*asOf) <= about.StaleAfter
			}
		}
	}
	return known, asOf, nil
}
