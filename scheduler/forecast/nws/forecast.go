package nws

import (
	"context"
	"errors"
	"net/http"
	"strings"
	"sync"
	"time"

	"frostgate/scheduler/forecast"
)

// The forecast changes a few times a day and is legitimately served hours after
// its time of update.
const (
	forecastPeriod = time.Hour
	forecastStale  = 18 * time.Hour
	forecastDead   = 36 * time.Hour
	// failuresBefore is how many times in a row the raw grid of a cell has to fail
	// before the hourly forecast is asked for instead.
	failuresBefore = 2
	mostFailing    = 10_000
)

// Forecast is the forecast as a source.
type Forecast struct {
	*Service

	mu      sync.Mutex
	failing map[string]int // failures in a row by cell
}

// Forecast gives the source of the raw grid.
func (s *Service) Forecast() *Forecast {
	return &Forecast{Service: s, failing: map[string]int{}}
}

// About tells of the source.
func (f *Forecast) About() forecast.About {
	a := f.about(ForecastName)
	a.Period, a.StaleAfter, a.DeadAfter = forecastPeriod, forecastStale, forecastDead
	return a
}

// Locate asks for the grid cell of a place.
func (f *Forecast) Locate(ctx context.Context, latitude, longitude, elevationM float64) (forecast.Cell, error) {
	p, err := f.point(ctx, latitude, longitude)
	if err != nil {
		return forecast.Cell{}, err
	}
	return forecast.Cell{Key: p.grid, Latitude: latitude, Longitude: longitude, ElevationM: elevationM}, nil
}

// Fetch asks for each cell's raw grid, and for its hourly forecast when the raw
// grid keeps failing.
func (f *Forecast) Fetch(ctx context.Context, cells []forecast.Cell) []forecast.Result {
	results := make([]forecast.Result, len(cells))
	for i, cell := range cells {
		results[i] = f.fetch(ctx, cell)
	}
	return results
}

func (f *Forecast) fetch(ctx context.Context, cell forecast.Cell) forecast.Result {
	result := f.fetchGrid(ctx, cell)
	if !f.keepsFailing(cell.Key, result.Err) {
		return result
	}
	if hourly := f.fetchHourly(ctx, cell); hourly.Err == nil {
		return hourly
	}
	return result
}

// keepsFailing counts failures that are the grid's own.
func (f *Forecast) keepsFailing(key string, err error) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	if err == nil {
		delete(f.failing, key)
		return false
	}
	var fault *forecast.Error
	if !errors.As(err, &fault) || fault.Host || fault.Status >= 400 && fault.Status < 500 || errors.Is(err, forecast.ErrMoved) {
		return false // the caller gave up, or it is not the grid that fails
	}
	if len(f.failing) >= mostFailing {
		clear(f.failing)
	}
	f.failing[key]++
	return f.failing[key] >= failuresBefore
}

func (f *Forecast) fetchGrid(ctx context.Context, cell forecast.Cell) forecast.Result {
	answer, err := f.get(ctx, "/gridpoints/"+cell.Key, gridCap, cell.LastModified)
	if status(err) == http.StatusNotFound {
		err = &forecast.Error{Status: http.StatusNotFound, Reason: "grid cell gone", Err: forecast.ErrMoved}
	}
	if err != nil {
		return forecast.Result{Err: err}
	}
	result := forecast.Result{NotModified: answer.NotModified, LastModified: answer.LastModified, ExpiresAt: answer.FreshUntil}
	if answer.NotModified {
		return result
	}
	issue := f.issue(cell, "grid")
	unknown, err := readGrid(answer.Body, issue)
	if err != nil {
		return forecast.Result{Err: err}
	}
	if len(unknown) > 0 {
		result.Notice = "weather words that are not known: " + strings.Join(unknown[:min(len(unknown), 10)], ", ")
	}
	result.Issue = issue
	return result
}

// fetchHourly asks for the forecast in whole degrees and words. Its validators
// are not kept: the next question is about the raw grid again.
func (f *Forecast) fetchHourly(ctx context.Context, cell forecast.Cell) forecast.Result {
	answer, err := f.get(ctx, "/gridpoints/"+cell.Key+"/forecast/hourly?units=si", hourlyCap, "")
	if err != nil {
		return forecast.Result{Err: err}
	}
	issue := f.issue(cell, "hourly")
	if err := readHourly(answer.Body, issue); err != nil {
		return forecast.Result{Err: err}
	}
	return forecast.Result{Issue: issue, ExpiresAt: answer.FreshUntil}
}

func (s *Service) issue(cell forecast.Cell, model string) *forecast.Issue {
	return &forecast.Issue{Source: ForecastName, Model: model, Cell: cell, FetchedAt: s.cfg.Now().UTC()}
}
