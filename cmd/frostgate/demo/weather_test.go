package demo

import (
	"encoding/json"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// noon is a moment in high summer: the demo's winter must not notice.
var noon = time.Date(2026, 7, 14, 17, 20, 0, 0, time.UTC)

// suggested is the query that forecast clients send: ten variables, past days, unix time.
const suggested = "latitude=45.42,43.96&longitude=-92.13,-107.72&timeformat=unixtime&timezone=GMT&wind_speed_unit=ms&past_days=3&forecast_days=7&hourly=" +
	"temperature_2m,dew_point_2m,wind_speed_10m,wind_gusts_10m,cloud_cover,shortwave_radiation,precipitation,snowfall,snow_depth,weather_code"

func newWeather(t *testing.T) (*Weather, func(query string) (int, []byte)) {
	t.Helper()
	weather := &Weather{Now: func() time.Time { return noon }}
	var skies []Sky
	for _, site := range weekSites() {
		skies = append(skies, site.Sky(noon.Truncate(24*time.Hour)))
	}
	weather.SetSkies(skies...)
	return weather, func(query string) (int, []byte) {
		answer := httptest.NewRecorder()
		weather.ServeHTTP(answer, httptest.NewRequest(http.MethodGet, "/v1/forecast?"+query, nil))
		return answer.Code, answer.Body.Bytes()
	}
}

type forecastPoint struct {
	LocationID *int              `json:"location_id"`
	Latitude   float64           `json:"latitude"`
	Units      map[string]string `json:"hourly_units"`
	Hourly     map[string][]float64
}

// The service's documentation: several points come as an array in the order asked, location_id absent from the first;
// arrays of equal length from midnight GMT on; each variable with its unit.
func TestWeatherAnswersInTheServicesShape(t *testing.T) {
	t.Parallel()
	_, ask := newWeather(t)
	status, body := ask(suggested)
	require.Equal(t, http.StatusOK, status, string(body))
	var points []forecastPoint
	require.NoError(t, json.Unmarshal(body, &points))
	require.Len(t, points, 2)
	require.Nil(t, points[0].LocationID)
	require.Equal(t, 1, *points[1].LocationID)
	require.Equal(t, 43.96, points[1].Latitude)
	for _, p := range points {
		times := p.Hourly["time"]
		require.Len(t, times, 10*24)
		require.Equal(t, float64(noon.Truncate(24*time.Hour).AddDate(0, 0, -3).Unix()), times[0])
		require.Len(t, p.Hourly, 11)
		for name, values := range p.Hourly {
			require.Len(t, values, len(times), name)
		}
		require.Equal(t, map[string]string{
			"time": "unixtime", "temperature_2m": "°C", "dew_point_2m": "°C", "wind_speed_10m": "m/s", "wind_gusts_10m": "m/s", "cloud_cover": "%",
			"shortwave_radiation": "W/m²", "precipitation": "mm", "snowfall": "cm", "snow_depth": "m", "weather_code": "wmo code",
		}, p.Units)
	}
	status, body = ask("latitude=45.42&longitude=-92.13&timeformat=unixtime&wind_speed_unit=ms&hourly=temperature_2m")
	require.Equal(t, http.StatusOK, status)
	var single forecastPoint
	require.NoError(t, json.Unmarshal(body, &single), "one point comes as an object")
	require.Len(t, single.Hourly["time"], 7*24, "seven days unless asked otherwise")
}

// A recorded answer of the real service, where there is one: what every answer has, ours has.
func TestWeatherHasTheMembersOfARecordedAnswer(t *testing.T) {
	t.Parallel()
	recorded, err := os.ReadFile("../../../../shared/forecast-samples/open-meteo/magicmirror-current.json")
	if err != nil {
		t.Skip("no recorded answer beside this checkout")
	}
	var real, ours map[string]json.RawMessage
	require.NoError(t, json.Unmarshal(recorded, &real))
	_, ask := newWeather(t)
	_, body := ask("latitude=45.42&longitude=-92.13&timeformat=unixtime&wind_speed_unit=ms&hourly=temperature_2m")
	require.NoError(t, json.Unmarshal(body, &ours))
	for name := range real {
		if !slices.Contains([]string{"current", "current_units", "daily", "daily_units"}, name) {
			require.Contains(t, ours, name)
		}
	}
}

func TestWeatherRefusesAsTheServiceDoes(t *testing.T) {
	t.Parallel()
	weather, ask := newWeather(t)
	weather.Silence("Salt shed")
	for name, c := range map[string]struct {
		query  string
		status int
	}{
		"unknown variable": {"latitude=45&longitude=-92&timeformat=unixtime&wind_speed_unit=ms&hourly=warmth", http.StatusBadRequest},
		"uneven points":    {"latitude=45,46&longitude=-92&timeformat=unixtime&wind_speed_unit=ms&hourly=temperature_2m", http.StatusBadRequest},
		"too many days":    {"latitude=45&longitude=-92&forecast_days=17&timeformat=unixtime&wind_speed_unit=ms&hourly=temperature_2m", http.StatusBadRequest},
		"no answer there":  {"latitude=44.68&longitude=-106.44&timeformat=unixtime&wind_speed_unit=ms&hourly=temperature_2m", http.StatusServiceUnavailable},
	} {
		status, body := ask(c.query)
		require.Equal(t, c.status, status, name)
		var refusal struct {
			Error  bool
			Reason string
		}
		require.NoError(t, json.Unmarshal(body, &refusal))
		require.True(t, refusal.Error && refusal.Reason != "", name)
	}
}

func TestSkyIsTheSameForTheSameHourAndPossible(t *testing.T) {
	t.Parallel()
	anchor := noon.Truncate(24 * time.Hour)
	for _, site := range weekSites() {
		sky := site.Sky(anchor)
		for h := -20 * 24; h < 8*24; h++ {
			at := anchor.Add(time.Duration(h) * time.Hour)
			c := sky.At(at)
			require.Equal(t, c, sky.At(at))
			require.LessOrEqual(t, c.DewPointC, c.AirTempC)
			require.GreaterOrEqual(t, c.GustMS, c.WindMS)
			require.Condition(t, func() bool { return c.Cloud >= 0 && c.Cloud <= 1 && c.ShortwaveWm2 >= 0 && c.ShortwaveWm2 < 700 })
		}
		night := sky.At(anchor.Add(time.Duration(24-site.Longitude/15) * time.Hour)) // solar midnight
		require.Zero(t, night.ShortwaveWm2)
		shifted := site.Sky(anchor.AddDate(0, 5, 3))
		there, here := shifted.At(shifted.Anchor.Add(30*time.Hour)), sky.At(anchor.Add(30*time.Hour))
		require.LessOrEqual(t, math.Abs(there.AirTempC-here.AirTempC), 0.9, "another date has the same course, but for the noise")
	}
}
