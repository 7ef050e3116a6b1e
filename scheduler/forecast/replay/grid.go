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

// The National Weather Service gives its grid from a few hours back to seven
// days ahead, and serves a place that is off its map with a problem.
const (
	gridPast    = 3 * time.Hour
	gridAhead   = 7 * 24 * time.Hour
	gridOffDeg  = 1.0    // from the nearest place: not covered
	gridHalfDeg = 0.0125 // half of a cell
	gridOffice  = "FRG"
	gridState   = "IL"
)

const geoJSON = "application/geo+json"

func trouble(w http.ResponseWriter, status int, code, title, detail string) {
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(status)
	_ = writeJSON(w, map[string]any{
		"correlationId": "2f1d0c9a", "title": title, "type": "https://api.weather.gov/problems/" + code, "status": status,
		"detail": detail, "instance": "https://api.weather.gov/requests/2f1d0c9a",
	})
}

func base(r *http.Request) string { return "http://" + r.Host }

// servePoint answers /points/LAT,LON.
func (s *state) servePoint(w http.ResponseWriter, r *http.Request) {
	text := strings.TrimPrefix(r.URL.Path, "/points/")
	at, err := numbers(text)
	if err != nil || len(at) != 2 {
		trouble(w, http.StatusBadRequest, "InvalidParameter", "Invalid Parameter", "Parameter \"point\" is invalid")
		return
	}
	plain := strconv.FormatFloat(math.Round(at[0]*1e4)/1e4, 'f', -1, 64) + "," + strconv.FormatFloat(math.Round(at[1]*1e4)/1e4, 'f', -1, 64)
	if plain != text {
		w.Header().Set("Location", "/points/"+plain)
		trouble(w, http.StatusMovedPermanently, "AdjustPointPrecision", "Adjusting Precision Of Point Coordinate", "The precision of latitude/longitude points is limited to 4 decimal digits")
		return
	}
	i := s.index(at[0], at[1])
	if i < 0 {
		trouble(w, http.StatusNotFound, "InvalidPoint", "Data Unavailable For Requested Point", "Unable to provide data for requested point "+plain)
		return
	}
	grid := fmt.Sprintf("%s/gridpoints/%s/%d,%d", base(r), gridOffice, i, i)
	answer(w, geoJSON, map[string]any{
		"id": base(r) + r.URL.Path, "type": "Feature",
		"geometry": map[string]any{"type": "Point", "coordinates": []float64{at[1], at[0]}},
		"properties": map[string]any{
			"@type": "wx:Point", "cwa": gridOffice, "type": "land", "gridId": gridOffice, "gridX": i, "gridY": i,
			"forecast": grid + "/forecast", "forecastHourly": grid + "/forecast/hourly", "forecastGridData": grid,
			"observationStations": grid + "/stations", "forecastZone": base(r) + "/zones/forecast/" + zone(i), "county": base(r) + "/zones/county/" + county(i),
			"timeZone": "America/Chicago",
		},
	})
}

func zone(i int) string   { return fmt.Sprintf("%sZ%03d", gridState, i) }
func county(i int) string { return fmt.Sprintf("%sC%03d", gridState, i) }

// index is the number of the place that covers coordinates; -1 for none.
func (s *state) index(latitude, longitude float64) int {
	p := s.nearest(latitude, longitude)
	if p == nil || math.Abs(p.Latitude-latitude) > gridOffDeg || math.Abs(p.Longitude-longitude) > gridOffDeg {
		return -1
	}
	for i := range s.places {
		if s.places[i].Name == p.Name {
			return i
		}
	}
	return -1
}

// serveGrid answers /gridpoints/OFFICE/X,Y, its hourly forecast and its stations.
func (s *state) serveGrid(w http.ResponseWriter, r *http.Request) {
	var i, y int
	rest := ""
	n, _ := fmt.Sscanf(strings.TrimPrefix(r.URL.Path, "/gridpoints/"+gridOffice+"/"), "%d,%d%s", &i, &y, &rest)
	if n < 2 || i < 0 || i >= len(s.places) {
		trouble(w, http.StatusNotFound, "NotFound", "Not Found", "The grid point is not known")
		return
	}
	p := &s.places[i]
	if s.silent[p.Name] {
		trouble(w, http.StatusInternalServerError, "UnexpectedProblem", "Unexpected Problem", "An unexpected problem has occurred.")
		return
	}
	switch rest {
	case "/stations":
		s.serveStations(w, r, i)
		return
	case "/forecast/hourly":
		answer(w, geoJSON, s.hourly(p))
		return
	case "":
	default:
		trouble(w, http.StatusNotFound, "NotFound", "Not Found", "Not Found")
		return
	}
	modified := s.issued.Format(http.TimeFormat)
	w.Header().Set("Cache-Control", "public, max-age=1200, s-maxage=3600")
	w.Header().Set("Last-Modified", modified)
	if r.Header.Get("If-Modified-Since") == modified {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	answer(w, geoJSON, s.grid(p, r, i))
}

func polygon(p *Place) map[string]any {
	lat, lon := p.Latitude, p.Longitude
	const d = gridHalfDeg
	return map[string]any{"type": "Polygon", "coordinates": [][][2]float64{{
		{lon - d, lat + d}, {lon - d, lat - d}, {lon + d, lat - d}, {lon + d, lat + d}, {lon - d, lat + d},
	}}}
}

func quantity(unit string, v any) map[string]any { return map[string]any{"unitCode": unit, "value": v} }

func (s *state) grid(p *Place, r *http.Request, i int) map[string]any {
	from := s.at.Truncate(time.Hour).Add(-gridPast)
	to := from.Add(gridAhead)
	state := func(unit string, factor float64, of func(forecast.Hour) *float64) map[string]any {
		return layer(unit, runs(p, from, to, func(h forecast.Hour) any { return given(of(h), factor, 4) }))
	}
	total := func(unit string, factor float64, of func(forecast.Hour) *float64) map[string]any {
		return layer(unit, blocks(p, from, to, factor, of))
	}
	properties := map[string]any{
		"@type": "wx:Gridpoint", "updateTime": s.issued.Format("2006-01-02T15:04:05-07:00"),
		"validTimes": interval(from, to), "elevation": quantity("wmoUnit:m", p.ElevationM),
		"gridId": gridOffice, "gridX": strconv.Itoa(i), "gridY": strconv.Itoa(i),
		"temperature":                state("wmoUnit:degC", 1, func(h forecast.Hour) *float64 { return h.AirTempC }),
		"dewpoint":                   state("wmoUnit:degC", 1, func(h forecast.Hour) *float64 { return h.DewPointC }),
		"relativeHumidity":           state("wmoUnit:percent", 100, func(h forecast.Hour) *float64 { return h.RelHumidity }),
		"skyCover":                   state("wmoUnit:percent", 100, func(h forecast.Hour) *float64 { return h.Cloud }),
		"windDirection":              state("wmoUnit:degree_(angle)", 1, func(h forecast.Hour) *float64 { return h.WindFromDeg }),
		"windSpeed":                  state("wmoUnit:km_h-1", 3.6, func(h forecast.Hour) *float64 { return h.WindMS }),
		"windGust":                   state("wmoUnit:km_h-1", 3.6, func(h forecast.Hour) *float64 { return h.GustMS }),
		"probabilityOfPrecipitation": state("wmoUnit:percent", 100, func(h forecast.Hour) *float64 { return h.PrecipProb }),
		"quantitativePrecipitation":  total("wmoUnit:mm", 1, func(h forecast.Hour) *float64 { return h.PrecipMM }),
		"snowfallAmount":             total("wmoUnit:mm", 1000, func(h forecast.Hour) *float64 { return h.SnowfallDepthM }),
		"iceAccumulation":            total("wmoUnit:mm", 1, func(h forecast.Hour) *float64 { return h.IceAccumMM }),
		"weather":                    map[string]any{"values": runs(p, from, to, words)},
		"hazards":                    map[string]any{"values": []any{}},
		"pressure":                   map[string]any{"values": []any{}},
	}
	return map[string]any{"id": base(r) + r.URL.Path, "type": "Feature", "geometry": polygon(p), "properties": properties}
}

func layer(unit string, values []map[string]any) map[string]any {
	if len(values) == 0 {
		return map[string]any{"values": []any{}} // an empty layer names no unit
	}
	return map[string]any{"uom": unit, "values": values}
}

// interval is a time with the length of what follows, as ISO 8601 has it.
func interval(from, to time.Time) string {
	hours := int(to.Sub(from) / time.Hour)
	length := "P"
	if hours >= 24 {
		length += strconv.Itoa(hours/24) + "D"
	}
	if hours%24 > 0 {
		length += "T" + strconv.Itoa(hours%24) + "H"
	}
	return from.Format("2006-01-02T15:04:05-07:00") + "/" + length
}

// runs gives a state as segments of equal hours; hours without a value are left
// out.
func runs(p *Place, from, to time.Time, of func(forecast.Hour) any) []map[string]any {
	var segments []map[string]any
	start, value := from, of(p.Hour(from))
	for at := from.Add(time.Hour); !at.After(to); at = at.Add(time.Hour) {
		next := any(nil)
		if at.Before(to) {
			next = of(p.Hour(at))
		}
		if at.Before(to) && fmt.Sprint(next) == fmt.Sprint(value) {
			continue
		}
		if value != nil {
			segments = append(segments, map[string]any{"validTime": interval(start, at), "value": value})
		}
		start, value = at, next
	}
	return segments
}

// blocks gives totals over six hours from 00, 06, 12 and 18 UTC on; the first
// and the last may be shorter.
func blocks(p *Place, from, to time.Time, factor float64, of func(forecast.Hour) *float64) []map[string]any {
	var segments []map[string]any
	for at := from; at.Before(to); {
		end := at.Add(time.Hour).Add(6*time.Hour - 1).Truncate(6 * time.Hour)
		if end.After(to) {
			end = to
		}
		total := sum(func(at time.Time) *float64 { return of(p.Hour(at)) }, at, end)
		if total != nil {
			segments = append(segments, map[string]any{"validTime": interval(at, end), "value": given(total, factor, 4)})
		}
		at = end
	}
	return segments
}

var gridWords = map[string]string{
	"rain": "rain", "snow": "snow", "freezing_rain": "freezing_rain", "ice_pellets": "sleet", "hail": "hail",
}

func words(h forecast.Hour) any {
	entry := func(coverage, weather, intensity any) map[string]any {
		return map[string]any{
			"coverage": coverage, "weather": weather, "intensity": intensity,
			"visibility": quantity("wmoUnit:km", nil), "attributes": []any{},
		}
	}
	if h.PrecipType == "sleet" {
		return []any{entry("likely", "rain", "light"), entry("likely", "snow", "light")}
	}
	if word, falls := gridWords[h.PrecipType]; falls {
		return []any{entry("likely", word, "light")}
	}
	return []any{entry(nil, nil, nil)}
}

var compass = []string{"N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE", "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW"}

// hourly is the forecast in whole degrees and words, from the hour that runs on.
func (s *state) hourly(p *Place) map[string]any {
	var periods []map[string]any
	zone := time.FixedZone("", -6*3600)
	for i := range 156 {
		at := s.at.Truncate(time.Hour).Add(time.Duration(i) * time.Hour)
		h := p.Hour(at)
		period := map[string]any{
			"number": i + 1, "name": "", "startTime": at.In(zone).Format(time.RFC3339), "endTime": at.Add(time.Hour).In(zone).Format(time.RFC3339),
			"temperature": given(h.AirTempC, 1, 0), "temperatureUnit": "C", "temperatureTrend": nil,
			"probabilityOfPrecipitation": quantity("wmoUnit:percent", given(h.PrecipProb, 100, 0)),
			"dewpoint":                   quantity("wmoUnit:degC", given(h.DewPointC, 1, 4)),
			"relativeHumidity":           quantity("wmoUnit:percent", given(h.RelHumidity, 100, 0)),
			"windSpeed":                  "", "windDirection": "", "shortForecast": "Cloudy", "detailedForecast": "",
		}
		if h.WindMS != nil {
			period["windSpeed"] = fmt.Sprintf("%.0f km/h", *h.WindMS*3.6)
		}
		if h.WindFromDeg != nil {
			period["windDirection"] = compass[int(math.Round(*h.WindFromDeg/22.5))%16]
		}
		periods = append(periods, period)
	}
	return map[string]any{"type": "Feature", "geometry": polygon(p), "properties": map[string]any{
		"units": "si", "generatedAt": s.at.Format(time.RFC3339), "updateTime": s.issued.Format(time.RFC3339),
		"elevation": quantity("wmoUnit:m", p.ElevationM), "periods": periods,
	}}
}

// stationsOf are the names of three stations near a place: one beside it, two
// farther away.
func stationsOf(i int) [3]string {
	return [3]string{fmt.Sprintf("KA%03d", i), fmt.Sprintf("KB%03d", i), fmt.Sprintf("KC%03d", i)}
}

func (s *state) serveStations(w http.ResponseWriter, r *http.Request, i int) {
	p := &s.places[i]
	var features []map[string]any
	for k, id := range stationsOf(i) {
		features = append(features, map[string]any{
			"id": base(r) + "/stations/" + id, "type": "Feature",
			"geometry": map[string]any{"type": "Point", "coordinates": []float64{p.Longitude, p.Latitude + 0.05*float64(k+1)}},
			"properties": map[string]any{
				"@type": "wx:ObservationStation", "elevation": quantity("wmoUnit:m", p.ElevationM), "stationIdentifier": id, "name": id, "timeZone": "America/Chicago",
			},
		})
	}
	answer(w, geoJSON, map[string]any{"type": "FeatureCollection", "features": features})
}

// serveObservations answers /stations/ID/observations with the full hours since
// start, newest first; only the first station of a place reports.
func (s *state) serveObservations(w http.ResponseWriter, r *http.Request) {
	var i int
	var letter string
	id, rest, _ := strings.Cut(strings.TrimPrefix(r.URL.Path, "/stations/"), "/")
	if n, err := fmt.Sscanf(id, "K%1s%d", &letter, &i); n != 2 || err != nil || i < 0 || i >= len(s.places) || rest != "observations" {
		trouble(w, http.StatusNotFound, "NotFound", "Not Found", "Not Found")
		return
	}
	p := &s.places[i]
	from := s.at.Add(-6 * time.Hour)
	if start, err := time.Parse(time.RFC3339, r.URL.Query().Get("start")); err == nil {
		from = start
	}
	features := []map[string]any{}
	for at := s.at.Truncate(time.Hour); !at.Before(from) && letter == "A" && !s.silent[p.Name]; at = at.Add(-time.Hour) {
		features = append(features, report(p, id, at))
	}
	w.Header().Set("Cache-Control", "public, max-age=300, s-maxage=300")
	answer(w, geoJSON, map[string]any{"type": "FeatureCollection", "features": features})
}

// report is made eight minutes before the hour, as airports do.
func report(p *Place, id string, at time.Time) map[string]any {
	h, before := p.observed(at), p.observed(at.Add(-time.Hour))
	checked := func(unit string, v any) map[string]any {
		control := "V"
		if v == nil {
			control = "Z"
		}
		return map[string]any{"unitCode": unit, "value": v, "qualityControl": control}
	}
	layers := []any{}
	if h.Cloud != nil {
		amounts := []string{"CLR", "FEW", "FEW", "SCT", "SCT", "BKN", "BKN", "BKN", "OVC"}
		layers = append(layers, map[string]any{"base": quantity("wmoUnit:m", 900), "amount": amounts[int(math.Round(8**h.Cloud))]})
	}
	stamp := at.Add(-8 * time.Minute).Format("2006-01-02T15:04:05-07:00")
	return map[string]any{
		"id": "https://api.weather.gov/stations/" + id + "/observations/" + stamp, "type": "Feature",
		"geometry": map[string]any{"type": "Point", "coordinates": []float64{p.Longitude, p.Latitude}},
		"properties": map[string]any{
			"@type": "wx:ObservationStation", "elevation": quantity("wmoUnit:m", p.ElevationM), "stationId": id, "timestamp": stamp, "rawMessage": "",
			"temperature":           checked("wmoUnit:degC", given(h.AirTempC, 1, 1)),
			"dewpoint":              checked("wmoUnit:degC", given(h.DewPointC, 1, 1)),
			"windDirection":         checked("wmoUnit:degree_(angle)", given(h.WindFromDeg, 1, 0)),
			"windSpeed":             checked("wmoUnit:km_h-1", given(h.WindMS, 3.6, 2)),
			"windGust":              checked("wmoUnit:km_h-1", given(h.GustMS, 3.6, 2)),
			"precipitationLastHour": checked("wmoUnit:mm", given(before.PrecipMM, 1, 1)),
			"relativeHumidity":      checked("wmoUnit:percent", given(h.RelHumidity, 100, 1)),
			"cloudLayers":           layers,
		},
	}
}

// serveAlerts answers /alerts/active for all places: warnings by zone, without an
// outline.
func (s *state) serveAlerts(w http.ResponseWriter, r *http.Request) {
	for name := range r.URL.Query() {
		if name != "area" && name != "status" && name != "zone" {
			trouble(w, http.StatusBadRequest, "InvalidParameter", "Invalid Parameter", "Query parameter \""+name+"\" is not recognized")
			return
		}
	}
	features := []map[string]any{}
	for i := range s.places {
		for _, warning := range s.places[i].Warnings {
			var ends any
			if !warning.EndsAt.IsZero() {
				ends = warning.EndsAt.Format(time.RFC3339)
			}
			features = append(features, map[string]any{
				"id": "https://api.weather.gov/alerts/" + warning.ID, "type": "Feature", "geometry": nil,
				"properties": map[string]any{
					"@type": "wx:Alert", "id": warning.ID, "geocode": map[string]any{"UGC": []string{zone(i)}},
					"affectedZones": []string{"https://api.weather.gov/zones/forecast/" + zone(i)}, "references": []any{},
					"sent": warning.SentAt.Format(time.RFC3339), "effective": warning.SentAt.Format(time.RFC3339), "onset": warning.OnsetAt.Format(time.RFC3339),
					"expires": s.at.Add(6 * time.Hour).Format(time.RFC3339), "ends": ends,
					"status": "Actual", "messageType": "Alert", "severity": warning.Severity, "event": warning.Event, "headline": warning.Headline, "parameters": map[string]any{},
				},
			})
		}
	}
	w.Header().Set("Cache-Control", "public, max-age=30, s-maxage=30")
	answer(w, geoJSON, map[string]any{"type": "FeatureCollection", "features": features, "updated": s.at.Format(time.RFC3339)})
}
