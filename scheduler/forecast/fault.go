package forecast

import (
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"
)

// An Error says why a source gave nothing usable, and what to do about it.
type Error struct {
	Status int           // of the answer; 0 without one
	Retry  bool          // the same question may be answered later
	After  time.Duration // not before this long; 0: no word on it
	Host   bool          // the pause is meant for all questions to the host
	Reason string        // short, safe to show
	Err    error
}

// Two answers that concern a place rather than the weather there.
var (
	// ErrOutside is the cause when a source does not cover a place.
	ErrOutside = errors.New("the source does not cover this place")
	// ErrMoved is the cause when a cell is not the place's any more: it has to be
	// located again.
	ErrMoved = errors.New("the source moved its cells")
)

// Error gives the reason and the cause.
func (e *Error) Error() string {
	text := e.Reason
	if e.Status != 0 {
		text += fmt.Sprintf(" (status %d)", e.Status)
	}
	if e.Err != nil {
		text += ": " + e.Err.Error()
	}
	return text
}

// Unwrap gives the cause.
func (e *Error) Unwrap() error { return e.Err }

// longestPause caps what a source may ask for: cells are pulled hourly, so a
// longer pause only means to leave out the next pull.
const longestPause = time.Hour

// RetryAfter reads the header of that name, in seconds or as a date; a time
// that is past or negative is 0 and a long one is capped at an hour. Not ok when
// there is nothing to read.
func RetryAfter(value string, now time.Time) (wait time.Duration, ok bool) {
	value = strings.TrimSpace(value)
	if seconds, err := strconv.ParseInt(value, 10, 64); err == nil {
		if seconds > int64(longestPause/time.Second) {
			return longestPause, true
		}
		return max(0, time.Duration(seconds)*time.Second), true
	}
	at, err := http.ParseTime(value)
	if err != nil {
		return 0, false
	}
	return min(longestPause, max(0, at.Sub(now))), true
}

// statusError is what an answer other than 200, 203 and 304 means.
func statusError(resp *http.Response, reason string, now time.Time) *Error {
	e := &Error{Status: resp.StatusCode, Reason: reason}
	if e.Reason == "" {
		e.Reason = "unexpected answer"
	}
	switch resp.StatusCode {
	case http.StatusTooManyRequests, http.StatusServiceUnavailable:
		e.Retry = true
		e.After, e.Host = RetryAfter(resp.Header.Get("Retry-After"), now)
		e.Host = e.Host || resp.StatusCode == http.StatusTooManyRequests
	case http.StatusRequestTimeout, http.StatusTooEarly, http.StatusNoContent:
		e.Retry = true
	default:
		e.Retry = resp.StatusCode >= 500
	}
	return e
}

// How long an answer counts as fresh, whatever its headers say.
const (
	shortestFresh = 5 * time.Minute
	longestFresh  = 2 * time.Hour
)

// freshUntil is when a question may be asked again by the answer's max-age or
// Expires, within 5 minutes to 2 hours; zero when the answer says nothing.
func freshUntil(header http.Header, now time.Time) time.Time {
	for directive := range strings.SplitSeq(header.Get("Cache-Control"), ",") {
		name, value, _ := strings.Cut(strings.TrimSpace(directive), "=")
		if !strings.EqualFold(name, "max-age") {
			continue
		}
		if seconds, err := strconv.ParseInt(strings.Trim(value, `"`), 10, 64); err == nil && seconds >= 0 {
			age := time.Duration(min(seconds, int64(longestFresh/time.Second))) * time.Second
			return now.Add(max(shortestFresh, age))
		}
	}
	at, err := http.ParseTime(header.Get("Expires"))
	if err != nil {
		return time.Time{}
	}
	return now.Add(min(longestFresh, max(shortestFresh, at.Sub(now))))
}
