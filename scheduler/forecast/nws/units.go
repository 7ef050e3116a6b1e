package nws

import "strings"

// units are the ways from units that an answer may name to ours. A unit that is
// not listed leaves the value out.
type units map[string]func(float64) float64

func times(factor float64) func(float64) float64 {
	return func(v float64) float64 { return v * factor }
}

var (
	temperatures = units{
		"degC": times(1),
		"degF": func(v float64) float64 { return (v - 32) / 1.8 },
		"K":    func(v float64) float64 { return v - 273.15 },
	}
	speeds = units{
		"km_h-1": times(1 / 3.6), "m_s-1": times(1), "kt": times(1852.0 / 3600), "mi_h-1": times(0.44704),
	}
	shares      = units{"percent": times(0.01)}
	angles      = units{"degree_(angle)": times(1)}
	millimetres = units{"mm": times(1), "cm": times(10), "m": times(1000), "inch": times(25.4), "[in_i]": times(25.4)}
	metres      = units{"m": times(1), "mm": times(0.001), "cm": times(0.01), "ft": times(0.3048), "[ft_i]": times(0.3048), "inch": times(0.0254), "[in_i]": times(0.0254)}
)

// unitName drops the vocabulary before the name, which has changed over time:
// wmoUnit:degC and unit:degC are the same.
func unitName(code string) string { return code[strings.LastIndexByte(code, ':')+1:] }
