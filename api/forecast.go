package api

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"time"

	"github.com/google/uuid"

	"frostgate/db"
	"frostgate/rules"
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
	ElevationM  *float64  `json:"elevation_m" doc:"Of the source's cell."`
}

// A ForecastSeries is a forecast with its hours, in the form that /v1/assess takes.
type ForecastSeries struct {
	Forecast
	Hours []rules.Hour `json:"hours"`
}

// Forecasts are forecasts without their hours.
type Forecasts struct {
	Items []Forecast `json:"items"`
}

// ForecastSeriesList is forecasts with their hours.
type ForecastSeriesList struct {
	Items []ForecastSeries `json:"items"`
}

func forecast(i db.Issue, cell db.Cell) Forecast {
	return Forecast{
		ID: i.ID, Source: cell.Source, Kind: i.Kind, Model: i.Model, IssuedAt: i.IssuedAt, FetchedAt: i.FetchedAt,
		FirstHourAt: i.FirstHourAt, LastHourAt: i.LastHourAt, ReachAt: i.ReachAt, ElevationM: cell.ElevationM,
	}
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
			list.Items = append(list.Items, forecast(i.Issue, db.Cell{Source: i.Source, ElevationM: i.ElevationM}))
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
			list.Items = append(list.Items, series)
		}
		return &answered[ForecastSeriesList]{Body: list}, nil
	})
	a.serveWarnings()
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
	series := ForecastSeries{Forecast: forecast(issue, cell), Hours: make([]rules.Hour, len(hours))}
	for i, h := range hours {
		series.Hours[i] = h.Hour
	}
	return series, cell.ID, err
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
		for _, w := range found {
			list.Items = append(list.Items, SiteWarning{
				Source: w.Source, Event: w.Event, Severity: w.Severity, Headline: w.Headline, OnsetAt: w.OnsetAt, EndsAt: w.EndsAt,
			})
		}
		return &answered[SiteWarnings]{Body: list}, nil
	})
}
