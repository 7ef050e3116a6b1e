package forecast

import (
	"context"
	"time"
)

// A Source gives weather by cell. It is safe for concurrent use.
type Source interface {
	About() About
	// Locate gives the cell that answers for a place, with [ErrOutside] in the
	// error when none does.
	Locate(ctx context.Context, latitude, longitude, elevationM float64) (Cell, error)
	// Fetch asks for cells, About's Batch of them at most for one call. The
	// results are in their order; one with [ErrMoved] is to be located again.
	Fetch(ctx context.Context, cells []Cell) []Result
}

// A Warner gives the official warnings in force by place.
type Warner interface {
	About() About
	// Locate gives the cell whose key names the warning zones of a place.
	Locate(ctx context.Context, latitude, longitude, elevationM float64) (Cell, error)
	// Warnings gives, in the order of the places, what is in force at each: a key
	// as Locate made it, with the place's own coordinates. An error means that
	// nothing new is known, not that nothing is in force.
	Warnings(ctx context.Context, places []Cell) ([][]Warning, error)
}

// A Warning is an official weather warning for a place.
type Warning struct {
	ID       string // the issuing office's own, the same while it is updated
	Event    string
	Severity string // Extreme, Severe, Moderate, Minor or Unknown (CAP 1.2)
	Headline string
	OnsetAt  time.Time
	EndsAt   time.Time // zero when open
	SentAt   time.Time
}
