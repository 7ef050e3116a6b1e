package alert

import (
	"net/http"
	"strconv"
	"strings"
	"time"
)

// delays come after each failed attempt: dense at first, since an alert ages in
// minutes, then out to 75 h 53 min.
var delays = [...]time.Duration{
	5 * time.Second, 15 * time.Second, 45 * time.Second, 2 * time.Minute, 5 * time.Minute, 15 * time.Minute,
	30 * time.Minute, time.Hour, 2 * time.Hour, 4 * time.Hour, 8 * time.Hour, 12 * time.Hour, 24 * time.Hour, 24 * time.Hour,
}

// MostAttempts is how often one delivery is tried.
const MostAttempts = len(delays) + 1

// jitter is how far a delay is spread to both sides, so that what failed
// together does not come back together.
const jitter = 0.2

// NextAttempt is how long to wait after failed attempt number n, from 1; not ok
// when it was the last. Chance is a random number from 0 to 1. A receiver's own
// wish is obeyed when it is longer.
func NextAttempt(n int, chance float64, wish time.Duration) (wait time.Duration, ok bool) {
	if n < 1 || n >= MostAttempts {
		return 0, false
	}
	wait = time.Duration(float64(delays[n-1]) * (1 - jitter + 2*jitter*chance))
	return max(wait, wish), true
}

const (
	longestWish = 24 * time.Hour
	absurdWish  = 7 * 24 * time.Hour
)

// RetryAfter reads the header of that name, in seconds or as a date, up to 24 h.
// Not ok when it can't be read, lies in the past or more than a week ahead: then
// the receiver doesn't know what it says.
func RetryAfter(value string, now time.Time) (wait time.Duration, ok bool) {
	value = strings.TrimSpace(value)
	if seconds, err := strconv.ParseFloat(value, 64); err == nil {
		if !(seconds >= 0 && seconds <= absurdWish.Seconds()) {
			return 0, false
		}
		wait = time.Duration(seconds * float64(time.Second))
	} else if at, err := http.ParseTime(value); err == nil {
		wait = at.Sub(now)
	} else {
		return 0, false
	}
	if wait < 0 || wait > absurdWish {
		return 0, false
	}
	return min(wait, longestWish), true
}
