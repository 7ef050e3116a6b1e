package metno_test

import (
	"encoding/json"
	"os"
	"strings"
	"testing"
	"time"

	"frostgate/rules"
	"frostgate/scheduler/forecast"
	"frostgate/scheduler/forecast/metno"

	"github.com/stretchr/testify/require"
)

// now lies in the first hour of the fixture.
var now = time.Date(2027, 1, 14, 23, 10, 0, 0, time.UTC)

var cell = forecast.Cell{Key: "60.10,9.58,200", Latitude: 60.1, Longitude: 9.58, ElevationM: 200}

func fixture(t testing.TB) string {
	t.Helper()
	body, err := os.ReadFile("testdata/complete.json")
	require.NoError(t, err)
	return string(body)
}

// The expected values are worked out by hand from the fixture: periods look
// ahead from their time, and the service's own extremes bound a step of six
// hours.
func TestStepsAreFilled(t *testing.T) {
	issue, err := metno.Read([]byte(fixture(t)), cell, now)
	require.NoError(t, err)
	require.Equal(t, time.Date(2027, 1, 14, 20, 34, 11, 0, time.UTC), issue.IssuedAt)
	require.Len(t, issue.Hours, 14, "23:00 to 12:00: the details of 18:00 are empty")
	for i, h := range issue.Hours {
		require.Equal(t, time.Date(2027, 1, 14, 23+i, 0, 0, 0, time.UTC), h.At)
	}
	require.Equal(t, time.Date(2027, 1, 15, 12, 0, 0, 0, time.UTC), issue.Reach())

	h := issue.Hours[0]
	require.Equal(t, rules.Hour{
		At: h.At, AirTempC: new(-5.8), DewPointC: new(-8.4), WindMS: new(6.0), GustMS: new(11.2), Cloud: new(1.0), ShortwaveWm2: new(0.0),
		PrecipMM: new(0.5), PrecipType: "snow", PrecipProb: h.PrecipProb, AirTempSDC: h.AirTempSDC, WindSDMS: h.WindSDMS,
	}, h.Hour)
	require.InDelta(t, 0.914, *h.PrecipProb, 1e-12)
	require.Equal(t, 1, h.PrecipProbWindowH)
	require.InDelta(t, 2.6/2.5632, *h.AirTempSDC, 1e-3, "80 % of a normal spread lie within 1.2816 deviations")
	require.InDelta(t, 2.1/2.5632, *h.WindSDMS, 1e-3)
	require.InDelta(t, 0.813, *h.RelHumidity, 1e-12)
	require.Equal(t, new(37.0), h.WindFromDeg)
	require.Equal(t, new(0.5), h.SnowfallSWEMM)
	require.Nil(t, h.PressurePa, "given at sea level only")
	require.Nil(t, h.SnowDepthM)

	first := issue.Hours[1] // 00:00, first of a step
	require.Equal(t, new(-6.0), first.AirTempC)
	require.Equal(t, new(2.0), first.WindMS, "its own")
	require.InDelta(t, 0.3, *first.PrecipMM, 1e-12, "1.8 mm over six hours")
	require.Equal(t, "sleet", first.PrecipType)
	require.Equal(t, 6, first.PrecipProbWindowH)
	require.Nil(t, first.GustMS)
	require.Nil(t, first.SnowfallSWEMM)

	third := issue.Hours[3] // 02:00: a third of the way
	require.InDelta(t, -11.0, *third.AirTempC, 1e-12, "two thirds of the way from -6 down to the lowest, -13.5")
	require.InDelta(t, -10.6, *third.DewPointC, 1e-12)
	require.Equal(t, new(5.0), third.WindMS, "the stronger end")
	require.InDelta(t, 0.64, *third.Cloud, 1e-12)
	require.InDelta(t, 0.3, *third.PrecipMM, 1e-12)
	require.True(t, third.Flags.Has(forecast.Temperature, forecast.Interpolated))
	require.True(t, third.Flags.Has(forecast.Wind, forecast.Held))
	require.True(t, third.Flags.Has(forecast.Precipitation, forecast.Spread))

	require.Equal(t, new(-13.5), issue.Hours[4].AirTempC, "the lowest in the middle")
	require.InDelta(t, -13.0, *issue.Hours[5].AirTempC, 1e-12, "a third of the way up to -12")
	require.InDelta(t, -9.0, *issue.Hours[10].AirTempC, 1e-12, "straight, where no end is undercut")

	last := issue.Hours[13]
	require.Equal(t, new(-6.0), last.AirTempC)
	require.Nil(t, last.PrecipMM, "nothing is known of what falls later")
	require.Empty(t, last.PrecipType)

	var total float64
	for _, h := range issue.Hours[1:13] {
		total += *h.PrecipMM
	}
	require.InDelta(t, 1.8, total, 1e-9)
}

// The compact product has no dew point: humidity gives it.
func TestCompactProduct(t *testing.T) {
	f := fixture(t)
	for _, gone := range []string{`"dew_point_temperature": -8.4, `, `"dew_point_temperature": -8.6, `, `"dew_point_temperature": -14.6, `, `"dew_point_temperature": -11.0, `} {
		require.Contains(t, f, gone)
		f = strings.Replace(f, gone, "", 1)
	}
	issue, err := metno.Read([]byte(f), cell, now)
	require.NoError(t, err)
	require.InDelta(t, -8.5, *issue.Hours[0].DewPointC, 0.2, "psychrometric table: -5.8 C at 81 % over water")
	require.True(t, issue.Hours[0].Flags.Has(forecast.Temperature, forecast.Derived))
	require.Equal(t, time.Date(2027, 1, 15, 12, 0, 0, 0, time.UTC), issue.Reach())
}

func TestSymbols(t *testing.T) {
	for symbol, want := range map[string]string{
		"lightsnow": "snow", "heavysnowshowersandthunder": "snow", "lightrainshowers_day": "rain", "heavyrainandthunder": "rain",
		"sleetshowers_polartwilight": "sleet", "lightsleet": "sleet", "fog": "unknown", "somethingnew": "unknown", "": "unknown",
	} {
		issue, err := metno.Read([]byte(strings.Replace(fixture(t), `"symbol_code": "snow"`, `"symbol_code": "`+symbol+`"`, 1)), cell, now)
		require.NoError(t, err)
		require.Equal(t, want, issue.Hours[0].PrecipType, symbol)
	}
	issue, err := metno.Read([]byte(strings.Replace(fixture(t), `"precipitation_amount": 0.5, `, "", 1)), cell, now)
	require.NoError(t, err)
	require.Nil(t, issue.Hours[0].PrecipMM)
	require.Equal(t, "snow", issue.Hours[0].PrecipType, "the symbol tells though no amount is given")
}

// What concerns one value leaves the rest.
func TestSingleValues(t *testing.T) {
	air := func(h *forecast.Hour) *float64 { return h.AirTempC }
	wind := func(h *forecast.Hour) *float64 { return h.WindMS }
	for name, tc := range map[string]struct {
		from, to string
		got      func(*forecast.Hour) *float64
		want     *float64
	}{
		"kelvin":          {`"air_temperature": "celsius"`, `"air_temperature": "kelvin"`, air, nil},
		"Fahrenheit":      {`"air_temperature": "celsius"`, `"air_temperature": "fahrenheit"`, air, new((-5.8 - 32) / 1.8)},
		"km/h":            {`"wind_speed": "m/s"`, `"wind_speed": "km/h"`, wind, new(6 / 3.6)},
		"knots":           {`"wind_speed": "m/s"`, `"wind_speed": "knots"`, wind, new(6 * 1.852 / 3.6)},
		"unknown unit":    {`"cloud_area_fraction": "%"`, `"cloud_area_fraction": "oktas"`, func(h *forecast.Hour) *float64 { return h.Cloud }, nil},
		"another's unit":  {`"precipitation_amount": "mm"`, `"precipitation_amount": "%"`, func(h *forecast.Hour) *float64 { return h.PrecipMM }, nil},
		"no unit":         {`"precipitation_amount": "mm", `, ``, func(h *forecast.Hour) *float64 { return h.PrecipMM }, nil},
		"null":            {`"wind_speed_of_gust": 11.2`, `"wind_speed_of_gust": null`, func(h *forecast.Hour) *float64 { return h.GustMS }, nil},
		"text":            {`"wind_speed_of_gust": 11.2`, `"wind_speed_of_gust": "11.2"`, func(h *forecast.Hour) *float64 { return h.GustMS }, nil},
		"boolean":         {`"wind_speed_of_gust": 11.2`, `"wind_speed_of_gust": true`, func(h *forecast.Hour) *float64 { return h.GustMS }, nil},
		"1e400":           {`"wind_speed_of_gust": 11.2`, `"wind_speed_of_gust": 1e400`, func(h *forecast.Hour) *float64 { return h.GustMS }, nil},
		"absurd":          {`"wind_speed_of_gust": 11.2`, `"wind_speed_of_gust": 9999`, func(h *forecast.Hour) *float64 { return h.GustMS }, nil},
		"gust below wind": {`"wind_speed_of_gust": 11.2`, `"wind_speed_of_gust": 2.0`, func(h *forecast.Hour) *float64 { return h.GustMS }, nil},
		"humidity 140":    {`"relative_humidity": 81.3`, `"relative_humidity": 140`, func(h *forecast.Hour) *float64 { return h.RelHumidity }, new(0.81)},
		"renamed":         {`"wind_speed_of_gust": 11.2`, `"gust": 11.2`, func(h *forecast.Hour) *float64 { return h.GustMS }, nil},
		"unknown member":  {`"wind_speed_of_gust": 11.2`, `"snow_depth": {"a": [1]}, "wind_speed_of_gust": 11.2`, func(h *forecast.Hour) *float64 { return h.GustMS }, new(11.2)},
	} {
		t.Run(name, func(t *testing.T) {
			require.Contains(t, fixture(t), tc.from)
			issue, err := metno.Read([]byte(strings.Replace(fixture(t), tc.from, tc.to, 1)), cell, now)
			if name == "kelvin" { // all below absolute winter: nothing complete is left
				require.ErrorContains(t, err, "no weather ahead")
				return
			}
			require.NoError(t, err)
			got := tc.got(&issue.Hours[0])
			if tc.want == nil {
				require.Nil(t, got)
			} else {
				require.InDelta(t, *tc.want, *got, 0.01)
			}
			require.NotNil(t, issue.Hours[0].WindFromDeg)
		})
	}
}

func TestBrokenAnswersAreRefused(t *testing.T) {
	f := fixture(t)
	swap := func(from, to string) string {
		require.Contains(t, f, from)
		return strings.Replace(f, from, to, 1)
	}
	for name, body := range map[string]string{
		"cut":                f[:len(f)/2],
		"text behind":        f + "error",
		"array":              "[" + f + "]",
		"no time of update":  swap(`"updated_at"`, `"updated"`),
		"future update":      swap("2027-01-14T20:34:11Z", "2027-01-14T23:21:00Z"),
		"no units":           swap(`"units"`, `"unit"`),
		"no series":          swap(`"timeseries": [`, `"timeseries": [], "was": [`),
		"null series":        swap(`"timeseries": [`, `"timeseries": null, "was": [`),
		"object for series":  swap(`"timeseries": [`, `"timeseries": {}, "was": [`),
		"half hour":          swap("2027-01-15T06:00:00Z", "2027-01-15T06:30:00Z"),
		"leap second":        swap("2027-01-15T06:00:00Z", "2027-01-15T05:59:60Z"),
		"24:00":              swap("2027-01-15T00:00:00Z", "2027-01-14T24:00:00Z"),
		"twice differently":  swap("2027-01-15T06:00:00Z", "2027-01-15T00:00:00Z"),
		"three degrees off":  swap("[9.58, 60.1, 200]", "[9.58, 63.1, 200]"),
		"order of axes":      swap("[9.58, 60.1, 200]", "[60.1, 9.58, 200]"),
		"no coordinates":     swap("[9.58, 60.1, 200]", "[]"),
		"another year":       strings.ReplaceAll(f, "2027-01", "2025-01"),
		"NaN":                swap(`"wind_speed": 6.0`, `"wind_speed": NaN`),
		"nested too deep":    swap(`"fog_area_fraction": 0.0`, `"fog_area_fraction": `+strings.Repeat("[", 100_000)+strings.Repeat("]", 100_000)),
		"array for details":  swap(`"details": {"air_pressure_at_sea_level": 1014.6,`, `"details": [], "was": {`),
		"number for summary": swap(`"summary": {"symbol_code": "snow"}`, `"summary": 3`),
	} {
		t.Run(name, func(t *testing.T) {
			_, err := metno.Read([]byte(body), cell, now)
			var fault *forecast.Error
			require.ErrorAs(t, err, &fault)
			require.True(t, fault.Retry)
		})
	}
}

func TestOrderAndTwinsAndGaps(t *testing.T) {
	var a map[string]any
	require.NoError(t, json.Unmarshal([]byte(fixture(t)), &a))
	properties := a["properties"].(map[string]any)
	series := properties["timeseries"].([]any)
	read := func(entries ...any) (*forecast.Issue, error) {
		properties["timeseries"] = entries
		body, err := json.Marshal(a)
		require.NoError(t, err)
		return metno.Read(body, cell, now)
	}
	whole, err := read(series...)
	require.NoError(t, err)
	mixed, err := read(series[2], series[0], series[4], series[1], series[1], series[3])
	require.NoError(t, err)
	require.Equal(t, whole.Hours, mixed.Hours)

	gap, err := read(series[0], series[1], series[3])
	require.NoError(t, err)
	require.Len(t, gap.Hours, 3, "twelve hours are not bridged")
	require.Equal(t, time.Date(2027, 1, 15, 0, 0, 0, 0, time.UTC), gap.Reach())
}

func TestRecordedPayload(t *testing.T) {
	body, err := os.ReadFile("../../../../shared/forecast-samples/met-norway/magicmirror-oslo-compact.json")
	if err != nil {
		t.Skip("no recorded payloads here")
	}
	issue, err := metno.Read(body, forecast.Cell{Latitude: 59.91, Longitude: 10.75}, time.Date(2026, 2, 6, 21, 10, 0, 0, time.UTC))
	require.NoError(t, err)
	require.Equal(t, time.Date(2026, 2, 6, 20, 27, 6, 0, time.UTC), issue.IssuedAt)
	require.Equal(t, time.Date(2026, 2, 16, 18, 0, 0, 0, time.UTC), issue.Reach())
	require.Len(t, issue.Hours, 238, "21:00 on the 6th to 18:00 on the 16th")
	require.Equal(t, new(-5.8), issue.Hours[0].AirTempC)
	require.Equal(t, new(0.5), issue.Hours[0].PrecipMM)
	require.Equal(t, "snow", issue.Hours[0].PrecipType)
	require.Nil(t, issue.Hours[0].GustMS)

	// What the answer holds in all, added up without the code under test: each hour
	// once, by next_1_hours where there is one.
	var raw struct {
		Properties struct {
			Timeseries []struct {
				Data map[string]struct {
					Details struct {
						MM float64 `json:"precipitation_amount"`
					}
				}
			}
		}
	}
	require.NoError(t, json.Unmarshal(body, &raw))
	var want, got float64
	for _, e := range raw.Properties.Timeseries {
		if next, ok := e.Data["next_1_hours"]; ok {
			want += next.Details.MM
		} else {
			want += e.Data["next_6_hours"].Details.MM
		}
	}
	for _, h := range issue.Hours {
		if h.PrecipMM != nil {
			got += *h.PrecipMM
		}
	}
	require.InDelta(t, want, got, 1e-9)
}

// Whatever comes in, there is no panic, no hour out of order and no value that
// weather can't have.
func FuzzRead(f *testing.F) {
	f.Add([]byte(fixture(f)))
	f.Add([]byte(`{"geometry":{"coordinates":[9.58,60.1]},"properties":{"meta":{"updated_at":"2027-01-14T20:34:11Z","units":{}},"timeseries":[{"time":"2027-01-15T00:00:00Z","data":{}}]}}`))
	f.Fuzz(func(t *testing.T, body []byte) {
		if issue, err := metno.Read(body, cell, now); err == nil {
			require.NoError(t, issue.Verify())
		}
	})
}
