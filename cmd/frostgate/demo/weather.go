package demo

import (
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
)

// Weather is a weather service on this machine that answers as the Open-Meteo forecast service does: same paths,
// parameters, members and units, with hours in unix time. It holds one [Sky] for each place.
type Weather struct {
	Now func() time.Time // time.Now when nil

	mu      sync.Mutex
	skies   []Sky
	silent  map[string]bool // places it has no answer for
	issued  time.Time       // when its model run became available
	answers int
}

// SetSkies replaces all weather, as a new run of the model would, available from that moment on.
func (w *Weather) SetSkies(skies ...Sky) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.skies, w.issued = skies, w.now()
}

// Silence makes the service fail for the named places until it is called again without them.
func (w *Weather) Silence(names ...string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.silent = map[string]bool{}
	for _, name := range names {
		w.silent[name] = true
	}
}

// Answers counts the forecasts given so far.
func (w *Weather) Answers() int {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.answers
}

func (w *Weather) now() time.Time {
	if w.Now != nil {
		return w.Now()
	}
	return time.Now()
}

// ServeHTTP answers /v1/forecast and /data/MODEL/static/meta.json.
func (w *Weather) ServeHTTP(rw http.ResponseWriter, r *http.Request) {
	switch {
	case r.URL.Path == "/v1/forecast":
		w.serveForecast(rw, r)
	case strings.HasPrefix(r.URL.Path, "/data/") && strings.HasSuffix(r.URL.Path, "/static/meta.json"):
		w.serveMeta(rw)
	default:
		refuse(rw, http.StatusNotFound, "Not Found")
	}
}

func (w *Weather) serveMeta(rw http.ResponseWriter) {
	w.mu.Lock()
	issued := w.issued
	w.mu.Unlock()
	answer(rw, map[string]any{
		"last_run_initialisation_time": issued.Add(-time.Hour).Truncate(time.Hour).Unix(),
		"last_run_availability_time":   issued.Unix(),
		"update_interval_seconds":      3600,
		"temporal_resolution_seconds":  3600,
		"data_end_time":                issued.Add(16 * 24 * time.Hour).Truncate(time.Hour).Unix(),
	})
}

// variables are the hourly variables served, with their units.
var variables = map[string]struct {
	unit string
	of   func(Conditions) float64
}{
	"temperature_2m":            {"°C", func(c Conditions) float64 { return c.AirTempC }},
	"dew_point_2m":              {"°C", func(c Conditions) float64 { return c.DewPointC }},
	"relative_humidity_2m":      {"%", func(c Conditions) float64 { return humidity(c.AirTempC, c.DewPointC) }},
	"wind_speed_10m":            {"m/s", func(c Conditions) float64 { return c.WindMS }},
	"wind_gusts_10m":            {"m/s", func(c Conditions) float64 { return c.GustMS }},
	"cloud_cover":               {"%", func(c Conditions) float64 { return math.Round(100 * c.Cloud) }},
	"shortwave_radiation":       {"W/m²", func(c Conditions) float64 { return c.ShortwaveWm2 }},
	"precipitation":             {"mm", func(c Conditions) float64 { return c.PrecipMM }},
	"precipitation_probability": {"%", func(c Conditions) float64 { return math.Round(100 * c.PrecipProb) }},
	"rain":                      {"mm", func(c Conditions) float64 { return c.PrecipMM - c.SnowfallCM/0.7 }},
	"showers":                   {"mm", func(Conditions) float64 { return 0 }},
	"snowfall":                  {"cm", func(c Conditions) float64 { return c.SnowfallCM }},
	"snow_depth":                {"m", func(c Conditions) float64 { return c.SnowDepthM }},
	"weather_code":              {"wmo code", func(c Conditions) float64 { return float64(c.Code) }},
	"soil_temperature_0cm":      {"°C", func(c Conditions) float64 { return c.GroundSurfaceC }},
	"soil_temperature_6cm":      {"°C", func(c Conditions) float64 { return c.Ground6C }},
	"soil_temperature_18cm":     {"°C", func(c Conditions) float64 { return c.Ground18C }},
}

// humidity is the relative humidity over water in percent (Magnus form, Alduchov and Eskridge 1996).
func humidity(airC, dewC float64) float64 {
	e := func(c float64) float64 { return math.Exp(17.625 * c / (243.04 + c)) }
	return math.Round(100 * e(dewC) / e(airC))
}

func (w *Weather) serveForecast(rw http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	lats, err1 := numbers(q.Get("latitude"))
	lons, err2 := numbers(q.Get("longitude"))
	if err1 != nil || err2 != nil || len(lats) == 0 || len(lats) != len(lons) {
		refuse(rw, http.StatusBadRequest, "Parameter 'latitude' and 'longitude' must have the same number of elements")
		return
	}
	names := strings.Split(q.Get("hourly"), ",")
	for _, name := range names {
		if _, known := variables[name]; !known {
			refuse(rw, http.StatusBadRequest, "Cannot initialize a variable from invalid String value "+name+".")
			return
		}
	}
	if q.Get("timeformat") != "unixtime" || q.Get("wind_speed_unit") != "ms" || q.Get("timezone") != "" && q.Get("timezone") != "GMT" {
		refuse(rw, http.StatusBadRequest, "This local service knows only timeformat=unixtime, wind_speed_unit=ms, timezone=GMT")
		return
	}
	from, to, err := span(q.Get, w.now().UTC())
	if err != nil {
		refuse(rw, http.StatusBadRequest, err.Error())
		return
	}
	var points []map[string]any
	for i := range lats {
		sky, ok := w.skyAt(lats[i], lons[i])
		if !ok {
			refuse(rw, http.StatusServiceUnavailable, "The service is overloaded. Please try again later.")
			return
		}
		points = append(points, point(sky, i, names, from, to))
	}
	if len(points) == 1 {
		answer(rw, points[0])
		return
	}
	answer(rw, points)
}

// skyAt finds the nearest place and counts the answer; a silenced place has none.
func (w *Weather) skyAt(lat, lon float64) (Sky, bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if len(w.skies) == 0 {
		return Sky{}, false
	}
	nearest := slices.MinFunc(w.skies, func(a, b Sky) int {
		distance := func(s Sky) float64 { return math.Hypot(s.Latitude-lat, s.Longitude-lon) }
		return int(math.Copysign(1, distance(a)-distance(b)))
	})
	if w.silent[nearest.Name] {
		return Sky{}, false
	}
	w.answers++
	return nearest, true
}

// span reads which hours are asked for; by default seven days from midnight on, as the service does.
func span(get func(string) string, now time.Time) (from, to time.Time, err error) {
	number := func(name string, otherwise, most int) int {
		value := otherwise
		if text := get(name); text != "" {
			if value, err = strconv.Atoi(text); err == nil && (value < 0 || value > most) {
				err = fmt.Errorf("Parameter '%s' is out of allowed range from 0 to %d.", name, most) //nolint:revive,staticcheck // the service's own wording
			}
		}
		return value
	}
	if get("past_hours") != "" || get("forecast_hours") != "" {
		hour := now.Truncate(time.Hour)
		from = hour.Add(-time.Duration(number("past_hours", 0, 93*24)) * time.Hour)
		return from, hour.Add(time.Duration(number("forecast_hours", 168, 16*24)) * time.Hour), err
	}
	midnight := now.Truncate(24 * time.Hour)
	return midnight.AddDate(0, 0, -number("past_days", 0, 93)), midnight.AddDate(0, 0, number("forecast_days", 7, 16)), err
}

func point(sky Sky, index int, names []string, from, to time.Time) map[string]any {
	units := map[string]string{"time": "unixtime"}
	hourly := map[string]any{}
	var times []int64
	series := map[string][]float64{}
	for t := from; t.Before(to); t = t.Add(time.Hour) {
		times = append(times, t.Unix())
		c := sky.At(t)
		for _, name := range names {
			series[name] = append(series[name], math.Round(100*variables[name].of(c))/100)
		}
	}
	hourly["time"] = times
	for _, name := range names {
		units[name], hourly[name] = variables[name].unit, series[name]
	}
	p := map[string]any{
		"latitude": sky.Latitude, "longitude": sky.Longitude, "elevation": 250.0,
		"generationtime_ms": 0.5, "utc_offset_seconds": 0, "timezone": "GMT", "timezone_abbreviation": "GMT",
		"hourly_units": units, "hourly": hourly,
	}
	if index > 0 {
		p["location_id"] = index
	}
	return p
}

func numbers(list string) ([]float64, error) {
	var values []float64
	for text := range strings.SplitSeq(list, ",") {
		value, err := strconv.ParseFloat(text, 64)
		if err != nil {
			return nil, err
		}
		values = append(values, value)
	}
	return values, nil
}

func answer(rw http.ResponseWriter, body any) {
	rw.Header().Set("Content-Type", "application/json; charset=utf-8")
	_ = json.NewEncoder(rw).Encode(body) // a client that went away asks again
}

func refuse(rw http.ResponseWriter, status int, reason string) {
	rw.Header().Set("Content-Type", "application/json; charset=utf-8")
	rw.WriteHeader(status)
	_ = json.NewEncoder(rw).Encode(map[string]any{"error": true, "reason": reason})
}
