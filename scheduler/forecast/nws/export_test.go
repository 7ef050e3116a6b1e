package nws

import (
	"encoding/json"
	"time"

	"frostgate/scheduler/forecast"
)

// The parsers, for tests that feed them alone.
var (
	ParseInterval = parseInterval
	ParseDuration = parseDuration
	ParseWind     = parseWind
)

// ReadGrid reads a raw grid for a cell.
func ReadGrid(body []byte, cell forecast.Cell, now time.Time) (*forecast.Issue, []string, error) {
	issue := &forecast.Issue{Source: ForecastName, Cell: cell, FetchedAt: now}
	unknown, err := readGrid(body, issue)
	return issue, unknown, err
}

// ReadHourly reads an hourly forecast for a cell.
func ReadHourly(body []byte, cell forecast.Cell, now time.Time) (*forecast.Issue, error) {
	issue := &forecast.Issue{Source: ForecastName, Cell: cell, FetchedAt: now}
	return issue, readHourly(body, issue)
}

// ReadObservations reads observations.
func ReadObservations(body []byte, cell forecast.Cell, now time.Time) (*forecast.Issue, error) {
	issue := &forecast.Issue{Source: StationsName, Cell: cell, Observed: true, FetchedAt: now}
	return issue, readObservations(body, issue)
}

// ReadPoint gives the grid cell and the zones of a place.
func ReadPoint(body []byte) (grid string, zones []string, err error) {
	p, err := readPoint(body)
	return p.grid, p.zones, err
}

// ReadStations gives the stations near a place.
func ReadStations(body []byte, latitude, longitude, elevationM float64) ([]string, error) {
	near, err := readStations(body, latitude, longitude, elevationM)
	var ids []string
	for _, s := range near {
		ids = append(ids, s.id)
	}
	return ids, err
}

// ReadAlerts gives the warnings in force at a place.
func ReadAlerts(body []byte, zones []string, latitude, longitude float64, now time.Time) ([]forecast.Warning, error) {
	messages, _, err := readMessages(body)
	var found []forecast.Warning
	for _, a := range inForce(messages, now) {
		if a.covers(zones, latitude, longitude) {
			found = append(found, a.Warning)
		}
	}
	return merge(found), err
}

// ExpandTotal shares a total out over hours and gives the sum.
func ExpandTotal(layer []byte, now time.Time) (hours int, sum float64) {
	t := newTable(now)
	t.fill(json.RawMessage(layer), forecast.Precipitation, millimetres, true, func(h *forecast.Hour) **float64 { return &h.PrecipMM })
	for i := range t.hours {
		if v := t.hours[i].PrecipMM; v != nil {
			hours, sum = hours+1, sum+*v
		}
	}
	return hours, sum
}
