package openmeteo

import (
	"strings"
	"time"
)

// untilLimitEnds reads which limit was hit out of the service's sentence. A day's
// limit gives an hour: the pause of a host is never longer, and the next answer
// says it again.
func untilLimitEnds(reason string, now time.Time) time.Duration {
	reason = strings.ToLower(reason)
	grain := time.Minute
	switch {
	case strings.Contains(reason, "concurren"):
		return 5 * time.Second
	case strings.Contains(reason, "daily"), strings.Contains(reason, "tomorrow"):
		grain = 24 * time.Hour
	case strings.Contains(reason, "hourly"), strings.Contains(reason, "hour"):
		grain = time.Hour
	}
	return now.UTC().Truncate(grain).Add(grain).Sub(now)
}
