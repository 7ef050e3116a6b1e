package rules

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// daysOf is hourly weather from daily highs and lows in degrees F, midnight to
// midnight in a zone: the low at 5:00, the high at 15:00, the mean of both at
// midnight.
func daysOf(zone *time.Location, first time.Time, days ...[2]float64) []Hour {
	var list []Hour
	y, m, d := first.Date()
	for i, day := range days {
		end := time.Date(y, m, d+i+1, 0, 0, 0, 0, zone)
		for at := time.Date(y, m, d+i, 0, 0, 0, 0, zone); at.Before(end); at = at.Add(time.Hour) {
			f := (day[0] + day[1]) / 2
			switch at.Hour() {
			case 5:
				f = day[1]
			case 15:
				f = day[0]
			}
			list = append(list, Hour{At: at.UTC().Truncate(time.Hour), AirTempC: new(celsius(f))})
		}
	}
	last := days[len(days)-1]
	end := time.Date(y, m, d+len(days), 0, 0, 0, 0, zone)
	return append(list, Hour{At: end.UTC().Truncate(time.Hour), AirTempC: new(celsius((last[0] + last[1]) / 2))})
}

var (
	januaryFirst = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	chicago      = mustZone("America/Chicago")
)

func mustZone(name string) *time.Location {
	zone, err := zoneOf(name)
	if err != nil {
		panic(err)
	}
	return zone
}

// seasonOn is the season of a pour at 7:00 on a day, counted from 1, of the
// weather.
func seasonOn(t *testing.T, day int, days ...[2]float64) ColdWeather {
	t.Helper()
	c := with(demoCase(), noAccelerator) // three days of protection
	c.Weather = daysOf(chicago, januaryFirst, days...)
	c.Pour.StartsAt = time.Date(2026, 1, day, 7, 0, 0, 0, chicago)
	c.Pour.BatchedAt, c.Pour.Crew.DayEndsAt, c.Pour.Protection = time.Time{}, time.Time{}, nil
	return jobOf(t, c).coldWeather()
}

var (
	cold = []([2]float64){{42, 28}, {40, 26}, {44, 30}, {43, 29}} // means 35, 33, 37, 36 F
	mild = [2]float64{58, 44}
)

// TestMildDaysWithAColdNight: highs and lows of 50/34, 52/35 and 55/36 F (means 42
// to 45.5) with 34 F to come are not cold weather by ACI 306R-88 and 306.1-90, and
// are by ACI 306R-16.
func TestMildDaysWithAColdNight(t *testing.T) {
	w := seasonOn(t, 4, [2]float64{50, 34}, [2]float64{52, 35}, [2]float64{55, 36}, [2]float64{54, 41}, [2]float64{52, 34}, mild, mild, mild)
	require.False(t, *w.ThreeDay)
	require.True(t, *w.Protection)
}

// TestFourthColdDay: more than three successive days with a mean below 40 F.
func TestFourthColdDay(t *testing.T) {
	all := append([][2]float64{mild}, cold...)
	all = append(all, mild, mild, mild, mild)
	require.True(t, *seasonOn(t, 5, all...).ThreeDay)
	require.True(t, *seasonOn(t, 5, all...).Protection)
	third := seasonOn(t, 4, all...)
	require.False(t, *third.ThreeDay, "the third cold day is not yet cold weather")
	require.True(t, *third.Protection)
}

// TestExactlyFortyIsNotCold: both definitions need air below 40 F.
func TestExactlyFortyIsNotCold(t *testing.T) {
	at40 := [2]float64{40, 40}
	w := seasonOn(t, 5, at40, at40, at40, at40, at40, at40, at40, at40, at40)
	require.False(t, *w.ThreeDay)
	require.False(t, *w.Protection)
}

// TestMeanOfHighAndLowCounts: one warm hour lifts the mean of a day (ACI 306.1-90)
// that the mean of its hours leaves cold.
func TestMeanOfHighAndLowCounts(t *testing.T) {
	days := append(append([][2]float64{}, cold...), cold...)
	require.True(t, *seasonOn(t, 4, days...).ThreeDay)
	days[2] = [2]float64{52, 30} // mean of both 41 F
	c := with(demoCase(), noAccelerator)
	c.Weather = daysOf(chicago, januaryFirst, days...)
	for i := 49; i < 71; i++ {
		if c.Weather[i].At.In(chicago).Hour() != 15 {
			c.Weather[i].AirTempC = new(celsius(30))
		}
	}
	c.Pour.StartsAt = time.Date(2026, 1, 4, 7, 0, 0, 0, chicago)
	c.Pour.BatchedAt, c.Pour.Crew.DayEndsAt, c.Pour.Protection = time.Time{}, time.Time{}, nil
	require.False(t, *jobOf(t, c).coldWeather().ThreeDay)
}

// TestColdWeatherEndsWithHalfAWarmDay: it ends when air is above 50 F for more than
// half of any 24 h (ACI 306.1-90), and a mild day alone does not end it.
func TestColdWeatherEndsWithHalfAWarmDay(t *testing.T) {
	days := append(append([][2]float64{}, cold...), [2]float64{48, 36}, [2]float64{48, 36}, [2]float64{48, 36}, [2]float64{48, 36}, [2]float64{48, 36})
	require.True(t, *seasonOn(t, 6, days...).ThreeDay)
	days[4] = [2]float64{60, 44} // 52 F but for two hours
	require.False(t, *seasonOn(t, 6, days...).ThreeDay)
}

func TestSeasonUnknown(t *testing.T) {
	w := seasonOn(t, 2, [2]float64{45, 42}, [2]float64{45, 42})
	require.Nil(t, w.ThreeDay, "two days cannot tell")
	require.Nil(t, w.Protection, "the weather ends within the protection period")
	w = seasonOn(t, 2, [2]float64{45, 42}, [2]float64{45, 39})
	require.Nil(t, w.ThreeDay)
	require.Nil(t, w.Protection, "the cold hour came before the start")
	w = seasonOn(t, 2, [2]float64{45, 42}, [2]float64{45, 42}, [2]float64{45, 39})
	require.True(t, *w.Protection)
}

// TestDaysOfDaylightSaving: a day of 25 hours ends at its own midnight, and so
// does one of 23 (America/Chicago, 1 November and 8 March 2026, IANA).
func TestDaysOfDaylightSaving(t *testing.T) {
	for _, x := range []struct {
		day   time.Time
		hours int
	}{
		{time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC), 25},
		{time.Date(2026, 3, 8, 0, 0, 0, 0, time.UTC), 23},
	} {
		c := demoCase()
		c.Weather = daysOf(chicago, x.day.AddDate(0, 0, -1), [2]float64{50, 40}, [2]float64{50, 40}, [2]float64{50, 40}, [2]float64{50, 40})
		y, m, d := x.day.Date()
		lastHour := time.Date(y, m, d, 23, 0, 0, 0, chicago)
		for i := range c.Weather {
			if c.Weather[i].At.Equal(lastHour) {
				c.Weather[i].AirTempC = new(celsius(10))
			}
		}
		c.Pour.StartsAt = time.Date(y, m, d, 9, 0, 0, 0, chicago)
		c.Pour.BatchedAt, c.Pour.Crew.DayEndsAt, c.Pour.Protection = time.Time{}, time.Time{}, nil
		j := jobOf(t, c)
		from, to := j.midnight(c.Pour.StartsAt, 0), j.midnight(c.Pour.StartsAt, 1)
		require.Equal(t, x.hours, int(to.Sub(from).Hours()))
		require.InDelta(t, 10, fahrenheit(j.dayRange(from, to).lowC), 1e-9)
		require.InDelta(t, 40, fahrenheit(j.dayRange(to, j.midnight(c.Pour.StartsAt, 2)).lowC), 1e-9)
	}
}

// TestHalfHourZone: midnight in India lies between two hours of the weather; the
// hour before it belongs to the day before.
func TestHalfHourZone(t *testing.T) {
	c := with(demoCase(), func(c *Case) { c.Site.Timezone, c.Pour.Protection = "Asia/Kolkata", nil })
	j := jobOf(t, c)
	from := j.midnight(c.Pour.StartsAt, 1)
	i, _ := j.wx.index(from)
	j.wx.hours[i].airC = -60
	require.Greater(t, j.dayRange(from, j.midnight(c.Pour.StartsAt, 2)).lowC, -60.0)
	require.Equal(t, -60.0, j.dayRange(j.midnight(c.Pour.StartsAt, 0), from).lowC)
}

func TestSeasonFinding(t *testing.T) {
	c := under(dipTo(50, 34, 20))
	c.Pour.Mix.Admixtures = nil
	f := jobOf(t, c).seasonColdWeather()
	require.Len(t, f, 1)
	require.Equal(t, Note, f[0].Effect)
	require.Equal(t, "A1-04", f[0].Source.ID)
	require.Equal(t, "Cold weather: air of 34 °F on Wed 3:00 a.m., below 40 °F within the protection period.", f[0].Sentence)
	require.Equal(t, demoStart.Add(20*time.Hour), f[0].FirstAt.UTC())
	require.Empty(t, jobOf(t, under(steady(41))).seasonColdWeather())
}
