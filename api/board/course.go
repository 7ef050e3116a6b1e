package board

import (
	"time"

	"frostgate/rules"
)

// A course is the run that people act by: under the protection that is asked for, else as planned.
type course struct {
	rules.Timeline
	temperatures []rules.TempRow
	strength     []rules.StrengthRow
	coldestC     *float64        // before the first strength
	bare         []rules.TempRow // the same without the protection asked for; nil when none is
	firstMPa     float64
	batch        *rules.Batch  // the order for it
	chance       *rules.Chance // of it; nil when no members were computed
}

func courseOf(a *rules.Assessment) course {
	c := course{
		Timeline: a.Timeline, temperatures: a.Temperatures, strength: a.Strength, coldestC: a.MinTempBeforeCriticalC, firstMPa: a.CriticalMPa,
		batch: a.Batch, chance: a.Chance,
	}
	if p := a.Protected; p != nil && len(p.Temperatures) > 0 {
		c.Timeline, c.temperatures, c.strength, c.coldestC = p.Timeline, p.Temperatures, p.Strength, p.MinTempBeforeCriticalC
		c.bare = a.Temperatures
		c.chance = p.Chance
		if p.Batch != nil {
			c.batch = p.Batch
		}
	}
	return c
}

// asked says that the hours hold only with what is asked for.
func (c course) asked() string {
	if c.bare == nil {
		return ""
	}
	return "With the protection asked for. "
}

// span is from the day before placing to half a day after the release, within what is known.
func (c course) span(a *rules.Assessment) (from, until time.Time) {
	from = c.StartsAt
	if len(a.WeatherBefore) > 0 {
		from = a.WeatherBefore[0].At
	}
	if a.Ground != nil && len(a.Ground.Series) > 0 && a.Ground.Series[0].At.Before(from) {
		from = a.Ground.Series[0].At
	}
	if day := c.StartsAt.Add(-24 * time.Hour); from.Before(day) {
		from = day
	}
	until = c.temperatures[len(c.temperatures)-1].At
	if release := c.release(a); release != nil && release.Add(12*time.Hour).Before(until) {
		until = release.Add(12 * time.Hour)
	}
	if !until.After(from) {
		until = from.Add(time.Hour)
	}
	return from, until
}

// release is when the protection comes off: at the end planned for it, not before the required one.
func (c course) release(a *rules.Assessment) *time.Time {
	if p := a.Protection; p != nil && p.OffAt != nil {
		return p.OffAt
	}
	return c.ProtectUntilAt
}
