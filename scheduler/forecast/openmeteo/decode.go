package openmeteo

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"
	"time"

	"frostgate/rules/physics/air"
	"frostgate/scheduler/forecast"
)

// splitPoints takes an answer apart: one object for one point, an array of as
// many objects as points otherwise.
func splitPoints(body []byte, points int) ([]json.RawMessage, error) {
	if !json.Valid(body) {
		// Answers are streamed: a failure midway ends them with a sentence.
		return nil, &forecast.Error{Status: 200, Retry: true, Reason: "unusable answer", Err: errors.New("the body is no JSON")}
	}
	if points == 1 {
		return []json.RawMessage{body}, nil
	}
	var list []json.RawMessage
	if err := json.Unmarshal(body, &list); err != nil || len(list) != points {
		return nil, &forecast.Error{Retry: true, Reason: "unusable answer", Err: fmt.Errorf("%w: %d of %d", errBatch, len(list), points)}
	}
	return list, nil
}

// point is one point of an answer.
type point struct {
	Latitude    *float64                   `json:"latitude"`
	Longitude   *float64                   `json:"longitude"`
	LocationID  int                        `json:"location_id"`
	OffsetS     int                        `json:"utc_offset_seconds"`
	Units       map[string]string          `json:"hourly_units"`
	Hourly      map[string]json.RawMessage `json:"hourly"`
	ErrorText   string                     `json:"reason"`
	ErrorMarked bool                       `json:"error"`
}

// generated is the one member of an answer that differs each time without any
// news: the stored body has it at zero, so that equal weather has equal bytes.
var generated = regexp.MustCompile(`("generationtime_ms"\s*:\s*)[0-9.eE+-]+`)

// read fills an issue from the answer for its cell, the index-th of the call.
// Its error is an [*forecast.Error].
func (p *product) read(body []byte, index int, issue *forecast.Issue) error {
	if err := p.readPoint(body, index, issue); err != nil {
		return &forecast.Error{Retry: true, Reason: "unusable answer", Err: err}
	}
	if err := issue.Check(); err != nil {
		return err
	}
	issue.Seal(generated.ReplaceAll(body, []byte("${1}0")))
	return nil
}

func (p *product) readPoint(body []byte, index int, issue *forecast.Issue) error {
	var at point
	if err := json.Unmarshal(body, &at); err != nil {
		return err
	}
	if err := at.check(index, issue.Cell); err != nil {
		return err
	}
	c, err := at.columns(p.hourly)
	if err != nil {
		return err
	}
	c.layers = layersOf(issue.Model, issue.Cell)
	issue.Hours = make([]forecast.Hour, len(c.times))
	for i := range issue.Hours {
		issue.Hours[i].At = time.Unix(c.times[i], 0).UTC()
		p.fill(c, &issue.Hours[i], i)
		c.flag(&issue.Hours[i])
	}
	return nil
}

// mostOffDeg is how far a grid cell's centre may lie from the point asked for:
// two cells of the coarsest model, moved to land.
const mostOffDeg = 0.6

func (p *point) check(index int, asked forecast.Cell) error {
	switch {
	case p.ErrorMarked:
		return fmt.Errorf("error: %.200s", p.ErrorText)
	case p.Latitude == nil || p.Longitude == nil:
		return errors.New("no coordinates")
	case p.LocationID != 0 && p.LocationID != index:
		return fmt.Errorf("location %d where %d is due", p.LocationID, index)
	case math.Abs(*p.Latitude-asked.Latitude) > mostOffDeg,
		math.Abs(math.Remainder(*p.Longitude-asked.Longitude, 360))*math.Cos(asked.Latitude*math.Pi/180) > mostOffDeg:
		return fmt.Errorf("weather of %g, %g was given for %g, %g", *p.Latitude, *p.Longitude, asked.Latitude, asked.Longitude)
	case p.OffsetS != 0:
		return fmt.Errorf("hours are %d s off UTC", p.OffsetS)
	case p.Units == nil || p.Hourly == nil:
		return errors.New("no hours or no units")
	case p.Units["time"] != "unixtime":
		return fmt.Errorf("times are given as %.20q, not in Unix time", p.Units["time"])
	}
	return nil
}

// columns are the variables of a point in our units, by rising time. NaN is
// null.
type columns struct {
	times  []int64
	series map[string][]float64
	bad    map[string]bool // variables with a unit or values that can't be read
	layers [2]layer        // of the ground
}

func (p *point) columns(hourly []string) (*columns, error) {
	var times numbers
	if err := json.Unmarshal(p.Hourly["time"], &times); err != nil {
		return nil, fmt.Errorf("times: %w", err)
	}
	c := &columns{series: map[string][]float64{}, bad: map[string]bool{}}
	for _, t := range times.values {
		if !(t >= 0 && t < 1e11) || t != math.Trunc(t) || int64(t)%3600 != 0 {
			return nil, fmt.Errorf("%g is no full hour in Unix time", t)
		}
		c.times = append(c.times, int64(t))
	}
	for _, name := range hourly {
		if err := c.add(p, name); err != nil {
			return nil, err
		}
	}
	return c, c.order()
}

// add reads one variable. A wrong length spoils the whole set; a unit or values
// that can't be read only the variable.
func (c *columns) add(p *point, name string) error {
	given, ok := p.Hourly[name]
	if !ok || string(given) == "null" {
		return nil
	}
	var n numbers
	if err := json.Unmarshal(given, &n); err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	if len(n.values) != len(c.times) {
		return fmt.Errorf("%s has %d values for %d hours", name, len(n.values), len(c.times))
	}
	convert, ok := units[name][p.Units[name]]
	if !ok {
		c.bad[name] = true
		return nil
	}
	for i, v := range n.values {
		n.values[i] = convert(v)
	}
	c.series[name], c.bad[name] = n.values, n.bad
	return nil
}

// order sorts the hours, drops those given twice alike and refuses those given
// twice with different values.
func (c *columns) order() error {
	if slices.IsSorted(c.times) && !hasTwins(c.times) {
		return nil
	}
	at := make([]int, len(c.times))
	for i := range at {
		at[i] = i
	}
	slices.SortStableFunc(at, func(a, b int) int { return int(c.times[a] - c.times[b]) })
	kept := at[:0]
	for _, i := range at {
		if len(kept) == 0 || c.times[kept[len(kept)-1]] != c.times[i] {
			kept = append(kept, i)
			continue
		}
		for name, s := range c.series {
			a, b := s[kept[len(kept)-1]], s[i]
			if a != b && !(math.IsNaN(a) && math.IsNaN(b)) {
				return fmt.Errorf("%s has two values at %d", name, c.times[i])
			}
		}
	}
	c.times = pick(c.times, kept)
	for name, s := range c.series {
		c.series[name] = pick(s, kept)
	}
	return nil
}

func hasTwins(times []int64) bool {
	for i := 1; i < len(times); i++ {
		if times[i] == times[i-1] {
			return true
		}
	}
	return false
}

func pick[T any](from []T, at []int) []T {
	picked := make([]T, len(at))
	for k, i := range at {
		picked[k] = from[i]
	}
	return picked
}

// state is the value at hour i.
func (c *columns) state(name string, i int) *float64 {
	s := c.series[name]
	if s == nil || math.IsNaN(s[i]) {
		return nil
	}
	return &s[i]
}

// ahead is the value for the hour that begins at hour i, which the service
// gives at its end.
func (c *columns) ahead(name string, i int) *float64 {
	if i+1 >= len(c.times) || c.times[i+1] != c.times[i]+3600 {
		return nil
	}
	return c.state(name, i+1)
}

// flag marks what came as it is, and what could not be read.
func (c *columns) flag(h *forecast.Hour) {
	h.Flags.SetAll(forecast.Native)
	for name, bad := range c.bad {
		if bad {
			h.Flags.Set(groups[name], forecast.Dropped)
		}
	}
}

func (c *columns) fill(h *forecast.Hour, i int) {
	h.AirTempC = c.state("temperature_2m", i)
	h.DewPointC = c.state("dew_point_2m", i)
	h.WindMS = c.state("wind_speed_10m", i)
	h.GustMS = c.ahead("wind_gusts_10m", i)
	h.Cloud = c.state("cloud_cover", i)
	h.ShortwaveWm2 = c.ahead("shortwave_radiation", i)
	h.PrecipMM = c.ahead("precipitation", i)
	h.SnowDepthM = c.state("snow_depth", i)
	if h.PrecipProb = c.ahead("precipitation_probability", i); h.PrecipProb != nil {
		h.PrecipProbWindowH = 1
	}
	if cm := c.ahead("snowfall", i); cm != nil {
		h.SnowfallDepthM = new(*cm / 100)
		h.SnowfallSWEMM = new(*cm / snowCMPerMM)
	}
	h.PrecipType = precipType(h.PrecipMM, h.SnowfallSWEMM, c.ahead("weather_code", i))
	c.fillGround(h, i)
	if h.AirTempC != nil && h.DewPointC != nil {
		h.RelHumidity = new(air.RelHumidity(*h.AirTempC, *h.DewPointC))
		h.Flags.Set(forecast.Temperature, forecast.Derived)
	}
}

// fillSpread reads the mean of an ensemble and the standard deviation of its
// members.
func (c *columns) fillSpread(h *forecast.Hour, i int) {
	h.AirTempC, h.AirTempSDC = c.state("temperature_2m", i), c.state("temperature_2m_spread", i)
	h.WindMS, h.WindSDMS = c.state("wind_speed_10m", i), c.state("wind_speed_10m_spread", i)
}

// fillGround reads the depths that the service names: 0 cm is the skin, 6 and
// 18 cm stand for the layers of the model that hold them.
func (c *columns) fillGround(h *forecast.Hour, i int) {
	h.SkinTempC = c.state("soil_temperature_0cm", i)
	for k, name := range []string{"soil_temperature_6cm", "soil_temperature_18cm"} {
		if t := c.state(name, i); t != nil {
			h.SoilTemps = append(h.SoilTemps, forecast.SoilTemp{TopM: c.layers[k].topM, BottomM: c.layers[k].bottomM, TempC: *t})
		}
	}
}

// A layer of the ground, or one depth when both are equal.
type layer struct{ topM, bottomM float64 }

// The layers that hold 6 cm and 18 cm, by family of models. The German models
// give the very depths.
var (
	american = [2]layer{{0, 0.1}, {0.1, 0.4}}
	european = [2]layer{{0, 0.07}, {0.07, 0.28}}
	depths   = [2]layer{{0.06, 0.06}, {0.18, 0.18}}
)

// layersOf finds the layers behind the service's depths. The best match takes
// soil from the American global model in America; elsewhere from one or another.
func layersOf(model string, cell forecast.Cell) [2]layer {
	switch {
	case strings.HasPrefix(model, "ecmwf"):
		return european
	case strings.HasPrefix(model, "ncep"), strings.HasPrefix(model, "gfs"):
		return american
	case model == "best_match" && cell.Longitude > -170 && cell.Longitude < -50:
		return american
	}
	return depths
}
