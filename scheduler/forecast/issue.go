package forecast

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"
)

// A Cell is the place that a source answers for. Sites that lie close together
// share one.
type Cell struct {
	Key        string // unique within the source
	Latitude   float64
	Longitude  float64
	ElevationM float64
	// Since asks for past hours from this time on, as far as the source has them.
	Since time.Time
	// ETag and LastModified are the validators of the last answer, sent back as
	// given; empty when no answer is stored.
	ETag, LastModified string
}

// About is what the rest of the program has to know of a source.
type About struct {
	Name        string        // short, lower case; part of every record of the source
	Host        string        // whose budget of calls it shares
	Attribution string        // credit that the source asks for beside its data
	Link        string        // goes with the credit
	Batch       int           // most cells of one call
	Period      time.Duration // between pulls of a cell
	Rate        Rate          // of calls to Host, all replicas together
	Partial     bool          // gives a spread only
	Measures    bool          // gives what was measured
	Aside       bool          // adds to other sources: its silence alone is no alarm
	Warns       bool          // gives official warnings
	Relocate    time.Duration // after which a site's cell is asked for again; 0: a place's cell never changes
	StaleAfter  time.Duration // age of an issue from which it is doubtful
	DeadAfter   time.Duration // age of an issue from which it is not used
}

// A Rate is how often a host may be called.
type Rate struct {
	Every time.Duration // between calls, in the long run
	Burst int           // calls at once after a rest
}

// A Result is what came of asking for one cell: a new issue, the word that
// nothing changed, or an error (an [*Error] when the source was to blame).
type Result struct {
	Issue              *Issue
	NotModified        bool
	ETag, LastModified string
	ExpiresAt          time.Time // not to be asked again before; zero without a word on it
	Notice             string    // of a good answer: what its operator should hear of, one line
	Err                error
}

// An Issue is the weather of one cell as one source gave it at one time. It is
// never changed.
type Issue struct {
	Source    string
	Model     string
	Cell      Cell
	Observed  bool // hours measured, not forecast
	Partial   bool // some members only, such as a spread: needs other weather beside it
	IssuedAt  time.Time
	FetchedAt time.Time
	Body      []byte   // what it was read from
	SHA256    [32]byte // of Body
	Hours     []Hour   // rising, one per hour at most
}

// Seal stores the body an issue was read from, with its hash.
func (i *Issue) Seal(body []byte) {
	i.Body, i.SHA256 = body, sha256.Sum256(body)
}

// Reach is the last hour for which air temperature, wind and humidity are all
// there, looking ahead from the fetching without a long gap; zero when none is.
// What lies after it is a short horizon, not calm weather.
func (i *Issue) Reach() time.Time { return reachOf(i.Hours, i.FetchedAt) }

func reachOf(hours []Hour, now time.Time) time.Time {
	var reach time.Time
	for k := range hours {
		h := &hours[k]
		if h.At.Sub(reach) > longestGap && !reach.Before(now.Add(-longestGap)) {
			return reach
		}
		if h.AirTempC != nil && h.WindMS != nil && (h.DewPointC != nil || h.RelHumidity != nil) {
			reach = h.At
		}
	}
	return reach
}

// longestGap is how long a hole in the hours may be before the horizon ends.
const longestGap = 6 * time.Hour

// How far the hours of an issue may lie from its fetching, and its own time
// ahead of our clock.
const (
	mostPast    = 94 * 24 * time.Hour
	mostAhead   = 17 * 24 * time.Hour
	issueAhead  = 10 * time.Minute
	seamStepC   = 8.0 // an hour's step that no front makes is two models joined; common practice, no source
	hoursAtMost = int((mostPast + mostAhead) / time.Hour)
)

// Check refuses the issue when its structure is wrong, puts its hours in order,
// and drops or clamps single values by the range table. A refusal is an
// [*Error] that is worth another try.
func (i *Issue) Check() error {
	if err := i.checkStructure(); err != nil {
		return &Error{Retry: true, Reason: "unusable answer", Err: err}
	}
	for k := range i.Hours {
		i.Hours[k].check()
		i.Hours[k].checkNight(i.Cell.Latitude, i.Cell.Longitude)
		if k > 0 {
			i.Hours[k].checkSeam(&i.Hours[k-1])
		}
	}
	switch reach := i.Reach(); {
	case i.Observed || i.Partial || reach.After(i.FetchedAt.Add(-time.Hour)):
	case reach.IsZero():
		return &Error{Retry: true, Reason: "no weather ahead", Err: errors.New("no hour is complete")}
	default:
		return &Error{Retry: true, Reason: "no weather ahead", Err: fmt.Errorf("complete hours reach to %s", reach.Format(time.RFC3339))}
	}
	return nil
}

func (i *Issue) checkStructure() error {
	i.Hours = slices.DeleteFunc(i.Hours, func(h Hour) bool { return h.empty() })
	switch {
	case len(i.Hours) == 0:
		return errors.New("no hours")
	case len(i.Hours) > hoursAtMost:
		return fmt.Errorf("%d hours, more than %d", len(i.Hours), hoursAtMost)
	case i.IssuedAt.After(i.FetchedAt.Add(issueAhead)):
		return fmt.Errorf("issued at %s, after it was fetched", i.IssuedAt.Format(time.RFC3339))
	case i.FetchedAt.Sub(i.IssuedAt) > mostPast:
		return fmt.Errorf("issued at %s, too long before it was fetched", i.IssuedAt.Format(time.RFC3339))
	}
	if math.Abs(i.Cell.Latitude) > 90 || math.Abs(i.Cell.Longitude) > 180 {
		return fmt.Errorf("cell at %g, %g", i.Cell.Latitude, i.Cell.Longitude)
	}
	for _, h := range i.Hours {
		switch ahead := h.At.Sub(i.FetchedAt); {
		case !h.At.Equal(h.At.Truncate(time.Hour)):
			return fmt.Errorf("%s is no full hour", h.At.Format(time.RFC3339))
		case ahead > mostAhead || -ahead > mostPast:
			return fmt.Errorf("hour %s is out of reach", h.At.Format(time.RFC3339))
		}
	}
	slices.SortStableFunc(i.Hours, func(a, b Hour) int { return a.At.Compare(b.At) })
	return i.dropTwins()
}

// dropTwins drops an hour given twice with the same values and refuses one given
// twice with different ones.
func (i *Issue) dropTwins() error {
	kept := i.Hours[:1]
	for _, h := range i.Hours[1:] {
		last := &kept[len(kept)-1]
		if !h.At.Equal(last.At) {
			kept = append(kept, h)
			continue
		}
		if !same(last, &h) {
			return fmt.Errorf("hour %s is given twice with different values", h.At.Format(time.RFC3339))
		}
	}
	i.Hours = kept
	return nil
}

// empty reports whether nothing is known of an hour.
func (h *Hour) empty() bool {
	for k := range members {
		if *members[k].of(h) != nil {
			return false
		}
	}
	return h.PrecipType == "" && len(h.SoilTemps) == 0
}

func same(a, b *Hour) bool {
	for k := range members {
		pa, pb := *members[k].of(a), *members[k].of(b)
		if (pa == nil) != (pb == nil) || pa != nil && *pa != *pb {
			return false
		}
	}
	return a.PrecipType == b.PrecipType && slices.Equal(a.SoilTemps, b.SoilTemps)
}

// Verify reports what an issue must never have once it was checked: hours out of
// order, and values outside the range table. It is for the tests of sources.
func (i *Issue) Verify() error {
	for k := range i.Hours {
		h := &i.Hours[k]
		if !h.At.Equal(h.At.Truncate(time.Hour)) || k > 0 && !h.At.After(i.Hours[k-1].At) {
			return fmt.Errorf("hour %s is out of order", h.At)
		}
		for m := range members {
			high := members[m].high
			if members[m].clampTo != 0 {
				high = members[m].clampTo
			}
			if v := *members[m].of(h); v != nil && !(*v >= members[m].low && *v <= high) {
				return fmt.Errorf("%s is %g at %s", members[m].name, *v, h.At)
			}
		}
	}
	return nil
}
