package nws

import (
	"sync"
	"time"

	"frostgate/scheduler/forecast"
)

// observed is what a station gave.
type observed struct {
	issue    *forecast.Issue
	expires  time.Time
	err      error
	host     bool      // the error is not the station's
	from, at time.Time // of the first hour asked for, and of the asking
}

// How long what a station gave serves other cells that name it: less than the
// period, so that a cell never gets the same twice.
const (
	reuseGood   = 20 * time.Minute
	reuseFailed = 5 * time.Minute
	reuseBytes  = 64 << 20 // of answers kept
)

// recent remembers what stations reported, within bounds.
type recent struct {
	mu    sync.Mutex
	of    map[string]observed // by station
	bytes int
}

// get gives what a station reported of late, from a time on at the latest.
func (r *recent) get(id string, from, now time.Time) (observed, bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	o, ok := r.of[id]
	if !ok || o.from.After(from) || !o.serves(now) {
		return observed{}, false
	}
	return o, true
}

func (o *observed) serves(now time.Time) bool {
	if o.err != nil {
		return now.Sub(o.at).Abs() < reuseFailed
	}
	return now.Sub(o.at).Abs() < reuseGood
}

// put remembers what a station gave. What a host kept from giving is forgotten.
func (r *recent) put(id string, o observed) {
	if o.host {
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.bytes -= r.of[id].size()
	delete(r.of, id)
	if r.bytes+o.size() > reuseBytes || len(r.of) >= mostKept {
		clear(r.of)
		r.bytes = 0
	}
	r.of[id] = o
	r.bytes += o.size()
}

func (o observed) size() int {
	if o.issue == nil {
		return 0
	}
	return len(o.issue.Body)
}
