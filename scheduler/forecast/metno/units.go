package metno

import (
	"encoding/json"
	"strings"
)

// units are what an answer states, by the names of values.
type units map[string]any

func times(factor float64) func(float64) float64 {
	return func(v float64) float64 { return v * factor }
}

var (
	temperature = map[string]func(float64) float64{
		"celsius": times(1), "kelvin": func(v float64) float64 { return v - 273.15 },
		"fahrenheit": func(v float64) float64 { return (v - 32) / 1.8 },
	}
	speed  = map[string]func(float64) float64{"m/s": times(1), "km/h": times(1 / 3.6), "knots": times(1852.0 / 3600)}
	share  = map[string]func(float64) float64{"%": times(0.01)}
	amount = map[string]func(float64) float64{"mm": times(1)}
	angle  = map[string]func(float64) float64{"degrees": times(1)}
)

// kinds are, by the beginning of a value's name, the units that an answer may
// state and the way from there to ours.
var kinds = []struct {
	name  string
	units map[string]func(float64) float64
}{
	{"air_temperature", temperature},
	{"dew_point_temperature", temperature},
	{"relative_humidity", share},
	{"wind_speed", speed},
	{"wind_from_direction", angle},
	{"cloud_area_fraction", share},
	{"precipitation_amount", amount},
	{"probability_of_precipitation", share},
}

// in gives a value in our unit. It is bad when it is there but can't be read, or
// when its unit is not listed.
func (d details) in(name string, stated units) (v *float64, bad bool) {
	text, ok := d[name]
	if !ok || string(text) == "null" {
		return nil, false
	}
	var number float64
	if json.Unmarshal(text, &number) != nil {
		return nil, true
	}
	for _, k := range kinds {
		if !strings.HasPrefix(name, k.name) {
			continue
		}
		unit, _ := stated[name].(string)
		convert, ok := k.units[unit]
		if !ok {
			return nil, true
		}
		return new(convert(number)), false
	}
	return nil, true
}
