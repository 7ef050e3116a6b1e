package scheduler

import (
	"slices"
	"time"

	"frostgate/db"
	"frostgate/rules"
)

// orderTime is what it takes to get concrete, a crew and a pump for a start. CAL.
const orderTime = 4 * time.Hour

// startsFor are the starts that the engine is asked about beside the planned
// one: those that are worth looking at and that the crew can keep. A pour that
// is in place has none.
func startsFor(in db.PourInput, c rules.Case) []time.Time {
	zone, err := time.LoadLocation(in.Site.Timezone)
	if err != nil || in.Pour.State != db.Planned {
		return nil
	}
	return slices.DeleteFunc(rules.CandidateStarts(c), func(start time.Time) bool {
		local := start.In(zone)
		return start.Before(c.AssessedAt.Add(orderTime)) || !works(in.Crew, local) || local.Before(dayMinute(local, in.Crew.DayStartsMin))
	})
}

// works reports whether a crew works on a day; one without any days named works
// on all.
func works(crew db.Crew, day time.Time) bool {
	weekday := int16((day.Weekday()+6)%7 + 1) //nolint:gosec // 1 to 7
	return len(crew.Days) == 0 || slices.Contains(crew.Days, weekday)
}
