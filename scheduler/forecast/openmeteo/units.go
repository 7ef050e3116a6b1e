package openmeteo

import (
	"bytes"
	"errors"
	"math"
	"strconv"

	"frostgate/scheduler/forecast"
)

// snowCMPerMM is the service's fixed ratio of new snow in cm to its liquid
// equivalent in mm.
const snowCMPerMM = 0.7

func times(factor float64) func(float64) float64 {
	return func(v float64) float64 { return v * factor }
}

var (
	celsius = map[string]func(float64) float64{
		"°C": times(1),
		"°F": func(v float64) float64 { return (v - 32) / 1.8 },
	}
	metresPerSecond = map[string]func(float64) float64{
		"m/s": times(1), "km/h": times(1 / 3.6), "mp/h": times(0.44704), "kn": times(1852.0 / 3600),
	}
	millimetres = map[string]func(float64) float64{"mm": times(1), "inch": times(25.4)}
	centimetres = map[string]func(float64) float64{"cm": times(1), "inch": times(2.54)}
	metres      = map[string]func(float64) float64{"m": times(1), "ft": times(0.3048)}
	share       = map[string]func(float64) float64{"%": times(0.01)}
	plain       = map[string]func(float64) float64{"W/m²": times(1)}
	code        = map[string]func(float64) float64{"wmo code": times(1)}
)

// units are, by variable, the units an answer may state and the way from there
// to ours. A unit that is not listed leaves the variable out.
var units = map[string]map[string]func(float64) float64{
	"temperature_2m":            celsius,
	"dew_point_2m":              celsius,
	"temperature_2m_spread":     {"°C": times(1), "°F": times(1 / 1.8)},
	"wind_speed_10m":            metresPerSecond,
	"wind_speed_10m_spread":     metresPerSecond,
	"wind_gusts_10m":            metresPerSecond,
	"cloud_cover":               share,
	"shortwave_radiation":       plain,
	"precipitation":             millimetres,
	"precipitation_probability": share,
	"weather_code":              code,
	"snowfall":                  centimetres,
	"snow_depth":                metres,
	"soil_temperature_0cm":      celsius,
	"soil_temperature_6cm":      celsius,
	"soil_temperature_18cm":     celsius,
}

// groups are where a variable's flags go.
var groups = map[string]forecast.Group{
	"temperature_2m":            forecast.Temperature,
	"dew_point_2m":              forecast.Temperature,
	"soil_temperature_0cm":      forecast.Temperature,
	"temperature_2m_spread":     forecast.Temperature,
	"wind_speed_10m":            forecast.Wind,
	"wind_speed_10m_spread":     forecast.Wind,
	"wind_gusts_10m":            forecast.Wind,
	"cloud_cover":               forecast.Sky,
	"shortwave_radiation":       forecast.Sky,
	"precipitation":             forecast.Precipitation,
	"precipitation_probability": forecast.Precipitation,
	"weather_code":              forecast.Precipitation,
	"snowfall":                  forecast.Precipitation,
	"snow_depth":                forecast.Ground,
	"soil_temperature_6cm":      forecast.Ground,
	"soil_temperature_18cm":     forecast.Ground,
}

// precipType names what falls in an hour, by the code of WMO table 4677 as far
// as the service uses it, else by the share of snow.
func precipType(precipMM, snowMM, wmo *float64) string {
	switch {
	case precipMM == nil:
		return ""
	case *precipMM == 0:
		return "none"
	}
	if wmo != nil {
		switch c := int(*wmo); {
		case c == 56 || c == 57 || c == 66 || c == 67:
			return "freezing_rain"
		case c == 71 || c == 73 || c == 75 || c == 77 || c == 85 || c == 86:
			return "snow"
		case c == 96 || c == 99:
			return "hail"
		case c >= 51 && c <= 55 || c >= 61 && c <= 65 || c >= 80 && c <= 82 || c == 95:
			return "rain"
		}
	}
	switch {
	case snowMM == nil:
		return "unknown"
	case *snowMM >= 0.9**precipMM:
		return "snow"
	case *snowMM > 0.1**precipMM:
		return "sleet"
	}
	return "rain"
}

// numbers is an array of numbers and nulls. Anything else in it reads as null
// and marks the array; a nested value is refused. Null is NaN.
type numbers struct {
	values []float64
	bad    bool
}

var errNoNumbers = errors.New("no array of numbers")

// UnmarshalJSON reads an array that is known to be valid JSON.
func (n *numbers) UnmarshalJSON(text []byte) error {
	text = bytes.TrimSpace(text)
	if len(text) < 2 || text[0] != '[' {
		return errNoNumbers
	}
	n.values = make([]float64, 0, bytes.Count(text, []byte{','})+1)
	for rest := bytes.TrimSpace(text[1:]); rest[0] != ']'; {
		end, err := endOfValue(rest)
		if err != nil {
			return err
		}
		n.values = append(n.values, n.read(bytes.TrimSpace(rest[:end])))
		if rest[end] == ',' {
			end++
		}
		rest = bytes.TrimSpace(rest[end:])
	}
	return nil
}

// endOfValue finds the comma or bracket after the first value.
func endOfValue(text []byte) (int, error) {
	for i := 0; i < len(text); i++ {
		switch text[i] {
		case ',', ']':
			return i, nil
		case '[', '{':
			return 0, errNoNumbers
		case '"':
			for i++; text[i] != '"'; i++ {
				if text[i] == '\\' {
					i++
				}
			}
		}
	}
	return 0, errNoNumbers
}

func (n *numbers) read(text []byte) float64 {
	if string(text) == "null" {
		return math.NaN()
	}
	v, err := strconv.ParseFloat(string(text), 64)
	if err != nil { // out of range, or no number
		n.bad = true
		return math.NaN()
	}
	return v
}
