package replay

import (
	"fmt"
	"math"
	"net/http"
	"strconv"
	"strings"
	"time"

	"frostgate/scheduler/forecast"
)

// A column is a variable of the Open-Meteo service.
type column struct {
	unit   string
	factor float64
	behind bool // stands for the hour before its time
	of     func(forecast.Hour) *float64
}

var columns = map[string]column{
	"temperature_2m":            {"°C", 1, false, func(h forecast.Hour) *float64 { return h.AirTempC }},
	"temperature_2m_spread":     {"°C", 1, false, func(h forecast.Hour) *float64 { return h.AirTempSDC }},
	"dew_point_2m":              {"°C", 1, false, func(h forecast.Hour) *float64 { return h.DewPointC }},
	"relative_humidity_2m":      {"%", 100, false, func(h forecast.Hour) *float64 { return h.RelHumidity }},
	"wind_speed_10m":            {"m/s", 1, false, func(h forecast.Hour) *float64 { return h.WindMS }},
	"wind_speed_10m_spread":     {"m/s", 1, false, func(h forecast.Hour) *float64 { return h.WindSDMS }},
	"wind_direction_10m":        {"°", 1, false, func(h forecast.Hour) *float64 { return h.WindFromDeg }},
	"wind_gusts_10m":            {"m/s", 1, true, func(h forecast.Hour) *float64 { return h.GustMS }},
	"cloud_cover":               {"%", 100, false, func(h forecast.Hour) *float64 { return h.Cloud }},
	"shortwave_radiation":       {"W/m²", 1, true, func(h forecast.Hour) *float64 { return h.ShortwaveWm2 }},
	"precipitation":             {"mm", 1, true, func(h forecast.Hour) *float64 { return h.PrecipMM }},
	"precipitation_probability": {"%", 100, true, func(h forecast.Hour) *float64 { return h.PrecipProb }},
	"snowfall":                  {"cm", 0.7, true, func(h forecast.Hour) *float64 { return h.SnowfallSWEMM }},
	"weather_code":              {"wmo code", 1, true, wmoCode},
	"snow_depth":                {"m", 1, false, func(h forecast.Hour) *float64 { return h.SnowDepthM }},
	"soil_temperature_0cm":      {"°C", 1, false, func(h forecast.Hour) *float64 { return h.SkinTempC }},
	"soil_temperature_6cm":      {"°C", 1, false, func(h forecast.Hour) *float64 { return soilAt(h, 0.06) }},
	"soil_temperature_18cm":     {"°C", 1, false, func(h forecast.Hour) *float64 { return soilAt(h, 0.18) }},
}

// soilAt is the temperature of the layer that holds a depth.
func soilAt(h forecast.Hour, depthM float64) *float64 {
	for _, layer := range h.SoilTemps {
		if layer.TopM <= depthM && depthM <= layer.BottomM {
			return &layer.TempC
		}
	}
	return nil
}

var wmoCodes = map[string]float64{
	"rain": 61, "snow": 73, "sleet": 68, "freezing_rain": 66, "ice_pellets": 79, "hail": 96,
}

// wmoCode is the code of WMO table 4677 for what falls, else for the cloud.
func wmoCode(h forecast.Hour) *float64 {
	if code, falls := wmoCodes[h.PrecipType]; falls {
		return &code
	}
	if h.Cloud == nil {
		return nil
	}
	return new(math.Round(3 * *h.Cloud))
}

// serveColumns answers /v1/forecast and /v1/ensemble.
func (s *state) serveColumns(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	lats, err1 := numbers(q.Get("latitude"))
	lons, err2 := numbers(q.Get("longitude"))
	if err1 != nil || err2 != nil || len(lats) == 0 || len(lats) != len(lons) {
		refuse(w, http.StatusBadRequest, "Parameter 'latitude' and 'longitude' must have the same number of elements")
		return
	}
	names := strings.Split(q.Get("hourly"), ",")
	for _, name := range names {
		if _, known := columns[name]; !known {
			refuse(w, http.StatusBadRequest, "Cannot initialize a variable from invalid String value "+name+".")
			return
		}
	}
	if q.Get("timeformat") != "unixtime" || q.Get("wind_speed_unit") != "ms" || q.Get("timezone") != "" && q.Get("timezone") != "GMT" {
		refuse(w, http.StatusBadRequest, "This local service knows only timeformat=unixtime, wind_speed_unit=ms, timezone=GMT")
		return
	}
	from, to, err := span(q.Get, s.at)
	if err != nil {
		refuse(w, http.StatusBadRequest, err.Error())
		return
	}
	var points []map[string]any
	for i := range lats {
		if math.Abs(lats[i]) > 90 {
			refuse(w, http.StatusBadRequest, fmt.Sprintf("Latitude must be in range of -90 to 90°. Given: %g.", lats[i]))
			return
		}
		place := s.nearest(lats[i], lons[i])
		if place == nil {
			refuse(w, http.StatusBadRequest, "No data is available for this location") // a client finds the one place by halving its question
			return
		}
		points = append(points, s.point(place, i, lats[i], lons[i], names, from, to))
	}
	if len(points) == 1 {
		answer(w, "application/json; charset=utf-8", points[0])
		return
	}
	answer(w, "application/json; charset=utf-8", points)
}

// point is the weather of a place on a grid of 0.05 degrees.
func (s *state) point(p *Place, index int, latitude, longitude float64, names []string, from, to time.Time) map[string]any {
	units, hourly := map[string]string{"time": "unixtime"}, map[string]any{}
	var times []int64
	series := map[string][]any{}
	for t := from; t.Before(to); t = t.Add(time.Hour) {
		times = append(times, t.Unix())
		now, before := p.Hour(t), p.Hour(t.Add(-time.Hour))
		for _, name := range names {
			c, h := columns[name], now
			if c.behind {
				h = before
			}
			series[name] = append(series[name], given(c.of(h), c.factor, 2))
		}
	}
	hourly["time"] = times
	for _, name := range names {
		units[name], hourly[name] = columns[name].unit, series[name]
	}
	onGrid := func(v float64) float64 { return math.Round(v*20) / 20 }
	point := map[string]any{
		"latitude": onGrid(latitude), "longitude": onGrid(longitude), "elevation": p.ElevationM,
		"generationtime_ms": float64(s.at.Nanosecond()%1e6) / 1e6, "utc_offset_seconds": 0, "timezone": "GMT", "timezone_abbreviation": "GMT",
		"hourly_units": units, "hourly": hourly,
	}
	if index > 0 {
		point["location_id"] = index
	}
	return point
}

// span reads which hours are asked for; by default seven days from midnight on,
// as the service does.
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
	from = midnight.AddDate(0, 0, -number("past_days", 0, 93))
	return from, midnight.AddDate(0, 0, number("forecast_days", 7, 36)), err
}

// serveRun answers /data/MODEL/static/meta.json.
func (s *state) serveRun(w http.ResponseWriter, r *http.Request) {
	if !strings.HasSuffix(r.URL.Path, "/static/meta.json") {
		refuse(w, http.StatusNotFound, "Not Found")
		return
	}
	answer(w, "application/json", map[string]any{
		"last_run_initialisation_time": s.issued.Add(-4 * time.Hour).Truncate(time.Hour).Unix(),
		"last_run_modification_time":   s.issued.Unix(),
		"last_run_availability_time":   s.issued.Unix(),
		"update_interval_seconds":      21600,
		"temporal_resolution_seconds":  3600,
		"data_end_time":                s.issued.Add(16 * 24 * time.Hour).Truncate(time.Hour).Unix(),
	})
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

func refuse(w http.ResponseWriter, status int, reason string) {
	w.Header().Set("Content-Type", "application/json; charset=utf-8")
	w.WriteHeader(status)
	_ = writeJSON(w, map[string]any{"error": true, "reason": reason})
}
