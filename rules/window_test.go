package rules

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// TestWindowsAgreeWithFullAssessments compares the quick verdict of candidate
// starts with a full assessment of the pour moved there, over a typical winter.
func TestWindowsAgreeWithFullAssessments(t *testing.T) {
	t.Parallel()
	agree, all, worse := 0, 0, 0
	for _, y := range typicalYears {
		hours := typicalWinter(t, y.file, y.offset)
		for day := time.Date(2025, 11, 1, 7, 30, 0, 0, time.UTC); day.Before(time.Date(2026, 3, 25, 0, 0, 0, 0, time.UTC)); day = day.AddDate(0, 0, 8) {
			c := winterPour(y.site, day.Add(-y.offset))
			c.Pour.Mix.Admixtures = []Admixture{{Kind: "nonchloride_accelerator", DosePct: 1.41}}
			c.Pour.PlacedTempC = new(17.0)
			now := int(c.Pour.StartsAt.Sub(hours[0].At).Hours())
			c.Weather = hours[max(0, now-30*24):min(len(hours), now+7*24)]
			var starts []time.Time
			for _, h := range []int{3, 24, 51, 72, 96} {
				starts = append(starts, c.Pour.StartsAt.Add(time.Duration(h)*time.Hour))
			}
			for i, w := range Assess(c, Options{Starts: starts}).Windows {
				require.Equal(t, starts[i], w.StartsAt)
				moved := c
				moved.Pour.StartsAt, moved.Pour.Crew.DayEndsAt = starts[i], c.Pour.Crew.DayEndsAt.AddDate(0, 0, i)
				full := Assess(moved, Options{})
				all++
				switch full.Verdict {
				case w.Verdict:
					agree++
				case Move:
					worse++
				}
			}
		}
	}
	t.Logf("%d of %d windows agree with the full assessment; %d are called fit that it would move", agree, all, worse)
	require.GreaterOrEqual(t, float64(agree)/float64(all), 0.90)
	require.LessOrEqual(t, float64(worse)/float64(all), 0.01)
}

func TestWindowsBeyondTheWeatherAreUnscored(t *testing.T) {
	c := demoCase()
	beyond := demoStart.AddDate(0, 0, 6)
	a := Assess(c, Options{Starts: []time.Time{demoStart.AddDate(0, 0, 1), beyond}})
	require.Len(t, a.Windows, 2)
	require.NotEqual(t, Unscored, a.Windows[0].Verdict)
	require.Equal(t, Unscored, a.Windows[1].Verdict)
	require.GreaterOrEqual(t, a.Windows[1].Cost, costMove)
}

// TestBetterDaysCostLess: a thaw after a cold spell is the cheaper window. Common
// practice, no source.
func TestBetterDaysCostLess(t *testing.T) {
	start := time.Date(2026, 1, 20, 14, 0, 0, 0, time.UTC)
	c := winterPour(Site{Latitude: 41, Longitude: -88, Timezone: "America/Chicago"}, start)
	c.Weather = mildHours(start.AddDate(0, 0, -10), 17*24)
	for i := range c.Weather {
		if c.Weather[i].At.Before(start.AddDate(0, 0, 1)) {
			*c.Weather[i].AirTempC -= 27
			*c.Weather[i].DewPointC = *c.Weather[i].AirTempC - 4
		}
	}
	a := Assess(c, Options{Starts: []time.Time{start, start.AddDate(0, 0, 5)}})
	require.Equal(t, Move, a.Verdict)
	require.Equal(t, Move, a.Windows[0].Verdict)
	require.NotEqual(t, Move, a.Windows[1].Verdict, a.Windows[1].Worst)
	require.Less(t, a.Windows[1].Cost, a.Windows[0].Cost)
}
