package nws_test

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"frostgate/rules"
	"frostgate/scheduler/forecast"
	"frostgate/scheduler/forecast/nws"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// now lies in the fourth hour of the fixtures.
var now = time.Date(2027, 1, 14, 23, 10, 0, 0, time.UTC)

var cell = forecast.Cell{Key: "LOT/58,75", Latitude: 42, Longitude: -88, ElevationM: 220}

func fixture(t testing.TB, name string) string {
	t.Helper()
	body, err := os.ReadFile("testdata/" + name)
	require.NoError(t, err)
	return string(body)
}

// at finds an hour of an issue.
func at(t *testing.T, issue *forecast.Issue, stamp string) *forecast.Hour {
	t.Helper()
	when, err := time.Parse(time.RFC3339, stamp)
	require.NoError(t, err)
	for i := range issue.Hours {
		if issue.Hours[i].At.Equal(when) {
			return &issue.Hours[i]
		}
	}
	require.Fail(t, "no hour "+stamp)
	return nil
}

// The expected values are worked out by hand from the fixture by the service's
// documentation: a state holds for each hour that begins inside its interval, a
// total is shared out evenly, km/h over 3.6 are m/s.
func TestGridIsExpandedToHours(t *testing.T) {
	issue, unknown, err := nws.ReadGrid([]byte(fixture(t, "grid.json")), cell, now)
	require.NoError(t, err)
	require.Empty(t, unknown)
	require.Equal(t, time.Date(2027, 1, 14, 20, 41, 17, 0, time.UTC), issue.IssuedAt)
	require.Equal(t, 224.028, issue.Cell.ElevationM)
	require.Len(t, issue.Hours, 34, "from 20:00 to 05:00 two days later")

	h := at(t, issue, "2027-01-14T23:00:00Z")
	require.InDelta(t, -10.0/3, *h.AirTempC, 1e-12)
	require.InDelta(t, -20.0/3, *h.DewPointC, 1e-12)
	require.InDelta(t, 0.74, *h.RelHumidity, 1e-12)
	require.InDelta(t, 5.14444, *h.WindMS, 1e-5, "10 kt")
	require.InDelta(t, 9.26, *h.GustMS, 1e-9, "18 kt")
	require.Equal(t, new(310.0), h.WindFromDeg)
	require.Equal(t, new(1.0), h.Cloud)
	require.Equal(t, new(0.0), h.PrecipMM)
	require.Equal(t, "none", h.PrecipType)
	require.InDelta(t, 0.11, *h.PrecipProb, 1e-12)
	require.Equal(t, 6, h.PrecipProbWindowH)
	require.Nil(t, h.IceAccumMM, "an empty layer is not zero")
	require.Nil(t, h.SnowDepthM, "the service has none")
	require.Equal(t, new(0.0), h.ShortwaveWm2, "17:00 in Chicago in January: dark")
	require.True(t, h.Flags.Has(forecast.Temperature, forecast.Native))
	require.True(t, h.Flags.Has(forecast.Wind, forecast.Held), "of a segment of four hours")
	require.True(t, h.Flags.Has(forecast.Precipitation, forecast.Spread))

	h = at(t, issue, "2027-01-15T03:00:00Z")
	require.Equal(t, new(-5.0), h.AirTempC, "held from 01:00 to 06:00")
	require.True(t, h.Flags.Has(forecast.Temperature, forecast.Held))
	require.InDelta(t, 3.048/6, *h.PrecipMM, 1e-12)
	require.InDelta(t, 0.04572/6, *h.SnowfallDepthM, 1e-12)
	require.Equal(t, "snow", h.PrecipType)
	require.InDelta(t, 3.048/6, *h.SnowfallSWEMM, 1e-12, "what falls is snow")

	h = at(t, issue, "2027-01-15T08:00:00Z")
	require.Equal(t, "freezing_rain", h.PrecipType, "snow and freezing drizzle: the more dangerous")
	require.Nil(t, h.SnowfallSWEMM)

	h = at(t, issue, "2027-01-15T18:00:00Z")
	require.Nil(t, h.PrecipMM, "amounts end at noon")
	require.Equal(t, "none", h.PrecipType, "but words go on")
	require.Equal(t, 12, h.PrecipProbWindowH)
	require.True(t, h.Flags.Has(forecast.Sky, forecast.Derived))
	// Kasten and Czeplak 1980, clear sky: 910 sin h - 30, with the sun 26.7 degrees
	// high at noon (90 - 42 - 21.3): 379 W/m2. Haurwitz 1945 lies above it.
	require.InDelta(t, 379, *h.ShortwaveWm2, 0.2*379)

	require.Equal(t, time.Date(2027, 1, 16, 4, 0, 0, 0, time.UTC), issue.Reach(), "the dew point ends first")
	last := issue.Hours[33]
	require.Nil(t, last.DewPointC)
	require.NotNil(t, last.AirTempC)
}

// Pitfalls of single layers: each spoils itself and nothing else.
func TestLayersOfTheGrid(t *testing.T) {
	g := fixture(t, "grid.json")
	const temperature = `"temperature": {
      "uom": "wmoUnit:degC",`
	windAt := func(h *forecast.Hour) *float64 { return h.WindMS }
	airAt := func(h *forecast.Hour) *float64 { return h.AirTempC }
	rainAt := func(h *forecast.Hour) *float64 { return h.PrecipMM }
	for name, tc := range map[string]struct {
		swap []string
		got  func(*forecast.Hour) *float64
		want *float64 // at 03:00
	}{
		"older prefix":      {[]string{"wmoUnit:km_h-1", "unit:km_h-1"}, windAt, new(12.964 / 3.6)},
		"m/s":               {[]string{"wmoUnit:km_h-1", "wmoUnit:m_s-1"}, windAt, new(12.964)},
		"knots":             {[]string{"wmoUnit:km_h-1", "wmoUnit:kt"}, windAt, new(12.964 * 1.852 / 3.6)},
		"mph":               {[]string{"wmoUnit:km_h-1", "wmoUnit:mi_h-1"}, windAt, new(12.964 * 0.44704)},
		"unknown unit":      {[]string{"wmoUnit:km_h-1", "wmoUnit:parsec"}, windAt, nil},
		"another's unit":    {[]string{"wmoUnit:km_h-1", "wmoUnit:percent"}, windAt, nil},
		"Fahrenheit":        {[]string{temperature, `"temperature": {"uom": "wmoUnit:degF",`}, airAt, new((-5.0 - 32) / 1.8)},
		"kelvin":            {[]string{temperature, `"temperature": {"uom": "wmoUnit:K",`, `"value": -5}`, `"value": 268.15}`}, airAt, new(-5.0)},
		"inches":            {[]string{`"uom": "wmoUnit:mm"`, `"uom": "wmoUnit:inch"`}, rainAt, new(3.048 * 25.4 / 6)},
		"text for a number": {[]string{`"value": -5}`, `"value": "-5"}`}, airAt, new(-5.0)},
		"text of no number": {[]string{`"value": -5}`, `"value": "cold"}`}, airAt, nil},
		"hexadecimal text":  {[]string{`"value": -5}`, `"value": "0x5"}`}, airAt, nil},
		"infinite text":     {[]string{`"value": -5}`, `"value": "-Inf"}`}, airAt, nil},
		"boolean":           {[]string{`"value": -5}`, `"value": true}`}, airAt, nil},
		"null value":        {[]string{`"value": -5}`, `"value": null}`}, airAt, nil},
		"object":            {[]string{`"value": -5}`, `"value": {"c": -5}}`}, airAt, nil},
		"1e400":             {[]string{`"value": -5}`, `"value": 1e400}`}, airAt, nil},
		"1e-320":            {[]string{`"value": -5}`, `"value": 1e-320}`}, airAt, new(1e-320)},
		"minus zero":        {[]string{`"value": -5}`, `"value": -0}`}, airAt, new(0.0)},
		"200 C":             {[]string{`"value": -5}`, `"value": 200}`}, airAt, nil},
		"2977 F":            {[]string{temperature, `"temperature": {"uom": "wmoUnit:degF",`, `"value": -5}`, `"value": 2977}`}, airAt, nil},
		"-999":              {[]string{`"value": 12.964`, `"value": -999`}, windAt, nil},
		"no unit": {[]string{`"windSpeed": {
      "uom": "wmoUnit:km_h-1",`, `"windSpeed": {`}, windAt, nil},
		"null layer":          {[]string{`"windSpeed": {`, `"windSpeed": null, "was": {`}, windAt, nil},
		"missing layer":       {[]string{`"windSpeed": {`, `"windspeed_": {`}, windAt, nil},
		"array for a layer":   {[]string{`"windSpeed": {`, `"windSpeed": [1], "was": {`}, windAt, nil},
		"empty layer":         {[]string{`"windSpeed": {`, `"windSpeed": {"values": []}, "was": {`}, windAt, nil},
		"start and end":       {[]string{`2027-01-15T00:00:00+00:00/P1DT6H", "value": 12.964`, `2027-01-15T00:00:00+00:00/2027-01-16T00:00:00+00:00", "value": 12.964`}, windAt, nil},
		"now":                 {[]string{`2027-01-15T00:00:00+00:00/P1DT6H", "value": 12.964`, `NOW/P1DT6H", "value": 12.964`}, windAt, nil},
		"ten years":           {[]string{`P1DT6H", "value": 12.964`, `P3650D", "value": 12.964`}, windAt, nil},
		"zero length":         {[]string{`P1DT6H", "value": 12.964`, `PT0H", "value": 12.964`}, windAt, nil},
		"a month":             {[]string{`P1DT6H", "value": 12.964`, `P1M", "value": 12.964`}, windAt, nil},
		"leap second":         {[]string{`2027-01-15T00:00:00+00:00/P1DT6H", "value": 12.964`, `2027-01-14T23:59:60+00:00/P1DT6H", "value": 12.964`}, windAt, nil},
		"overlap":             {[]string{`2027-01-15T00:00:00+00:00/P1DT6H", "value": 12.964`, `2027-01-14T22:00:00+00:00/P1DT6H", "value": 12.964`}, windAt, nil},
		"90 minutes":          {[]string{`2027-01-15T00:00:00+00:00/P1DT6H", "value": 12.964`, `2027-01-15T02:30:00+00:00/PT90M", "value": 12.964`}, windAt, new(12.964 / 3.6)},
		"90 minutes too late": {[]string{`2027-01-15T00:00:00+00:00/P1DT6H", "value": 12.964`, `2027-01-15T03:30:00+00:00/PT90M", "value": 12.964`}, windAt, nil},
		"out of order": {[]string{
			`{"validTime": "2027-01-14T20:00:00+00:00/PT4H", "value": 18.52},
        {"validTime": "2027-01-15T00:00:00+00:00/P1DT6H", "value": 12.964}`,
			`{"validTime": "2027-01-15T00:00:00+00:00/P1DT6H", "value": 12.964},
        {"validTime": "2027-01-14T20:00:00+00:00/PT4H", "value": 18.52}`,
		}, windAt, new(12.964 / 3.6)},
		"given twice alike": {[]string{
			`{"validTime": "2027-01-14T20:00:00+00:00/PT4H", "value": 18.52},`,
			`{"validTime": "2027-01-14T20:00:00+00:00/PT4H", "value": 18.52}, {"validTime": "2027-01-14T20:00:00+00:00/PT4H", "value": 18.52},`,
		}, windAt, new(12.964 / 3.6)},
		"given twice differently": {[]string{
			`{"validTime": "2027-01-14T20:00:00+00:00/PT4H", "value": 18.52},`,
			`{"validTime": "2027-01-14T20:00:00+00:00/PT4H", "value": 18.52}, {"validTime": "2027-01-14T20:00:00+00:00/PT4H", "value": 20},`,
		}, windAt, nil},
		"unknown member": {[]string{`"temperature": {`, `"wetBulb": {"a": [1]}, "temperature": {`}, airAt, new(-5.0)},
	} {
		t.Run(name, func(t *testing.T) {
			for i := 0; i < len(tc.swap); i += 2 {
				require.Contains(t, g, tc.swap[i])
			}
			issue, _, err := nws.ReadGrid([]byte(strings.NewReplacer(tc.swap...).Replace(g)), cell, now)
			if err != nil { // without wind nothing is complete, and the set is refused as a whole
				require.Nil(t, tc.want)
				var fault *forecast.Error
				require.ErrorAs(t, err, &fault)
				require.True(t, fault.Retry)
				require.ErrorContains(t, err, "no weather ahead")
				return
			}
			h := at(t, issue, "2027-01-15T03:00:00Z")
			if tc.want == nil {
				require.Nil(t, tc.got(h))
			} else {
				require.NotNil(t, tc.got(h))
				require.InDelta(t, *tc.want, *tc.got(h), 1e-9)
			}
			require.NotNil(t, h.DewPointC, "the rest stays")
		})
	}
}

func TestBrokenGridIsRefused(t *testing.T) {
	g := fixture(t, "grid.json")
	swap := func(from, to string) string {
		require.Contains(t, g, from)
		return strings.Replace(g, from, to, 1)
	}
	for name, tc := range map[string]struct {
		body  string
		moved bool
	}{
		"cut":                 {g[:len(g)/2], false},
		"text behind":         {g + "upstream timed out", false},
		"NaN":                 {swap(`"value": -5}`, `"value": NaN}`), false},
		"array":               {"[" + g + "]", false},
		"no properties":       {`{"type": "Feature"}`, false},
		"null properties":     {`{"properties": null}`, false},
		"no time of update":   {swap(`"updateTime"`, `"updatedTime"`), false},
		"null time of update": {swap(`"updateTime": "2027-01-14T20:41:17+00:00"`, `"updateTime": null`), false},
		"future update":       {swap(`"updateTime": "2027-01-14T20:41:17+00:00"`, `"updateTime": "2027-01-14T23:30:00+00:00"`), false},
		"24:00":               {swap(`"updateTime": "2027-01-14T20:41:17+00:00"`, `"updateTime": "2027-01-14T24:00:00+00:00"`), false},
		"another year":        {strings.ReplaceAll(g, "2027-01", "2025-01"), false},
		"polygon elsewhere":   {strings.NewReplacer("42.0", "43.0", "41.9", "43.0").Replace(g), true},
		"nested too deep":     {swap(`"pressure": {"values": []}`, `"pressure": `+strings.Repeat("[", 100_000)+strings.Repeat("]", 100_000)), false},
	} {
		t.Run(name, func(t *testing.T) {
			_, _, err := nws.ReadGrid([]byte(tc.body), cell, now)
			var fault *forecast.Error
			require.ErrorAs(t, err, &fault)
			require.Equal(t, !tc.moved, fault.Retry)
			if tc.moved {
				require.ErrorIs(t, err, forecast.ErrMoved)
			}
		})
	}
}

func TestUnknownWordsAreTold(t *testing.T) {
	g := strings.Replace(fixture(t, "grid.json"), `"weather": "snow", "intensity": "light"`, `"weather": "frogs", "intensity": "light"`, 1)
	issue, unknown, err := nws.ReadGrid([]byte(g), cell, now)
	require.NoError(t, err)
	require.Equal(t, []string{"frogs"}, unknown)
	require.Equal(t, "unknown", at(t, issue, "2027-01-15T03:00:00Z").PrecipType)
	g = strings.Replace(g, "frogs", "<b>frogs</b>", 1)
	_, unknown, err = nws.ReadGrid([]byte(g), cell, now)
	require.NoError(t, err)
	require.Empty(t, unknown, "what does not look like a word of the service goes into no log")
}

func TestRainAndSnowMixAsSleet(t *testing.T) {
	g := strings.Replace(fixture(t, "grid.json"), `"weather": "freezing_drizzle"`, `"weather": "rain"`, 1)
	issue, _, err := nws.ReadGrid([]byte(g), cell, now)
	require.NoError(t, err)
	require.Equal(t, "sleet", at(t, issue, "2027-01-15T08:00:00Z").PrecipType)
}

// Of the words nothing falls, but an amount is given: snow and ice layers tell.
func TestTypeWithoutWords(t *testing.T) {
	g := fixture(t, "grid.json")
	before, after, _ := strings.Cut(g, `"weather": {`)
	wordless := before + `"weather": {"values": []}, "was": {` + after
	issue, _, err := nws.ReadGrid([]byte(wordless), cell, now)
	require.NoError(t, err)
	require.Equal(t, "snow", at(t, issue, "2027-01-15T03:00:00Z").PrecipType)
	require.Equal(t, "none", at(t, issue, "2027-01-14T21:00:00Z").PrecipType)
	require.Empty(t, at(t, issue, "2027-01-15T18:00:00Z").PrecipType, "neither words nor amounts: not supplied")

	noSnow := strings.NewReplacer(`"value": 45.72}`, `"value": 0}`).Replace(wordless)
	issue, _, err = nws.ReadGrid([]byte(noSnow), cell, now)
	require.NoError(t, err)
	require.Equal(t, "rain", at(t, issue, "2027-01-15T03:00:00Z").PrecipType)
}

// ISO 8601 durations: what the service's documentation shows, and what its
// grammar would also allow but no hour can be made of.
func TestDurations(t *testing.T) {
	for text, want := range map[string]time.Duration{
		"PT1H": time.Hour, "PT13H": 13 * time.Hour, "P1DT11H": 35 * time.Hour, "P2D": 48 * time.Hour, "P7DT21H": 189 * time.Hour,
		"PT90M": 90 * time.Minute, "PT1H30M": 90 * time.Minute, "PT3600S": time.Hour, "P1DT0H": 24 * time.Hour,
	} {
		got, err := nws.ParseDuration(text)
		require.NoError(t, err, text)
		require.Equal(t, want, got, text)
	}
	for _, text := range []string{
		"", "P", "PT", "PT0H", "P0D", "P1M", "P1Y", "P1W", "PT1.5H", "PT-1H", "-PT1H", "PT1", "P1H", "PT1D", "PT1M1H", "PT1H1H", "P1DT",
		"P3650D", "PT999999H", "P99999999999999999999D", "pt1h", " PT1H", "PT1H ", "T1H", "1H", "PТ1H",
	} {
		_, err := nws.ParseDuration(text)
		require.Error(t, err, text)
	}
}

func TestIntervals(t *testing.T) {
	from, to, err := nws.ParseInterval("2027-02-28T23:00:00-06:00/PT2H")
	require.NoError(t, err)
	require.Equal(t, time.Date(2027, 3, 1, 5, 0, 0, 0, time.UTC), from)
	require.Equal(t, 2*time.Hour, to.Sub(from))
	_, _, err = nws.ParseInterval("2028-02-29T00:00:00Z/P1D")
	require.NoError(t, err, "a leap day")
	for _, text := range []string{
		"", "/", "PT1H", "NOW/PT1H", "2027-01-14T18:00:00Z", "2027-01-14T18:00:00Z/2027-01-14T19:00:00Z", "PT1H/2027-01-14T18:00:00Z",
		"2027-01-14T18:00:00/PT1H", "2027-02-29T00:00:00Z/PT1H", "2027-01-14T24:00:00Z/PT1H", "2027-01-14T23:59:60Z/PT1H", "2027-01-14/PT1H",
	} {
		_, _, err := nws.ParseInterval(text)
		require.Error(t, err, text)
	}
}

// Totals of any cut keep their sum; a block of 3, 6 or 12 hours gives each hour
// the same.
func TestTotalsKeepTheirSum(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		at := now.Truncate(time.Hour).Add(-24 * time.Hour).Add(time.Duration(rapid.IntRange(0, 59).Draw(t, "minute")) * time.Minute)
		var values []string
		var want float64
		for range rapid.IntRange(1, 40).Draw(t, "segments") {
			minutes := rapid.SampledFrom([]int{60, 180, 360, 720, 90, 45, 1440}).Draw(t, "minutes")
			mm := rapid.Float64Range(0, 60).Draw(t, "mm")
			values = append(values, fmt.Sprintf(`{"validTime":%q,"value":%g}`, at.Format(time.RFC3339)+fmt.Sprintf("/PT%dM", minutes), mm))
			at = at.Add(time.Duration(minutes) * time.Minute)
			want += mm
		}
		if at.After(now.Add(16 * 24 * time.Hour)) {
			t.Skip("past the table")
		}
		_, sum := nws.ExpandTotal([]byte(`{"uom":"wmoUnit:mm","values":[`+strings.Join(values, ",")+`]}`), now)
		if math.Abs(sum-want) > 1e-9*max(1, want) {
			t.Fatalf("%g became %g", want, sum)
		}
	})
	hours, sum := nws.ExpandTotal([]byte(`{"uom":"wmoUnit:mm","values":[{"validTime":"2027-01-15T00:00:00+00:00/PT12H","value":6}]}`), now)
	require.Equal(t, 12, hours)
	require.InDelta(t, 6, sum, 1e-12)
}

// The hours are those of the globe: a day on which clocks change, a zone with
// half an hour and the zone of this machine make no difference.
func TestClockChangesMoveNothing(t *testing.T) {
	spring := time.Date(2027, 3, 13, 23, 10, 0, 0, time.UTC) // 2:00 becomes 3:00 at 08:00 UTC of the 14th in Chicago
	g := strings.NewReplacer("2027-01-14", "2027-03-13", "2027-01-15", "2027-03-14").Replace(fixture(t, "grid.json"))
	for _, zone := range []string{"America/Chicago", "America/St_Johns", "Asia/Kolkata", "UTC"} {
		place, err := time.LoadLocation(zone)
		require.NoError(t, err)
		before := time.Local
		time.Local = place
		issue, _, err := nws.ReadGrid([]byte(g), cell, spring)
		time.Local = before
		require.NoError(t, err)
		require.Len(t, issue.Hours, 34)
		for i := range issue.Hours {
			require.Equal(t, time.Date(2027, 3, 13, 20+i, 0, 0, 0, time.UTC), issue.Hours[i].At)
		}
	}
}

// Periods of the autumn day repeat a wall-clock hour with another offset.
func TestHourlyOnTheAutumnDay(t *testing.T) {
	body := fixture(t, "hourly.json")
	swap := strings.NewReplacer(
		"2027-01-14T17:00:00-06:00", "2027-11-07T00:00:00-05:00", "2027-01-14T18:00:00-06:00", "2027-11-07T01:00:00-05:00",
		"2027-01-14T19:00:00-06:00", "2027-11-07T01:00:00-06:00", "2027-01-14T20:00:00-06:00", "2027-11-07T02:00:00-06:00",
		"2027-01-14T20:41:17", "2027-11-07T04:41:17").Replace(body)
	issue, err := nws.ReadHourly([]byte(swap), cell, time.Date(2027, 11, 7, 5, 10, 0, 0, time.UTC))
	require.NoError(t, err)
	require.Len(t, issue.Hours, 3)
	for i, h := range issue.Hours {
		require.Equal(t, time.Date(2027, 11, 7, 5+i, 0, 0, 0, time.UTC), h.At)
	}
}

func TestHourlyForecast(t *testing.T) {
	issue, err := nws.ReadHourly([]byte(fixture(t, "hourly.json")), cell, now)
	require.NoError(t, err)
	require.Equal(t, time.Date(2027, 1, 14, 20, 41, 17, 0, time.UTC), issue.IssuedAt)
	require.Equal(t, 224.028, issue.Cell.ElevationM)
	require.Len(t, issue.Hours, 3)
	h := issue.Hours[0]
	require.Equal(t, time.Date(2027, 1, 14, 23, 0, 0, 0, time.UTC), h.At)
	require.Equal(t, rules.Hour{At: h.At, AirTempC: new(-3.0), DewPointC: new(-6.666666666666667), WindMS: new(19 / 3.6), PrecipProb: new(0.11)}, h.Hour)
	require.Equal(t, new(315.0), h.WindFromDeg)
	require.True(t, h.Flags.Has(forecast.Temperature, forecast.Fallback))
	h = issue.Hours[1]
	require.InDelta(t, (25.0-32)/1.8, *h.AirTempC, 1e-12, "in Fahrenheit by its own word")
	require.InDelta(t, 10*0.44704, *h.WindMS, 1e-12, "the larger number")
	require.Nil(t, h.PrecipProb)
	require.Empty(t, h.PrecipType, "words for people are never read")
	h = issue.Hours[2]
	require.Equal(t, new(-5.0), h.AirTempC, "as a quantity")
	require.InDelta(t, 12.964/3.6, *h.WindMS, 1e-12)
	require.Nil(t, h.WindFromDeg)

	for name, swap := range map[string][2]string{
		"two hours":  {"2027-01-14T20:00:00-06:00", "2027-01-14T21:00:00-06:00"},
		"half hours": {"T17:00:00-06:00", "T17:30:00-06:00"},
		"no offset":  {"2027-01-14T17:00:00-06:00", "2027-01-14T17:00:00"},
		"twice":      {"\"startTime\": \"2027-01-14T18:00:00-06:00\", \"endTime\": \"2027-01-14T19:00:00-06:00\"", "\"startTime\": \"2027-01-14T17:00:00-06:00\", \"endTime\": \"2027-01-14T18:00:00-06:00\""},
		"text":       {`"periods": [`, `"periods": "none", "was": [`},
	} {
		_, err := nws.ReadHourly([]byte(strings.Replace(fixture(t, "hourly.json"), swap[0], swap[1], 1)), cell, now)
		require.Error(t, err, name)
	}
}

func TestWindText(t *testing.T) {
	for text, want := range map[string]float64{
		"4 km/h": 4 / 3.6, "0 mph": 0, "6 to 10 mph": 10 * 0.44704, "10 to 6 mph": 10 * 0.44704, "15 kt": 15 * 1.852 / 3.6, "5 to 10 km/h": 10 / 3.6, "7.5 m/s": 7.5,
	} {
		got, err := nws.ParseWind(text)
		require.NoError(t, err, text)
		require.InDelta(t, want, got, 1e-9, text)
	}
	for _, text := range []string{"", "calm", "mph", "5", "5 furlongs", "5 to mph", "to 5 mph", "-5 mph", "5 mph gusting to 20", "5 to 10 to 15 mph", "1e3 mphh", "NaN mph", "5mph", "5 or 10 mph"} {
		_, err := nws.ParseWind(text)
		require.Error(t, err, text)
	}
}

func TestPointIsResolved(t *testing.T) {
	p := fixture(t, "point.json")
	grid, zones, err := nws.ReadPoint([]byte(p))
	require.NoError(t, err)
	require.Equal(t, "LOT/58,75", grid)
	require.Equal(t, []string{"ILZ105", "ILC043"}, zones)

	grid, _, err = nws.ReadPoint([]byte(strings.NewReplacer(`"gridX": 58`, `"gridX": "58"`, `"gridId": "LOT"`, `"gridId": "AER"`).Replace(p)))
	require.NoError(t, err)
	require.Equal(t, "AER/58,75", grid, "the grid and not the office, numbers as text")

	_, _, err = nws.ReadPoint([]byte(strings.Replace(p, `"type": "land"`, `"type": "marine"`, 1)))
	require.ErrorIs(t, err, forecast.ErrOutside)
	for _, bad := range []string{`{`, `{}`, strings.Replace(p, `"gridX": 58`, `"gridX": -1`, 1), strings.Replace(p, `"gridX": 58`, `"gridX": 5.5`, 1), strings.Replace(p, `"gridId": "LOT"`, `"gridId": "../x"`, 1)} {
		_, _, err := nws.ReadPoint([]byte(bad))
		require.Error(t, err)
		require.NotErrorIs(t, err, forecast.ErrOutside, "an answer that can't be read says nothing of the place")
	}
}

// Recorded answers of the real service, where they are.
func TestRecordedGrid(t *testing.T) {
	body, err := os.ReadFile("../../../../shared/forecast-samples/nws/pynws-detailed_forecast.json")
	if err != nil {
		t.Skip("no recorded payloads here")
	}
	fetched := time.Date(2022, 2, 4, 3, 40, 0, 0, time.UTC)
	issue, unknown, err := nws.ReadGrid(body, forecast.Cell{Key: "TAE/58,65", Latitude: 30.02, Longitude: -84.98}, fetched)
	require.NoError(t, err)
	require.Empty(t, unknown)
	require.InDelta(t, 3.9624, issue.Cell.ElevationM, 1e-9)
	require.Equal(t, time.Date(2022, 2, 4, 3, 15, 41, 0, time.UTC), issue.IssuedAt)
	require.Equal(t, time.Date(2022, 2, 3, 21, 0, 0, 0, time.UTC), issue.Hours[0].At)
	require.Equal(t, time.Date(2022, 2, 11, 9, 0, 0, 0, time.UTC), issue.Reach(), "the last temperature lies at 10:00, the last wind at 09:00")
	for i := 1; i < len(issue.Hours); i++ {
		require.Equal(t, time.Hour, issue.Hours[i].At.Sub(issue.Hours[i-1].At), "no gap")
	}

	// What the answer holds in all, added up without the code under test.
	var raw struct {
		Properties map[string]json.RawMessage
	}
	require.NoError(t, json.Unmarshal(body, &raw))
	var rain struct {
		Values []struct{ Value float64 }
	}
	require.NoError(t, json.Unmarshal(raw.Properties["quantitativePrecipitation"], &rain))
	var want, got float64
	for _, v := range rain.Values {
		want += v.Value
	}
	for _, h := range issue.Hours {
		if h.PrecipMM != nil {
			got += *h.PrecipMM
		}
	}
	require.NotEmpty(t, rain.Values)
	require.InDelta(t, want, got, 1e-9)
}

func TestRecordedHourlyAndPoints(t *testing.T) {
	const folder = "../../../../shared/forecast-samples/nws/"
	body, err := os.ReadFile(folder + "magicmirror-dc-hourly.json")
	if err != nil {
		t.Skip("no recorded payloads here")
	}
	dc := forecast.Cell{Key: "LWX/97,71", Latitude: 38.8629, Longitude: -77.0567}
	issue, err := nws.ReadHourly(body, dc, time.Date(2026, 2, 6, 21, 50, 0, 0, time.UTC))
	require.NoError(t, err)
	require.Len(t, issue.Hours, 156)
	require.Equal(t, new(1.0), issue.Hours[0].AirTempC)
	require.InDelta(t, 4/3.6, *issue.Hours[0].WindMS, 1e-9)
	require.Equal(t, new(180.0), issue.Hours[0].WindFromDeg)
	require.Equal(t, time.Date(2026, 2, 6, 21, 0, 0, 0, time.UTC), issue.Hours[0].At)

	body, err = os.ReadFile(folder + "magicmirror-dc-points.json")
	require.NoError(t, err)
	grid, zones, err := nws.ReadPoint(body)
	require.NoError(t, err)
	require.Equal(t, "LWX/97,71", grid)
	require.Equal(t, []string{"DCZ001", "DCC001"}, zones)

	body, err = os.ReadFile(folder + "magicmirror-dc-stations.json")
	require.NoError(t, err)
	stations, err := nws.ReadStations(body, 38.8894, -77.0352, 5)
	require.NoError(t, err)
	require.Equal(t, "KDCA", stations[0])

	body, err = os.ReadFile(folder + "magicmirror-dc-current.json")
	require.NoError(t, err)
	issue, err = nws.ReadObservations([]byte(`{"features":[`+string(body)+`]}`), dc, time.Date(2026, 2, 6, 21, 50, 0, 0, time.UTC))
	require.NoError(t, err)
	require.Equal(t, new(-1.0), issue.Hours[0].AirTempC)
	require.Equal(t, new(1.0), issue.Hours[0].Cloud)
	require.Nil(t, issue.Hours[0].GustMS)
}

// Of the product in periods of twelve hours, which no hour can be made of, nothing
// is taken; the place of another recording reads like the first.
func TestRecordedForecastAndOtherPoint(t *testing.T) {
	const folder = "../../../../shared/forecast-samples/nws/"
	body, err := os.ReadFile(folder + "magicmirror-dc-forecast.json")
	if err != nil {
		t.Skip("no recorded payloads here")
	}
	dc := forecast.Cell{Key: "LWX/97,71", Latitude: 38.8629, Longitude: -77.0567}
	_, err = nws.ReadHourly(body, dc, time.Date(2026, 2, 6, 21, 50, 0, 0, time.UTC))
	var fault *forecast.Error
	require.ErrorAs(t, err, &fault)
	require.True(t, fault.Retry)
	require.ErrorContains(t, err, "is not an hour")

	body, err = os.ReadFile(folder + "pynws-points.json")
	require.NoError(t, err)
	var recorded struct {
		Properties struct {
			GridID string `json:"gridId"`
			GridX  int    `json:"gridX"`
			GridY  int    `json:"gridY"`
		} `json:"properties"`
	}
	require.NoError(t, json.Unmarshal(body, &recorded))
	grid, zones, err := nws.ReadPoint(body)
	require.NoError(t, err)
	require.Equal(t, fmt.Sprintf("%s/%d,%d", recorded.Properties.GridID, recorded.Properties.GridX, recorded.Properties.GridY), grid)
	require.Len(t, zones, 2)
}
