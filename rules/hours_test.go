package rules

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// TestAirBandIsThatOfTheMembers holds the band of the hourly rows against the
// members that the chance is drawn from, by hour and lead: with the prior, and
// with a spread of the source's own.
func TestAirBandIsThatOfTheMembers(t *testing.T) {
	for _, own := range []float64{0, 3} {
		c := demoCase()
		c.AssessedAt = demoStart
		if own > 0 {
			for i := range c.Weather {
				c.Weather[i].AirTempSDC = &own
			}
		}
		j, reason := newJob(c, Options{})
		require.Empty(t, reason)
		members, _ := drawMembers(&j.wx, c.AssessedAt, 4001, 11)
		rows := Assess(c, Options{}).Temperatures
		require.Greater(t, len(rows), 100)
		for _, h := range []int{0, 6, 24, 48, 100} {
			errors := make([]float64, len(members))
			for k := range members {
				errors[k] = members[k].airC[h]
			}
			slices.Sort(errors)
			r := &rows[h]
			require.InDelta(t, errors[len(errors)/10], *r.AirP10C-r.AirC, 0.25, "hour %d", h)
			require.InDelta(t, errors[len(errors)*9/10], *r.AirP90C-r.AirC, 0.25, "hour %d", h)
			if own > 0 {
				require.InDelta(t, own*1.2816, *r.AirP90C-r.AirC, 1e-3, "90 percent quantile of the normal distribution")
			}
		}
	}
}

// TestHourlyRainAndSnow: what falls is in the row of its hour, snow apart, and an
// hour of which nothing is known says nothing.
func TestHourlyRainAndSnow(t *testing.T) {
	c := demoCase()
	c.Weather[2].PrecipMM, c.Weather[2].PrecipType = new(1.2), "snow"
	c.Weather[3].PrecipMM, c.Weather[3].PrecipType = new(0.4), "rain"
	c.Weather[4].PrecipMM = nil
	rows := Assess(c, Options{}).Temperatures
	require.InDelta(t, 1.2, *rows[2].PrecipMM, 0)
	require.InDelta(t, 1.2, *rows[2].SnowMM, 0)
	require.InDelta(t, 0.4, *rows[3].PrecipMM, 0)
	require.Zero(t, *rows[3].SnowMM)
	require.Nil(t, rows[4].PrecipMM)
	require.Nil(t, rows[4].SnowMM)
	require.Zero(t, *rows[5].PrecipMM)
}

// TestWeatherBeforePlacing: the day before has the air that was given, by the hour up to the start, with little spread over
// what is past and the prior's over what is to come: 2.1 °C half a day ahead, as measured for winter lows.
func TestWeatherBeforePlacing(t *testing.T) {
	c := demoCase()
	c.Pour.Base.Temps = nil
	first := c.Weather[0]
	var past []Hour
	for h := -48; h < 0; h++ {
		past = append(past, first)
		past[len(past)-1].At, past[len(past)-1].AirTempC = c.Weather[0].At.Add(time.Duration(h)*time.Hour), new(float64(h)/10)
	}
	c.Weather = append(past, c.Weather...)
	c.AssessedAt = demoStart.Add(-12 * time.Hour)
	rows := Assess(c, Options{}).WeatherBefore
	require.Len(t, rows, 24)
	require.Equal(t, demoStart.Add(-24*time.Hour).UTC(), rows[0].At.UTC())
	require.Equal(t, demoStart.Add(-time.Hour).UTC(), rows[23].At.UTC())
	for i, r := range rows {
		require.InDelta(t, float64(i-24)/10, r.AirC, 1e-3)
	}
	require.Less(t, rows[6].AirC-*rows[6].AirP10C, 1.0, "what is past is known but for what a nearby station is off by")
	require.InDelta(t, 1.2816*2.1, *rows[23].AirP90C-rows[23].AirC, .8)
	require.Empty(t, Assess(demoCase(), Options{}).WeatherBefore, "nothing is known of the day before")
}
