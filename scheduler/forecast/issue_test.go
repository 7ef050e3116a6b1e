package forecast_test

import (
	"math"
	"testing"
	"time"

	"frostgate/rules"
	"frostgate/scheduler/forecast"

	"github.com/stretchr/testify/require"
)

// fetched is a January evening in Chicago.
var fetched = time.Date(2027, 1, 14, 23, 20, 0, 0, time.UTC)

// issue has 72 plain hours around fetched.
func issue() *forecast.Issue {
	i := &forecast.Issue{
		Source: "test", Cell: forecast.Cell{Key: "a", Latitude: 42, Longitude: -88},
		IssuedAt: fetched.Add(-time.Hour), FetchedAt: fetched,
	}
	for k := -24; k < 48; k++ {
		i.Hours = append(i.Hours, forecast.Hour{
			Hour: rules.Hour{
				At:       fetched.Truncate(time.Hour).Add(time.Duration(k) * time.Hour),
				AirTempC: new(-4.0), DewPointC: new(-8.0), WindMS: new(3.0), GustMS: new(6.0), Cloud: new(0.5),
				ShortwaveWm2: new(0.0), PrecipMM: new(0.0), PrecipType: "none",
			},
			RelHumidity: new(0.7),
		})
	}
	return i
}

func TestRangeTableDropsSingleValues(t *testing.T) {
	// Hour 30 lies in the night, hour 40 at noon.
	for name, tc := range map[string]struct {
		hour  int
		spoil func(*forecast.Hour)
		value func(*forecast.Hour) *float64
		group forecast.Group
		want  *float64
		flag  forecast.Flag
	}{
		"200 C":             {30, func(h *forecast.Hour) { h.AirTempC = new(200.0) }, func(h *forecast.Hour) *float64 { return h.AirTempC }, forecast.Temperature, nil, forecast.Dropped},
		"2977 F":            {30, func(h *forecast.Hour) { h.AirTempC = new((2977 - 32) / 1.8) }, func(h *forecast.Hour) *float64 { return h.AirTempC }, forecast.Temperature, nil, forecast.Dropped},
		"-999":              {30, func(h *forecast.Hour) { h.WindMS = new(-999.0) }, func(h *forecast.Hour) *float64 { return h.WindMS }, forecast.Wind, nil, forecast.Dropped},
		"9999":              {30, func(h *forecast.Hour) { h.PrecipMM = new(9999.0) }, func(h *forecast.Hour) *float64 { return h.PrecipMM }, forecast.Precipitation, nil, forecast.Dropped},
		"NaN":               {30, func(h *forecast.Hour) { h.Cloud = new(math.NaN()) }, func(h *forecast.Hour) *float64 { return h.Cloud }, forecast.Sky, nil, forecast.Dropped},
		"Inf":               {30, func(h *forecast.Hour) { h.ShortwaveWm2 = new(math.Inf(1)) }, func(h *forecast.Hour) *float64 { return h.ShortwaveWm2 }, forecast.Sky, nil, forecast.Dropped},
		"humidity 1.4":      {30, func(h *forecast.Hour) { h.RelHumidity = new(1.4) }, func(h *forecast.Hour) *float64 { return h.RelHumidity }, forecast.Temperature, nil, forecast.Dropped},
		"humidity 1.03":     {30, func(h *forecast.Hour) { h.RelHumidity = new(1.03) }, func(h *forecast.Hour) *float64 { return h.RelHumidity }, forecast.Temperature, new(1.0), forecast.Clamped},
		"cloud -1":          {30, func(h *forecast.Hour) { h.Cloud = new(-1.0) }, func(h *forecast.Hour) *float64 { return h.Cloud }, forecast.Sky, nil, forecast.Dropped},
		"sun at night":      {30, func(h *forecast.Hour) { h.ShortwaveWm2 = new(300.0) }, func(h *forecast.Hour) *float64 { return h.ShortwaveWm2 }, forecast.Sky, new(0.0), forecast.Clamped},
		"sun at noon":       {40, func(h *forecast.Hour) { h.ShortwaveWm2 = new(300.0) }, func(h *forecast.Hour) *float64 { return h.ShortwaveWm2 }, forecast.Sky, new(300.0), forecast.Native},
		"gust below wind":   {30, func(h *forecast.Hour) { h.GustMS = new(1.0) }, func(h *forecast.Hour) *float64 { return h.GustMS }, forecast.Wind, nil, forecast.Dropped},
		"dew above air":     {30, func(h *forecast.Hour) { h.DewPointC = new(-3.0) }, func(h *forecast.Hour) *float64 { return h.DewPointC }, forecast.Temperature, nil, forecast.Dropped},
		"dew a little over": {30, func(h *forecast.Hour) { h.DewPointC = new(-3.7) }, func(h *forecast.Hour) *float64 { return h.DewPointC }, forecast.Temperature, new(-3.7), forecast.Native},
		"jump of 25 K":      {30, func(h *forecast.Hour) { h.AirTempC = new(21.0) }, func(h *forecast.Hour) *float64 { return h.AirTempC }, forecast.Temperature, new(21.0), forecast.Seam},
		"soil at 90 C": {30, func(h *forecast.Hour) { h.SoilTemps = []forecast.SoilTemp{{0, 0.1, 90}} }, func(h *forecast.Hour) *float64 {
			if h.SoilTemps != nil {
				return new(h.SoilTemps[0].TempC)
			}
			return nil
		}, forecast.Ground, nil, forecast.Dropped},
	} {
		t.Run(name, func(t *testing.T) {
			i := issue()
			i.Hours[tc.hour].Flags.SetAll(forecast.Native)
			tc.spoil(&i.Hours[tc.hour])
			require.NoError(t, i.Check())
			require.Equal(t, tc.want, tc.value(&i.Hours[tc.hour]))
			require.True(t, i.Hours[tc.hour].Flags.Has(tc.group, tc.flag))
			require.Len(t, i.Hours, 72)
			require.NotNil(t, i.Hours[tc.hour+2].AirTempC, "other hours stay")
		})
	}
}

func TestStructureIsRefusedWhole(t *testing.T) {
	for name, spoil := range map[string]func(*forecast.Issue){
		"no hours":             func(i *forecast.Issue) { i.Hours = nil },
		"half hour":            func(i *forecast.Issue) { i.Hours[3].At = i.Hours[3].At.Add(30 * time.Minute) },
		"a year ahead":         func(i *forecast.Issue) { i.Hours[71].At = fetched.Truncate(time.Hour).AddDate(1, 0, 0) },
		"year 1970":            func(i *forecast.Issue) { i.Hours[0].At = time.Unix(0, 0) },
		"issued in the future": func(i *forecast.Issue) { i.IssuedAt = fetched.Add(11 * time.Minute) },
		"issued in the year 0": func(i *forecast.Issue) { i.IssuedAt = time.Date(0, 1, 1, 0, 0, 0, 0, time.FixedZone("", 5*3600)) },
		"twice, differently":   func(i *forecast.Issue) { i.Hours[5].At = i.Hours[4].At; i.Hours[5].AirTempC = new(1.0) },
		"cell off the globe":   func(i *forecast.Issue) { i.Cell.Latitude = 91 },
		"too many hours": func(i *forecast.Issue) {
			for range 3000 {
				i.Hours = append(i.Hours, i.Hours[0])
			}
		},
		"nothing ahead": func(i *forecast.Issue) { i.Hours = i.Hours[:20] },
		"no temperature": func(i *forecast.Issue) {
			for k := range i.Hours {
				i.Hours[k].AirTempC = nil
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			i := issue()
			spoil(i)
			var fault *forecast.Error
			require.ErrorAs(t, i.Check(), &fault)
			require.True(t, fault.Retry)
		})
	}
}

func TestOrderAndTwins(t *testing.T) {
	i := issue()
	i.Hours[3], i.Hours[50] = i.Hours[50], i.Hours[3]
	i.Hours = append(i.Hours, i.Hours[10])
	require.NoError(t, i.Check())
	require.Len(t, i.Hours, 72)
	for k := 1; k < len(i.Hours); k++ {
		require.Equal(t, time.Hour, i.Hours[k].At.Sub(i.Hours[k-1].At))
	}
}

func TestReachIsShortWhereWeatherIsShort(t *testing.T) {
	hour := func(k int) time.Time { return fetched.Truncate(time.Hour).Add(time.Duration(k-24) * time.Hour) }
	for name, tc := range map[string]struct {
		cut  func(*forecast.Issue)
		want time.Time
	}{
		"whole":                    {func(*forecast.Issue) {}, hour(71)},
		"1 h missing ahead":        {func(i *forecast.Issue) { i.Hours = append(i.Hours[:40], i.Hours[41:]...) }, hour(71)},
		"12 h missing ahead":       {func(i *forecast.Issue) { i.Hours = append(i.Hours[:40], i.Hours[52:]...) }, hour(39)},
		"12 h missing in the past": {func(i *forecast.Issue) { i.Hours = append(i.Hours[:2], i.Hours[14:]...) }, hour(71)},
		"first 12 h missing":       {func(i *forecast.Issue) { i.Hours = i.Hours[12:] }, hour(71)},
		"end missing":              {func(i *forecast.Issue) { i.Hours = i.Hours[:60] }, hour(59)},
		"no wind at the end": {func(i *forecast.Issue) {
			for k := 45; k < 72; k++ {
				i.Hours[k].WindMS = nil
			}
		}, hour(44)},
	} {
		t.Run(name, func(t *testing.T) {
			i := issue()
			tc.cut(i)
			require.NoError(t, i.Check())
			require.Equal(t, tc.want, i.Reach())
		})
	}
}

func TestFlagsFitASignedColumn(t *testing.T) {
	var f forecast.Flags
	f.SetAll(forecast.Seam)
	f.Set(forecast.Pressure, forecast.Seam)
	require.True(t, f.Has(forecast.Pressure, forecast.Seam))
	require.False(t, f.Has(forecast.Pressure, forecast.Dropped))
	require.Positive(t, int64(f))
}
