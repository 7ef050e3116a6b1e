package openmeteo

import (
	"time"

	"frostgate/scheduler/forecast"
)

// SplitPoints takes a batch apart.
var SplitPoints = splitPoints

// Read reads the answer to a question for one cell.
func Read(body []byte, cell forecast.Cell, now time.Time) (*forecast.Issue, error) {
	issue := &forecast.Issue{Source: Name, Model: "best_match", Cell: cell, IssuedAt: now, FetchedAt: now}
	return issue, weather.read(body, 0, issue)
}
