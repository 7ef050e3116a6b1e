package metno

import (
	"time"

	"frostgate/scheduler/forecast"
)

// Read reads the answer for a cell.
func Read(body []byte, cell forecast.Cell, now time.Time) (*forecast.Issue, error) {
	issue := &forecast.Issue{Source: Name, Cell: cell, FetchedAt: now}
	return issue, read(body, issue)
}
