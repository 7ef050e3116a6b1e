package nws

import (
	"errors"
	"fmt"
	"strings"
	"time"
)

// longestInterval is more than any forecast spans.
const longestInterval = 31 * 24 * time.Hour

var errInterval = errors.New("no start with a duration of days, hours, minutes and seconds")

// parseInterval reads a time and a duration, such as
// 2027-01-14T18:00:00+00:00/PT6H. The other forms that the standard knows (two
// times, a duration and an end, now) are refused.
func parseInterval(text string) (from, to time.Time, err error) {
	start, length, ok := strings.Cut(text, "/")
	if !ok {
		return from, to, errInterval
	}
	if from, err = time.Parse(time.RFC3339, start); err != nil {
		return from, to, fmt.Errorf("%w: %w", errInterval, err)
	}
	span, err := parseDuration(length)
	if err != nil {
		return from, to, err
	}
	from = from.UTC()
	return from, from.Add(span), nil
}

// parseDuration reads P1DT6H and the like: whole days, hours, minutes and
// seconds in that order, more than nothing and at most 31 days.
func parseDuration(text string) (time.Duration, error) {
	rest, ok := strings.CutPrefix(text, "P")
	if !ok {
		return 0, errInterval
	}
	date, clock, timed := strings.Cut(rest, "T")
	var total time.Duration
	for _, part := range []struct {
		text  string
		units string
	}{{date, "D"}, {clock, "HMS"}} {
		span, err := parseParts(part.text, part.units)
		if err != nil {
			return 0, err
		}
		total += span
	}
	if timed && clock == "" || total <= 0 || total > longestInterval {
		return 0, errInterval
	}
	return total, nil
}

var lengths = map[byte]time.Duration{'D': 24 * time.Hour, 'H': time.Hour, 'M': time.Minute, 'S': time.Second}

// parseParts reads numbers, each with one of the units, in their order.
func parseParts(text, units string) (time.Duration, error) {
	var total time.Duration
	for text != "" {
		count, digits := 0, 0
		for digits < len(text) && text[digits] >= '0' && text[digits] <= '9' {
			count = 10*count + int(text[digits]-'0')
			digits++
		}
		if digits == 0 || digits > 5 || digits == len(text) {
			return 0, errInterval
		}
		at := strings.IndexByte(units, text[digits])
		if at < 0 {
			return 0, errInterval
		}
		total += time.Duration(count) * lengths[units[at]]
		text, units = text[digits+1:], units[at+1:]
	}
	return total, nil
}
