package nws

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"time"

	"frostgate/scheduler/forecast"
)

// variables are the layers that one number of an hour comes from.
var variables = []struct {
	layer string
	group forecast.Group
	units units
	total bool // of its interval; else a state
	of    func(*forecast.Hour) **float64
}{
	{"temperature", forecast.Temperature, temperatures, false, func(h *forecast.Hour) **float64 { return &h.AirTempC }},
	{"dewpoint", forecast.Temperature, temperatures, false, func(h *forecast.Hour) **float64 { return &h.DewPointC }},
	{"relativeHumidity", forecast.Temperature, shares, false, func(h *forecast.Hour) **float64 { return &h.RelHumidity }},
	{"windSpeed", forecast.Wind, speeds, false, func(h *forecast.Hour) **float64 { return &h.WindMS }},
	{"windGust", forecast.Wind, speeds, false, func(h *forecast.Hour) **float64 { return &h.GustMS }},
	{"windDirection", forecast.Wind, angles, false, func(h *forecast.Hour) **float64 { return &h.WindFromDeg }},
	{"skyCover", forecast.Sky, shares, false, func(h *forecast.Hour) **float64 { return &h.Cloud }},
	{"quantitativePrecipitation", forecast.Precipitation, millimetres, true, func(h *forecast.Hour) **float64 { return &h.PrecipMM }},
	{"snowfallAmount", forecast.Precipitation, metres, true, func(h *forecast.Hour) **float64 { return &h.SnowfallDepthM }},
	{"iceAccumulation", forecast.Precipitation, millimetres, true, func(h *forecast.Hour) **float64 { return &h.IceAccumMM }},
}

// A grid is the answer for a cell.
type grid struct {
	Geometry   json.RawMessage            `json:"geometry"`
	Properties map[string]json.RawMessage `json:"properties"`
}

// readGrid fills an issue from the raw grid of its cell and gives the words of
// the weather layer that it does not know. Its error is an [*forecast.Error].
func readGrid(body []byte, issue *forecast.Issue) (unknown []string, err error) {
	var g grid
	if err := json.Unmarshal(body, &g); err != nil {
		return nil, unusable("grid", err)
	}
	if g.Properties == nil {
		return nil, unusable("grid", errors.New("no properties"))
	}
	if issue.IssuedAt, err = readTime(g.Properties["updateTime"]); err != nil {
		return nil, unusable("grid", fmt.Errorf("time of update: %w", err))
	}
	if !holds(g.Geometry, issue.Cell.Latitude, issue.Cell.Longitude) {
		return nil, &forecast.Error{Reason: "grid moved", Err: forecast.ErrMoved}
	}
	issue.Cell.ElevationM = elevation(g.Properties["elevation"], issue.Cell.ElevationM)
	t := newTable(issue.FetchedAt)
	for _, v := range variables {
		t.fill(g.Properties[v.layer], v.group, v.units, v.total, v.of)
	}
	t.probability(g.Properties["probabilityOfPrecipitation"])
	unknown = t.weather(g.Properties["weather"])
	issue.Hours = t.hours
	return unknown, finish(body, issue)
}

// finish checks an issue and derives what it lacks.
func finish(body []byte, issue *forecast.Issue) error {
	if err := issue.Check(); err != nil {
		return err
	}
	issue.Derive()
	issue.Seal(body)
	return nil
}

func readTime(text json.RawMessage) (time.Time, error) {
	var at time.Time
	if len(text) == 0 || string(text) == "null" {
		return at, errors.New("missing")
	}
	err := json.Unmarshal(text, &at)
	return at.UTC(), err
}

// elevation reads a height, within what land has.
func elevation(text json.RawMessage, otherwise float64) float64 {
	var q quantity
	if json.Unmarshal(text, &q) != nil {
		return otherwise
	}
	m := q.in(metres)
	if m == nil || *m < -430 || *m > 6200 {
		return otherwise
	}
	return *m
}

// fill reads one layer into one member of the hours.
func (t *table) fill(text json.RawMessage, group forecast.Group, units units, total bool, of func(*forecast.Hour) **float64) {
	l, err := readLayer(text)
	convert, ok := units[l.unit]
	if err != nil || !ok {
		if err != nil || len(l.segments) > 0 {
			t.flag(group, forecast.Dropped)
		}
		return
	}
	for _, s := range l.segments {
		v := number(s.value)
		if v == nil {
			continue // null is not supplied, anything else can't be read
		}
		amount := convert(*v)
		if total {
			t.share(s, func(h *forecast.Hour, part float64) {
				p := of(h)
				if *p == nil {
					*p = new(0.0)
				}
				**p += amount * part
				mark(h, group, s, forecast.Spread)
			})
			continue
		}
		t.state(s, func(h *forecast.Hour) {
			*of(h) = new(amount)
			mark(h, group, s, forecast.Held)
		})
	}
}

// mark tells a value given for the very hour from one of a longer interval.
func mark(h *forecast.Hour, group forecast.Group, s segment, longer forecast.Flag) {
	if s.to.Sub(s.from) > time.Hour {
		h.Flags.Set(group, longer)
	} else {
		h.Flags.Set(group, forecast.Native)
	}
}

// Windows that a probability of precipitation may stand for.
const (
	nativeWindowH = 6
	longWindowH   = 12
)

// probability reads the chance of precipitation. It is made for blocks of 6 or
// 12 hours, and equal neighbours are merged: a longer interval says nothing of a
// longer window.
func (t *table) probability(text json.RawMessage) {
	l, err := readLayer(text)
	convert, ok := shares[l.unit]
	if err != nil || !ok {
		if err != nil || len(l.segments) > 0 {
			t.flag(forecast.Precipitation, forecast.Dropped)
		}
		return
	}
	for _, s := range l.segments {
		v := number(s.value)
		if v == nil {
			continue
		}
		window := nativeWindowH
		if s.to.Sub(s.from) > nativeWindowH*time.Hour {
			window = longWindowH
		}
		t.state(s, func(h *forecast.Hour) {
			h.PrecipProb, h.PrecipProbWindowH = new(convert(*v)), window
		})
	}
}

// roomDeg is how far outside its polygon a place may lie, a fifth of a cell: the
// service cuts its cells in another projection.
const roomDeg = 0.005

// holds reports whether a polygon holds a place. Without a polygon nothing
// speaks against it.
func holds(geometry json.RawMessage, latitude, longitude float64) bool {
	rings := readRings(geometry)
	if rings == nil {
		return true
	}
	for _, dLat := range []float64{0, -roomDeg, roomDeg} {
		for _, dLon := range []float64{0, -roomDeg, roomDeg} {
			if inRings(rings, latitude+dLat, longitude+dLon) {
				return true
			}
		}
	}
	return false
}

// A ring is the outline of an area, in longitude and latitude.
type ring [][2]float64

// readRings gives the outer outlines of a polygon or of several; nil when there
// are none that can be read.
func readRings(geometry json.RawMessage) []ring {
	var g struct {
		Type        string          `json:"type"`
		Coordinates json.RawMessage `json:"coordinates"`
	}
	if len(geometry) == 0 || json.Unmarshal(geometry, &g) != nil {
		return nil
	}
	var polygons [][]ring
	switch g.Type {
	case "Polygon":
		var one []ring
		if json.Unmarshal(g.Coordinates, &one) != nil {
			return nil
		}
		polygons = [][]ring{one}
	case "MultiPolygon":
		if json.Unmarshal(g.Coordinates, &polygons) != nil {
			return nil
		}
	}
	var outer []ring
	for _, p := range polygons {
		if len(p) > 0 && len(p[0]) >= 4 {
			outer = append(outer, p[0])
		}
	}
	return outer
}

// inRings reports whether a place lies inside one of the outlines, by the number
// of edges that a line to the east crosses.
func inRings(rings []ring, latitude, longitude float64) bool {
	for _, r := range rings {
		inside := false
		for i := range r {
			a, b := r[i], r[(i+1)%len(r)]
			if (a[1] > latitude) == (b[1] > latitude) {
				continue
			}
			if crossing := a[0] + (latitude-a[1])/(b[1]-a[1])*(b[0]-a[0]); longitude < crossing && !math.IsNaN(crossing) {
				inside = !inside
			}
		}
		if inside {
			return true
		}
	}
	return false
}
