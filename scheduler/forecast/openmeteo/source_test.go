package openmeteo_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"frostgate/rules"
	"frostgate/scheduler/forecast"
	"frostgate/scheduler/forecast/openmeteo"

	"github.com/stretchr/testify/require"
)

// now lies in the first hour of the fixture.
var now = time.Date(2027, 1, 14, 23, 10, 0, 0, time.UTC)

// run is when the fixture's model run became available.
var run = time.Date(2027, 1, 14, 22, 41, 3, 0, time.UTC)

// The two places of the fixture.
var (
	chicago = forecast.Cell{Key: "chicago", Latitude: 42, Longitude: -88, ElevationM: 200}
	golden  = forecast.Cell{Key: "golden", Latitude: 39.76, Longitude: -105.18, ElevationM: 1850}
)

// A service stands in for the real host.
type service struct {
	answer func(w http.ResponseWriter, q url.Values) // of /v1/forecast
	meta   func(w http.ResponseWriter)

	mu    sync.Mutex
	asked []url.Values
	metas int
	keys  []string
}

func (s *service) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Date", now.Format(http.TimeFormat))
	w.Header().Set("Content-Type", "application/json; charset=utf-8")
	s.mu.Lock()
	s.keys = append(s.keys, r.Header.Get("X-Api-Key"))
	isMeta := r.URL.Path == "/data/ncep_gfs013/static/meta.json"
	if isMeta {
		s.metas++
	} else {
		s.asked = append(s.asked, r.URL.Query())
	}
	s.mu.Unlock()
	switch {
	case isMeta && s.meta != nil:
		s.meta(w)
	case isMeta:
		fmt.Fprintf(w, `{"last_run_initialisation_time":%d,"last_run_modification_time":%d,"last_run_availability_time":%d,"temporal_resolution_seconds":3600,"update_interval_seconds":21600,"data_end_time":%d,"chunk_time_length":300}`,
			run.Add(-4*time.Hour).Truncate(time.Hour).Unix(), run.Unix()-60, run.Unix(), run.Add(384*time.Hour).Truncate(time.Hour).Unix())
	case r.URL.Path == "/v1/forecast":
		s.answer(w, r.URL.Query())
	default:
		w.WriteHeader(http.StatusNotFound)
		fmt.Fprint(w, `{"error":true,"reason":"Not Found"}`)
	}
}

func (s *service) source(t *testing.T) *openmeteo.Source {
	t.Helper()
	srv := httptest.NewServer(s)
	t.Cleanup(srv.Close)
	client := forecast.NewClient(forecast.ClientConfig{
		Agent: "frostgate-test", PlainHTTP: true, Now: func() time.Time { return now },
		Header: 4 * time.Second, Idle: 2 * time.Second,
	})
	t.Cleanup(client.Close)
	src, err := openmeteo.New(openmeteo.Config{Client: client, BaseURL: srv.URL, Now: func() time.Time { return now }})
	require.NoError(t, err)
	return src
}

func fixture(t testing.TB) string {
	t.Helper()
	body, err := os.ReadFile("testdata/two_points.json")
	require.NoError(t, err)
	return string(body)
}

// points takes the fixture apart.
func points(t testing.TB) []string {
	t.Helper()
	var list []json.RawMessage
	require.NoError(t, json.Unmarshal([]byte(fixture(t)), &list))
	return []string{string(list[0]), string(list[1])}
}

func say(text string) func(http.ResponseWriter, url.Values) {
	return func(w http.ResponseWriter, _ url.Values) { fmt.Fprint(w, text) }
}

func refuse(status int, reason string) func(http.ResponseWriter, url.Values) {
	return func(w http.ResponseWriter, _ url.Values) {
		w.WriteHeader(status)
		fmt.Fprintf(w, `{"error":true,"reason":%q}`, reason)
	}
}

func TestQuestionIsSafeAcrossClockChanges(t *testing.T) {
	s := &service{answer: say(fixture(t))}
	history := chicago
	history.Since = now.AddDate(0, 0, -14)
	results := s.source(t).Fetch(t.Context(), []forecast.Cell{history, golden})
	require.NoError(t, results[0].Err)
	q := s.asked[0]
	require.Equal(t, "42.0000,39.7600", q.Get("latitude"))
	require.Equal(t, "-88.0000,-105.1800", q.Get("longitude"))
	require.Equal(t, "200,1850", q.Get("elevation"))
	require.Equal(t, "unixtime", q.Get("timeformat"))
	require.Equal(t, "GMT", q.Get("timezone"))
	require.Equal(t, "ms", q.Get("wind_speed_unit"))
	require.Equal(t, "mm", q.Get("precipitation_unit"))
	require.Equal(t, "celsius", q.Get("temperature_unit"))
	require.Equal(t, "14", q.Get("past_days"))
	require.Equal(t, "12", q.Get("forecast_days"))
	require.NotContains(t, q, "models", "best match")
}

// The expected values are read off the fixture by hand, by the service's
// documentation: states belong to their time, the rest to the hour before it.
func TestHoursAreAligned(t *testing.T) {
	s := &service{answer: say(fixture(t))}
	results := s.source(t).Fetch(t.Context(), []forecast.Cell{chicago, golden})
	require.NoError(t, results[0].Err)
	issue := results[0].Issue
	require.Equal(t, run, issue.IssuedAt)
	require.Equal(t, now, issue.FetchedAt)
	require.Equal(t, "open-meteo", issue.Source)
	require.Equal(t, "best_match", issue.Model)
	require.Equal(t, chicago, issue.Cell)
	require.Len(t, issue.Hours, 5)

	h := issue.Hours[1]
	require.Equal(t, rules.Hour{
		At:       time.Date(2027, 1, 15, 0, 0, 0, 0, time.UTC),
		AirTempC: new(-3.4), DewPointC: new(-6.2), WindMS: new(3.45), Cloud: new(1.0), SnowDepthM: new(0.02),
		GustMS: new(8.0), ShortwaveWm2: new(0.0), PrecipMM: new(0.7), PrecipType: "snow", PrecipProb: new(0.8),
	}, h.Hour)
	require.Equal(t, 1, h.PrecipProbWindowH)
	require.InDelta(t, 0.7, *h.SnowfallSWEMM, 1e-12, "0.49 cm over 0.7 cm/mm")
	require.InDelta(t, 0.0049, *h.SnowfallDepthM, 1e-12)
	require.InDelta(t, 0.806, *h.RelHumidity, 0.01, "psychrometric table: -3.4 C over dew point -6.2 C, over water")
	require.Equal(t, new(-2.3), h.SkinTempC)
	require.Equal(t, []forecast.SoilTemp{{TopM: 0, BottomM: 0.1, TempC: -0.7}, {TopM: 0.1, BottomM: 0.4, TempC: 0.9}}, h.SoilTemps)
	require.True(t, h.Flags.Has(forecast.Wind, forecast.Native))

	first := issue.Hours[0]
	require.Equal(t, new(0.0), first.ShortwaveWm2, "the 12 W/m2 given at the first time belong to the hour before it")
	last := issue.Hours[4]
	require.Equal(t, new(-4.4), last.AirTempC)
	require.Nil(t, last.ShortwaveWm2, "nothing is known of the hour that begins last")
	require.Nil(t, last.PrecipMM)
	require.Nil(t, last.GustMS)
	require.Empty(t, last.PrecipType)
	require.Nil(t, last.DewPointC)
	require.Equal(t, issue.Hours[3].At, issue.Reach(), "without humidity the last hour does not count")

	other := results[1].Issue
	require.Equal(t, new(31.0), other.Hours[0].ShortwaveWm2)
	require.Equal(t, []forecast.SoilTemp{{TopM: 0.1, BottomM: 0.4, TempC: 2.2}}, other.Hours[0].SoilTemps)
	require.Equal(t, "none", other.Hours[0].PrecipType)
}

func TestEqualWeatherHasEqualBytes(t *testing.T) {
	p := points(t)
	text := p[0]
	s := &service{answer: func(w http.ResponseWriter, _ url.Values) { fmt.Fprint(w, text) }}
	src := s.source(t)
	first := src.Fetch(t.Context(), []forecast.Cell{chicago})[0].Issue
	text = strings.Replace(p[0], "0.7585287094116211", "1.2e-2", 1)
	again := src.Fetch(t.Context(), []forecast.Cell{chicago})[0].Issue
	require.Equal(t, first.SHA256, again.SHA256)
	text = strings.Replace(p[0], "-3.4", "-3.5", 1)
	colder := src.Fetch(t.Context(), []forecast.Cell{chicago})[0].Issue
	require.NotEqual(t, first.SHA256, colder.SHA256)
	require.Equal(t, 1, s.metas, "the run is asked once in 10 minutes")
}

func TestUnitsAreChecked(t *testing.T) {
	p := points(t)[0]
	for name, tc := range map[string]struct {
		from, to string
		got      func(h *forecast.Hour) *float64
		want     *float64
	}{
		"km/h":              {`"wind_speed_10m":"m/s"`, `"wind_speed_10m":"km/h"`, func(h *forecast.Hour) *float64 { return h.WindMS }, new(3.45 / 3.6)},
		"mph":               {`"wind_speed_10m":"m/s"`, `"wind_speed_10m":"mp/h"`, func(h *forecast.Hour) *float64 { return h.WindMS }, new(3.45 * 0.44704)},
		"knots":             {`"wind_speed_10m":"m/s"`, `"wind_speed_10m":"kn"`, func(h *forecast.Hour) *float64 { return h.WindMS }, new(3.45 * 0.514444444)},
		"Fahrenheit":        {`"soil_temperature_0cm":"°C"`, `"soil_temperature_0cm":"°F"`, func(h *forecast.Hour) *float64 { return h.SkinTempC }, new((-2.3 - 32) / 1.8)},
		"inches":            {`"precipitation":"mm"`, `"precipitation":"inch"`, func(h *forecast.Hour) *float64 { return h.PrecipMM }, new(0.7 * 25.4)},
		"feet":              {`"snow_depth":"m"`, `"snow_depth":"ft"`, func(h *forecast.Hour) *float64 { return h.SnowDepthM }, new(0.02 * 0.3048)},
		"unknown":           {`"wind_gusts_10m":"m/s"`, `"wind_gusts_10m":"furlongs"`, func(h *forecast.Hour) *float64 { return h.GustMS }, nil},
		"another's":         {`"precipitation":"mm"`, `"precipitation":"%"`, func(h *forecast.Hour) *float64 { return h.PrecipMM }, nil},
		"missing":           {`"cloud_cover":"%",`, ``, func(h *forecast.Hour) *float64 { return h.Cloud }, nil},
		"null variable":     {`"cloud_cover":[100,100,100,87,40]`, `"cloud_cover":null`, func(h *forecast.Hour) *float64 { return h.Cloud }, nil},
		"no variable":       {`"cloud_cover":[100,100,100,87,40],`, ``, func(h *forecast.Hour) *float64 { return h.Cloud }, nil},
		"renamed":           {`"cloud_cover":[100`, `"cloudcover":[100`, func(h *forecast.Hour) *float64 { return h.Cloud }, nil},
		"null value":        {`"cloud_cover":[100,100,`, `"cloud_cover":[100,null,`, func(h *forecast.Hour) *float64 { return h.Cloud }, nil},
		"text":              {`"cloud_cover":[100,100,`, `"cloud_cover":[100,"100",`, func(h *forecast.Hour) *float64 { return h.Cloud }, nil},
		"text with a comma": {`"cloud_cover":[100,100,`, `"cloud_cover":[100,"a\",]b",`, func(h *forecast.Hour) *float64 { return h.Cloud }, nil},
		"boolean":           {`"cloud_cover":[100,100,`, `"cloud_cover":[100,true,`, func(h *forecast.Hour) *float64 { return h.Cloud }, nil},
		"1e400":             {`"cloud_cover":[100,100,`, `"cloud_cover":[100,1e400,`, func(h *forecast.Hour) *float64 { return h.Cloud }, nil},
		"1e-320":            {`"snow_depth":[0.02,0.02,`, `"snow_depth":[0.02,1e-320,`, func(h *forecast.Hour) *float64 { return h.SnowDepthM }, new(1e-320)},
		"minus zero":        {`"temperature_2m":[-3.1,-3.4,`, `"temperature_2m":[-3.1,-0,`, func(h *forecast.Hour) *float64 { return h.AirTempC }, new(0.0)},
		"absurd":            {`"temperature_2m":[-3.1,-3.4,`, `"temperature_2m":[-3.1,2977,`, func(h *forecast.Hour) *float64 { return h.AirTempC }, nil},
	} {
		t.Run(name, func(t *testing.T) {
			require.Contains(t, p, tc.from)
			s := &service{answer: say(strings.Replace(p, tc.from, tc.to, 1))}
			result := s.source(t).Fetch(t.Context(), []forecast.Cell{chicago})[0]
			require.NoError(t, result.Err)
			got := tc.got(&result.Issue.Hours[1])
			if tc.want == nil {
				require.Nil(t, got)
				require.NotNil(t, result.Issue.Hours[1].SkinTempC, "the rest stays")
				return
			}
			require.NotNil(t, got)
			require.InDelta(t, *tc.want, *got, 1e-6)
		})
	}
}

// One answer with each structural fault: refused whole, worth another try.
func TestBrokenAnswersAreRefused(t *testing.T) {
	p := points(t)[0]
	swap := func(from, to string) string { return strings.Replace(p, from, to, 1) }
	for name, text := range map[string]string{
		"NaN token":            swap(`"temperature_2m":[-3.1`, `"temperature_2m":[NaN`),
		"cut":                  p[:len(p)/2],
		"text after the value": p + "error: backend gone",
		"error midway":         p[:600] + `Unexpected error while streaming data: timeout`,
		"error object":         `{"error":true,"reason":"Data is not available"}`,
		"array for one point":  "[" + p + "]",
		"array too short":      swap(`"cloud_cover":[100,100,100,87,40]`, `"cloud_cover":[100,100]`),
		"array of arrays":      swap(`"cloud_cover":[100,100,100,87,40]`, `"cloud_cover":[[100],[100],[100],[87],[40]]`),
		"object for array":     swap(`"cloud_cover":[100,100,100,87,40]`, `"cloud_cover":{"0":100}`),
		"no time":              swap(`"time":[1799967600,1799971200,1799974800,1799978400,1799982000],`, ``),
		"empty time":           swap(`"time":[1799967600,1799971200,1799974800,1799978400,1799982000]`, `"time":[]`),
		"half hours":           swap(`1799971200`, `1799969400`),
		"null time":            swap(`1799971200`, `null`),
		"time as text":         swap(`"time":[1799967600`, `"time":["2027-01-14T23:00"`),
		"ISO times":            swap(`"time":"unixtime"`, `"time":"iso8601"`),
		"local offset":         swap(`"utc_offset_seconds":0`, `"utc_offset_seconds":-21600`),
		"no units":             swap(`"hourly_units"`, `"hourly_unit"`),
		"units not text":       swap(`"temperature_2m":"°C"`, `"temperature_2m":{"unit":"°C"}`),
		"3 degrees off":        swap(`"latitude":41.99219`, `"latitude":44.99219`),
		"no coordinates":       swap(`"latitude":41.99219,`, ``),
		"hour twice":           swap(`1799971200`, `1799967600`),
		"nested too deep":      strings.Repeat("[", 100_000) + strings.Repeat("]", 100_000),
		"UTF-16":               "\xff\xfe{\x00}\x00",
		"humidity in kelvin":   swap(`"dew_point_2m":"°C"`, `"dew_point_2m":"K"`),
		"no temperature":       swap(`"temperature_2m":[-3.1,-3.4,-3.9,-4.2,-4.4]`, `"temperature_2m":[null,null,null,null,null]`),
	} {
		t.Run(name, func(t *testing.T) {
			s := &service{answer: say(text)}
			result := s.source(t).Fetch(t.Context(), []forecast.Cell{chicago})[0]
			require.Nil(t, result.Issue)
			var fault *forecast.Error
			require.ErrorAs(t, result.Err, &fault)
			require.True(t, fault.Retry)
		})
	}
}

func TestToleratedOddities(t *testing.T) {
	p := points(t)[0]
	twice := strings.NewReplacer(
		`"time":[1799967600,`, `"time":[1799967600,1799967600,`, `[-3.1,`, `[-3.1,-3.1,`, `[-6.0,`, `[-6.0,-6.0,`, `[3.20,`, `[3.20,3.20,`,
		`[7.1,`, `[7.1,7.1,`, `"cloud_cover":[100,`, `"cloud_cover":[100,100,`, `[12.0,`, `[12.0,12.0,`, `"precipitation":[0.00,`, `"precipitation":[0.00,0.00,`,
		`[5,`, `[5,5,`, `"weather_code":[3,`, `"weather_code":[3,3,`, `"snowfall":[0.00,`, `"snowfall":[0.00,0.00,`, `"snow_depth":[0.02,`, `"snow_depth":[0.02,0.02,`,
		`[-2.0,`, `[-2.0,-2.0,`, `[-0.6,`, `[-0.6,-0.6,`, `[0.9,`, `[0.9,0.9,`)
	for name, text := range map[string]string{
		"hour twice alike":      twice.Replace(p),
		"unknown members":       strings.Replace(p, `"elevation"`, `"model_run":{"a":[1]},"elevation"`, 1),
		"duplicate member":      strings.Replace(p, `"elevation"`, `"timezone":"GMT","elevation"`, 1),
		"null elevation":        strings.Replace(p, `"elevation":200.0`, `"elevation":null`, 1),
		"invalid UTF-8 in text": strings.Replace(p, `"timezone":"GMT"`, "\"timezone\":\"\xff\"", 1),
	} {
		t.Run(name, func(t *testing.T) {
			result := (&service{answer: say(text)}).source(t).Fetch(t.Context(), []forecast.Cell{chicago})[0]
			require.NoError(t, result.Err)
			require.Len(t, result.Issue.Hours, 5)
			require.Equal(t, new(0.7), result.Issue.Hours[1].PrecipMM)
		})
	}
}

// batchService answers as many points as asked, like the real host, except for
// latitudes that it can't do.
func batchService(t *testing.T, bad func(latitude float64) bool) *service {
	p := points(t)
	return &service{answer: func(w http.ResponseWriter, q url.Values) {
		var list []string
		for i, text := range strings.Split(q.Get("latitude"), ",") {
			lat, err := strconv.ParseFloat(text, 64)
			if err != nil || bad(lat) {
				refuse(http.StatusBadRequest, "Latitude must be in range of -90 to 90°. Given: "+text+".")(w, q)
				return
			}
			one := strings.Replace(p[0], `"latitude":41.99219`, fmt.Sprintf(`"latitude":%g`, lat), 1)
			if i > 0 {
				one = strings.Replace(one, `"elevation":200.0`, fmt.Sprintf(`"elevation":200.0,"location_id":%d`, i), 1)
			}
			list = append(list, one)
		}
		if len(list) == 1 {
			fmt.Fprint(w, list[0])
			return
		}
		fmt.Fprint(w, "["+strings.Join(list, ",")+"]")
	}}
}

func manyCells(n int) []forecast.Cell {
	cells := make([]forecast.Cell, n)
	for i := range cells {
		cells[i] = chicago
		cells[i].Latitude = 40 + float64(i)*0.02
		cells[i].Key = strconv.Itoa(i)
	}
	return cells
}

func TestBadPointIsIsolated(t *testing.T) {
	cells := manyCells(60)
	s := batchService(t, func(lat float64) bool { return lat > 40.72 && lat < 40.76 })
	results := s.source(t).Fetch(t.Context(), cells)
	for i, r := range results {
		if i == 37 {
			require.ErrorContains(t, r.Err, "Latitude must be in range")
			var fault *forecast.Error
			require.ErrorAs(t, r.Err, &fault)
			require.False(t, fault.Retry, "the same question gets the same refusal")
			continue
		}
		require.NoError(t, r.Err)
		require.Equal(t, cells[i], r.Issue.Cell)
	}
	require.LessOrEqual(t, len(s.asked), 13, "halving 60 takes at most 2 calls for each of 6 levels")
}

func TestBadBatchesStayBounded(t *testing.T) {
	s := batchService(t, func(float64) bool { return true })
	results := s.source(t).Fetch(t.Context(), manyCells(100))
	for _, r := range results {
		require.Error(t, r.Err)
	}
	require.LessOrEqual(t, len(s.asked), 24)
}

func TestBatchesOfAHundred(t *testing.T) {
	s := batchService(t, func(float64) bool { return false })
	results := s.source(t).Fetch(t.Context(), manyCells(230))
	for _, r := range results {
		require.NoError(t, r.Err)
	}
	require.Len(t, s.asked, 3)
}

func TestAnswerThatDoesNotMatchThePoints(t *testing.T) {
	p := points(t)
	for name, tc := range map[string]struct {
		text string
		good int // of the two points
	}{
		"one point for two":    {"[" + p[0] + "]", 0},
		"object for two":       {p[0], 0},
		"three points for two": {"[" + p[0] + "," + p[1] + "," + p[1] + "]", 0},
		"order changed":        {"[" + p[1] + "," + p[0] + "]", 0},
		"one point broken":     {"[" + p[0] + "," + strings.Replace(p[1], "1799971200", "7", 1) + "]", 1},
	} {
		t.Run(name, func(t *testing.T) {
			s := &service{answer: say(tc.text)}
			results := s.source(t).Fetch(t.Context(), []forecast.Cell{chicago, golden})
			good := 0
			for _, r := range results {
				if r.Err == nil {
					good++
					require.Equal(t, "chicago", r.Issue.Cell.Key)
				}
			}
			if name == "object for two" {
				require.Equal(t, 1, good, "asked alone, the first point is answered rightly")
				return
			}
			require.Equal(t, tc.good, good)
		})
	}
}

func TestLimitsPauseToTheirBoundary(t *testing.T) {
	for reason, want := range map[string]time.Duration{
		"Minutely API request limit exceeded. Please try again in one minute.":  time.Minute,
		"Hourly API request limit exceeded. Please try again in the next hour.": 50 * time.Minute,
		"Daily API request limit exceeded. Please try again tomorrow.":          50 * time.Minute,
		"Too many concurrent requests":                                          5 * time.Second,
		"Some limit that nobody has heard of":                                   time.Minute,
	} {
		s := &service{answer: refuse(http.StatusTooManyRequests, reason)}
		results := s.source(t).Fetch(t.Context(), []forecast.Cell{chicago, golden})
		for _, r := range results {
			var fault *forecast.Error
			require.ErrorAs(t, r.Err, &fault)
			require.True(t, fault.Host)
			require.Equal(t, want, fault.After, reason)
			require.ErrorContains(t, r.Err, reason)
		}
		require.Len(t, s.asked, 1, "a limit is not a bad point: no splitting")
	}
}

func TestIssueTime(t *testing.T) {
	p := points(t)[0]
	for name, tc := range map[string]struct {
		meta func(http.ResponseWriter)
		want time.Time // zero: refused
	}{
		"unknown to the host": {func(w http.ResponseWriter) { w.WriteHeader(404) }, now},
		"not a number":        {func(w http.ResponseWriter) { fmt.Fprint(w, `{"last_run_availability_time":"now"}`) }, time.Time{}},
		"missing":             {func(w http.ResponseWriter) { fmt.Fprint(w, `{}`) }, time.Time{}},
		"in the future":       {func(w http.ResponseWriter) { fmt.Fprintf(w, `{"last_run_availability_time":%d}`, now.Unix()+3600) }, time.Time{}},
		"503":                 {func(w http.ResponseWriter) { w.WriteHeader(503) }, time.Time{}},
		"two days old":        {func(w http.ResponseWriter) { fmt.Fprintf(w, `{"last_run_availability_time":%d}`, now.Unix()-172800) }, now.AddDate(0, 0, -2)},
	} {
		t.Run(name, func(t *testing.T) {
			s := &service{answer: say(p), meta: tc.meta}
			result := s.source(t).Fetch(t.Context(), []forecast.Cell{chicago})[0]
			if tc.want.IsZero() {
				require.Error(t, result.Err, "without an issue time nothing tells old weather from new")
				return
			}
			require.NoError(t, result.Err)
			require.Equal(t, tc.want, result.Issue.IssuedAt)
		})
	}
}

func TestKeyGoesInAHeader(t *testing.T) {
	s := &service{answer: say(points(t)[0])}
	srv := httptest.NewServer(s)
	t.Cleanup(srv.Close)
	client := forecast.NewClient(forecast.ClientConfig{PlainHTTP: true, Now: func() time.Time { return now }})
	src, err := openmeteo.New(openmeteo.Config{Client: client, BaseURL: srv.URL + "/", Key: "k-123", Model: "ncep_gfs_seamless", IssueModel: "ncep_gfs013", Now: func() time.Time { return now }})
	require.NoError(t, err)
	require.NoError(t, src.Fetch(t.Context(), []forecast.Cell{chicago})[0].Err)
	require.Equal(t, []string{"k-123", "k-123"}, s.keys)
	require.Equal(t, "ncep_gfs_seamless", s.asked[0].Get("models"))
	require.NotContains(t, fmt.Sprint(s.asked), "k-123")

	contracted, err := openmeteo.New(openmeteo.Config{Key: "k"})
	require.NoError(t, err)
	require.Equal(t, "customer-api.open-meteo.com", contracted.About().Host)
}

func TestNeighboursShareACell(t *testing.T) {
	src, err := openmeteo.New(openmeteo.Config{})
	require.NoError(t, err)
	at := func(lat, lon, m float64) forecast.Cell {
		c, err := src.Locate(t.Context(), lat, lon, m)
		require.NoError(t, err)
		return c
	}
	require.Equal(t, at(41.9981, -88.0012, 214), at(42.0049, -87.9961, 190))
	require.NotEqual(t, at(42, -88, 200), at(42, -88.03, 200))
	require.NotEqual(t, at(42, -88, 200), at(42, -88, 300), "a valley is colder than its rim")
	c := at(42, -88, 200)
	require.Equal(t, "42.00,-88.00,200", c.Key)
	require.Equal(t, "0.00,0.00,0", at(-0.001, 0.001, -3).Key)
}

// Recorded answers are asked in another form (ISO times, local offset, km/h);
// with the times put into ours they have to read the same.
func TestRecordedPayload(t *testing.T) {
	body, err := os.ReadFile("../../../../shared/forecast-samples/open-meteo/magicmirror-current.json")
	if err != nil {
		t.Skip("no recorded payloads here")
	}
	var recorded map[string]any
	require.NoError(t, json.Unmarshal(body, &recorded))
	hourly := recorded["hourly"].(map[string]any)
	units := recorded["hourly_units"].(map[string]any)
	asked := forecast.Cell{Key: "recorded", Latitude: recorded["latitude"].(float64), Longitude: recorded["longitude"].(float64)}
	offset := time.Duration(recorded["utc_offset_seconds"].(float64)) * time.Second

	_, err = openmeteo.Read(body, asked, now)
	require.ErrorContains(t, err, "UTC", "local hours are refused as they are")

	var times []any
	var first time.Time
	for _, text := range hourly["time"].([]any) {
		local, err := time.Parse("2006-01-02T15:04", text.(string))
		require.NoError(t, err)
		if first.IsZero() {
			first = local.Add(-offset)
		}
		times = append(times, local.Add(-offset).Unix())
	}
	temperatures := hourly["temperature_2m"].([]any)
	wind := hourly["wind_speed_10m"].([]any)
	hourly["time"], units["time"], recorded["utc_offset_seconds"] = times, "unixtime", 0
	// The recording has no humidity; the dew point of its own temperatures keeps it complete.
	hourly["dew_point_2m"], units["dew_point_2m"] = temperatures, "°C"
	ours, err := json.Marshal(recorded)
	require.NoError(t, err)
	issue, err := openmeteo.Read(ours, asked, first.Add(time.Minute))
	require.NoError(t, err)
	require.Len(t, issue.Hours, len(times))
	for i, h := range issue.Hours {
		require.Equal(t, first.Add(time.Duration(i)*time.Hour), h.At)
		require.InDelta(t, temperatures[i].(float64), *h.AirTempC, 1e-9)
		require.InDelta(t, wind[i].(float64)/3.6, *h.WindMS, 1e-9, "recorded in %v", units["wind_speed_10m"])
	}
}

// Whatever comes in, there is no panic, no hour out of order and no value that
// weather can't have.
func FuzzRead(f *testing.F) {
	for _, p := range points(f) {
		f.Add([]byte(p))
	}
	f.Add([]byte(`{"latitude":42,"longitude":-88,"hourly_units":{"time":"unixtime"},"hourly":{"time":[1799967600]}}`))
	f.Add([]byte(`{"hourly":{"time":[,]}}`))
	f.Fuzz(func(t *testing.T, body []byte) {
		issue, err := openmeteo.Read(body, chicago, now)
		if err != nil {
			return
		}
		require.NoError(t, issue.Verify())
	})
}

// A batch never has more or fewer points than were asked for.
func FuzzBatch(f *testing.F) {
	f.Add([]byte(fixture(f)), 2)
	f.Add([]byte("[{},{},{}]"), 3)
	f.Fuzz(func(t *testing.T, body []byte, points int) {
		if list, err := openmeteo.SplitPoints(body, points); err == nil {
			require.Len(t, list, points)
		}
	})
}

func FuzzSpread(f *testing.F) {
	f.Add([]byte(`{"latitude":42,"longitude":-88,"utc_offset_seconds":0,"hourly_units":{"time":"unixtime","temperature_2m":"°C","temperature_2m_spread":"°C"},"hourly":{"time":[1799967600],"temperature_2m":[-5],"temperature_2m_spread":[1.2]}}`))
	f.Fuzz(func(t *testing.T, body []byte) {
		if issue, err := openmeteo.ReadSpread(body, chicago, now); err == nil {
			require.NoError(t, issue.Verify())
		}
	})
}

// A run lies in the past, or a few minutes ahead by a clock that is off.
func FuzzRun(f *testing.F) {
	f.Add([]byte(`{"last_run_availability_time":1799967600,"update_interval_seconds":21600}`))
	f.Add([]byte(`{"last_run_availability_time":9223372036854775807}`))
	f.Fuzz(func(t *testing.T, body []byte) {
		if run, err := openmeteo.ReadRun(body, now); err == nil {
			require.Less(t, run.Sub(now), 11*time.Minute)
			require.Positive(t, run.Unix())
		}
	})
}

func BenchmarkRead(b *testing.B) {
	body := longPoint(14 * 24)
	b.SetBytes(int64(len(body)))
	for b.Loop() {
		if _, err := openmeteo.Read(body, chicago, now); err != nil {
			b.Fatal(err)
		}
	}
}

// longPoint is a point of so many hours in the fixture's form.
func longPoint(hours int) []byte {
	names := []string{
		"temperature_2m", "dew_point_2m", "wind_speed_10m", "wind_gusts_10m", "cloud_cover", "shortwave_radiation", "precipitation",
		"precipitation_probability", "weather_code", "snowfall", "snow_depth", "soil_temperature_0cm", "soil_temperature_6cm", "soil_temperature_18cm",
	}
	of := []string{"°C", "°C", "m/s", "m/s", "%", "W/m²", "mm", "%", "wmo code", "cm", "m", "°C", "°C", "°C"}
	var units, series strings.Builder
	for i, name := range names {
		fmt.Fprintf(&units, `,%q:%q`, name, of[i])
		fmt.Fprintf(&series, `,%q:[1.5`, name)
		series.WriteString(strings.Repeat(`,1.5`, hours-1) + `]`)
	}
	var times strings.Builder
	for h := range hours {
		if h > 0 {
			times.WriteByte(',')
		}
		fmt.Fprint(&times, now.Truncate(time.Hour).AddDate(0, 0, -2).Unix()+int64(h)*3600)
	}
	return []byte(`{"latitude":42,"longitude":-88,"utc_offset_seconds":0,"hourly_units":{"time":"unixtime"` + units.String() + `},"hourly":{"time":[` + times.String() + `]` + series.String() + `}}`)
}
