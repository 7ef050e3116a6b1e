package openmeteo

import (
	"time"

	"frostgate/scheduler/forecast"
)

// SplitPoints takes a batch apart, ReadRun the file on the latest run.
var (
	SplitPoints = splitPoints
	ReadRun     = readRun
)

// ReadSpread reads the answer of an ensemble for one cell.
func ReadSpread(body []byte, cell forecast.Cell, now time.Time) (*forecast.Issue, error) {
	issue := &forecast.Issue{Source: EnsembleName, Model: ensemble.model, Cell: cell, Partial: true, IssuedAt: now, FetchedAt: now}
	return issue, ensemble.read(body, 0, issue)
}

// Read reads the answer to a question for one cell.
func Read(body []byte, cell forecast.Cell, now time.Time) (*forecast.Issue, error) {
	issue := &forecast.Issue{Source: Name, Model: "best_match", Cell: cell, IssuedAt: now, FetchedAt: now}
	return issue, weather.read(body, 0, issue)
}
