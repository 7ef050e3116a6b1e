package replay

import (
	"math"
	"net/http"
	"strings"
	"time"

	"frostgate/scheduler/forecast"
)

// The MET Norway service gives hours for two days and blocks of six hours up to
// ten days.
const (
	seriesHourly = 54 * time.Hour
	seriesAhead  = 10 * 24 * time.Hour
	seriesFresh  = 31 * time.Minute
)

// serveSeries answers /weatherapi/locationforecast/2.0/compact and complete.
func (s *state) serveSeries(w http.ResponseWriter, r *http.Request) {
	complete := strings.HasSuffix(r.URL.Path, "/complete")
	q := r.URL.Query()
	lats, err1 := numbers(q.Get("lat"))
	lons, err2 := numbers(q.Get("lon"))
	switch {
	case !complete && !strings.HasSuffix(r.URL.Path, "/compact"):
		http.NotFound(w, r)
		return
	case err1 != nil || err2 != nil:
		http.Error(w, "Missing or bad parameter: lat, lon", http.StatusBadRequest)
		return
	case len(q.Get("lat")) > len("-xx.xxxx") || len(q.Get("lon")) > len("-xxx.xxxx"):
		http.Error(w, "Too many decimals", http.StatusForbidden)
		return
	}
	place := s.nearest(lats[0], lons[0])
	if place == nil {
		http.Error(w, "Service unavailable", http.StatusServiceUnavailable)
		return
	}
	modified := s.issued.Format(http.TimeFormat)
	w.Header().Set("Expires", s.at.Add(seriesFresh).Format(http.TimeFormat))
	w.Header().Set("Last-Modified", modified)
	if r.Header.Get("If-Modified-Since") == modified {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	answer(w, "application/json", map[string]any{
		"type":     "Feature",
		"geometry": map[string]any{"type": "Point", "coordinates": []any{lons[0], lats[0], math.Round(place.ElevationM)}},
		"properties": map[string]any{
			"meta":       map[string]any{"updated_at": s.issued.Format(time.RFC3339), "units": seriesUnits(complete)},
			"timeseries": s.series(place, complete),
		},
	})
}

func seriesUnits(complete bool) map[string]string {
	units := map[string]string{
		"air_pressure_at_sea_level": "hPa", "air_temperature": "celsius", "cloud_area_fraction": "%", "precipitation_amount": "mm",
		"relative_humidity": "%", "wind_from_direction": "degrees", "wind_speed": "m/s",
	}
	if complete {
		units["dew_point_temperature"], units["air_temperature_max"], units["air_temperature_min"] = "celsius", "celsius", "celsius"
		units["wind_speed_of_gust"], units["probability_of_precipitation"] = "m/s", "%"
	}
	return units
}

func (s *state) series(p *Place, complete bool) []map[string]any {
	var entries []map[string]any
	first := s.at.Truncate(time.Hour)
	end := first.Add(seriesAhead).Truncate(6 * time.Hour)
	for at := first; !at.After(end); {
		next := at.Add(time.Hour)
		if at.Sub(first) >= seriesHourly && at.Equal(at.Truncate(6*time.Hour)) {
			next = at.Add(6 * time.Hour)
		}
		data := map[string]any{"instant": map[string]any{"details": instant(p.Hour(at), complete)}}
		switch {
		case at.Equal(end): // nothing lies ahead of the last entry
		case next.Sub(at) == time.Hour:
			data["next_1_hours"] = period(p, at, next, complete)
			data["next_6_hours"] = period(p, at, at.Add(6*time.Hour), complete)
		default:
			data["next_6_hours"] = period(p, at, next, complete)
		}
		entries = append(entries, map[string]any{"time": at.Format(time.RFC3339), "data": data})
		at = next
	}
	return entries
}

func instant(h forecast.Hour, complete bool) map[string]any {
	details := map[string]any{"air_pressure_at_sea_level": 1013.2}
	put(details, "air_temperature", h.AirTempC, 1)
	put(details, "relative_humidity", h.RelHumidity, 100)
	put(details, "wind_speed", h.WindMS, 1)
	put(details, "wind_from_direction", h.WindFromDeg, 1)
	put(details, "cloud_area_fraction", h.Cloud, 100)
	if complete {
		put(details, "dew_point_temperature", h.DewPointC, 1)
		put(details, "wind_speed_of_gust", h.GustMS, 1)
	}
	return details
}

// put leaves out what is not known, as the service does.
func put(details map[string]any, name string, v *float64, factor float64) {
	if v != nil {
		details[name] = given(v, factor, 1)
	}
}

func period(p *Place, from, to time.Time, complete bool) map[string]any {
	details := map[string]any{}
	put(details, "precipitation_amount", sum(func(at time.Time) *float64 { return p.Hour(at).PrecipMM }, from, to), 1)
	if complete {
		put(details, "probability_of_precipitation", p.Hour(from).PrecipProb, 100)
		if to.Sub(from) > time.Hour {
			low, high := math.Inf(1), math.Inf(-1)
			for at := from; !at.After(to); at = at.Add(time.Hour) {
				if c := p.Hour(at).AirTempC; c != nil {
					low, high = min(low, *c), max(high, *c)
				}
			}
			put(details, "air_temperature_min", &low, 1)
			put(details, "air_temperature_max", &high, 1)
		}
	}
	return map[string]any{"summary": map[string]any{"symbol_code": symbol(p, from, to)}, "details": details}
}

var symbols = map[string]string{
	"rain": "rain", "snow": "snow", "sleet": "sleet", "freezing_rain": "sleet", "ice_pellets": "sleet", "hail": "heavyrainandthunder",
}

func symbol(p *Place, from, to time.Time) string {
	for at := from; at.Before(to); at = at.Add(time.Hour) {
		if name, falls := symbols[p.Hour(at).PrecipType]; falls {
			return name
		}
	}
	return "cloudy"
}
