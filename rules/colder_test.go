package rules

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// TestColderThanForecast: what 5 F of colder air does is what the same pour in such
// weather comes to, and it never sets sooner; nothing is said once the top has set.
func TestColderThanForecast(t *testing.T) {
	c := with(with(demoCase(), noAccelerator), func(c *Case) { // nothing to order for
		c.Pour.Crew.Lights, c.Pour.Crew.DayEndsAt = true, demoStart.Add(18*time.Hour)
		c.Pour.PlacedTempC, c.Pour.Plant.AcceleratorOK = new(24.0), new(false)
		c.Firm.Calibration.SetFactor = 0.7 // before the blankets come
	})
	a := Assess(c, Options{})
	colder := c
	colder.Weather = demoHours(150, -5)
	b := Assess(colder, Options{})
	x := a.IfColder
	require.NotNil(t, x)
	require.InDelta(t, 5/1.8, x.ByC, 1e-9)
	require.InDelta(t, b.Timeline.InitialSetAt.Sub(*a.Timeline.InitialSetAt).Hours(), *x.InitialSetH, 0.05)
	require.InDelta(t, b.Timeline.FinalSetAt.Sub(*a.Timeline.FinalSetAt).Hours(), *x.FinalSetH, 0.1)
	require.InDelta(t, b.Timeline.CriticalStrengthAt.Sub(*a.Timeline.CriticalStrengthAt).Hours(), *x.CriticalStrengthH, 0.5)
	require.Positive(t, *x.FinalSetH)
	require.GreaterOrEqual(t, *x.FinalSetH, *x.InitialSetH)
	require.Contains(t, x.Sentence, "5 °F colder")
	require.NotContains(t, x.Sentence, "..")

	c.AssessedAt = a.Timeline.FinalSetAt.Add(time.Minute)
	require.Nil(t, Assess(c, Options{}).IfColder)
	wall := with(demoCase(), func(c *Case) { c.Pour.Element, c.Pour.HeightMM, c.Pour.LengthMM = Wall, 2400, 10000 })
	require.Contains(t, Assess(wall, Options{}).IfColder.Sentence, "it sets")
}
