package openmeteo

import (
	"time"

	"frostgate/scheduler/forecast"
)

// Read reads the answer to a question for one cell.
func Read(body []byte, cell forecast.Cell, now time.Time) (*forecast.Issue, error) {
	issue := &forecast.Issue{Source: Name, Cell: cell, IssuedAt: now, FetchedAt: now}
	return issue, read(body, 0, issue)
}
