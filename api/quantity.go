package api

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// A dimension is what a number in a table measures; its first unit is that of the record.
type dimension struct {
	units  []unit
	us, si string // name of the unit in a table that we write
}

// A unit is converted to the record's unit by scale and, for temperatures, offset: record = (value + offset) * scale.
// Scales are exact by definition (NIST SP 811, 2008, appendix B), except that of thermal resistance, which NIST
// rounds to seven digits.
type unit struct {
	names  []string // the first is written
	scale  float64
	offset float64
}

var (
	millimetre = unit{names: []string{"mm"}, scale: 1}
	lengthMM   = []unit{
		millimetre,
		{names: []string{"cm"}, scale: 10},
		{names: []string{"m"}, scale: 1000},
		{names: []string{"in", "inch", "inches", `"`}, scale: 25.4},
		{names: []string{"ft", "feet", "foot", "'"}, scale: 304.8},
		{names: []string{"yd", "yards"}, scale: 914.4},
	}

	percent   = dimension{units: []unit{{names: []string{"%", "pct", "percent"}, scale: 1}}, us: "%", si: "%"}
	minutes   = dimension{units: []unit{{names: []string{"min", "minutes"}, scale: 1}}, us: "min", si: "min"}
	thickness = dimension{units: lengthMM, us: "in", si: "mm"}
	extent    = dimension{units: lengthMM, us: "ft", si: "mm"}
	area      = dimension{us: "ft2", si: "m2", units: []unit{
		{names: []string{"m2", "m²", "sq m"}, scale: 1},
		{names: []string{"ft2", "ft²", "sq ft", "sf"}, scale: 0.09290304},
		{names: []string{"yd2", "yd²", "sq yd", "sy"}, scale: 0.83612736},
	}}
	volume = dimension{us: "yd3", si: "m3", units: []unit{
		{names: []string{"m3", "m³", "cu m"}, scale: 1},
		{names: []string{"yd3", "yd³", "cu yd", "cy"}, scale: 0.764554857984},
		{names: []string{"ft3", "ft³", "cu ft", "cf"}, scale: 0.028316846592},
	}}
	temperature = dimension{us: "F", si: "C", units: []unit{
		{names: []string{"C", "°C"}, scale: 1}, {names: []string{"F", "°F"}, scale: 5.0 / 9, offset: -32},
	}}
	resistance = dimension{us: "R", si: "m2K/W", units: []unit{
		{names: []string{"m2K/W", "m²K/W", "m2 K/W", "RSI"}, scale: 1}, {names: []string{"R", "R-value", "ft2 F h/Btu"}, scale: 0.1761102},
	}}
)

// find looks a unit up by any of its names; "" is the unit that the system of units writes.
func (d dimension) find(name string, us bool) (unit, bool) {
	if name == "" {
		name = d.written(us)
	}
	for _, u := range d.units {
		if slices.ContainsFunc(u.names, func(n string) bool { return strings.EqualFold(n, name) }) {
			return u, true
		}
	}
	return unit{}, false
}

// written is the unit's name in a table that we write.
func (d dimension) written(us bool) string {
	if us {
		return d.us
	}
	return d.si
}

// digits is how many significant digits a converted value keeps: enough for any measure, few enough that converting
// there and back gives the number that was written.
const digits = 12

// toRecord converts a value to the record's unit.
func (u unit) toRecord(value float64) float64 {
	if u.scale == 1 && u.offset == 0 {
		return value
	}
	return significant((value + u.offset) * u.scale)
}

// write prints the shortest number that toRecord reads as the record's value, or nearly so when there is none.
func (u unit) write(record float64) string {
	if u.scale == 1 && u.offset == 0 {
		return strconv.FormatFloat(record, 'f', -1, 64)
	}
	value := record/u.scale - u.offset
	text := ""
	for decimals := 0; decimals <= 20; decimals++ {
		text = strconv.FormatFloat(value, 'f', decimals, 64)
		if back, err := strconv.ParseFloat(text, 64); err == nil && u.toRecord(back) == record {
			return text
		}
	}
	return text
}

func significant(x float64) float64 {
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(x, 'e', digits-1, 64), 64)
	if err != nil {
		return x
	}
	return rounded
}

var (
	thousandsComma = regexp.MustCompile(`^[+-]?\d{1,3}(,\d{3})+(\.\d+)?$`)
	plainNumber    = regexp.MustCompile(`^[+-]?(\d+\.?\d*|\.\d+)$`)
	doubtfulDot    = regexp.MustCompile(`^[+-]?\d{1,3}(\.\d{3})+$`)
)

// number reads a number as a spreadsheet writes it. In sheets of a locale with decimal comma, 12,5 is twelve and a
// half, and 1.250 is refused since it may mean either; elsewhere 1,250 is a thousand two hundred and fifty.
func number(text string, decimalComma bool) (float64, error) {
	switch {
	case decimalComma && doubtfulDot.MatchString(text):
		return 0, fmt.Errorf("may mean a fraction or thousands; write it without the dot")
	case decimalComma:
		text = strings.Replace(text, ",", ".", 1)
	case thousandsComma.MatchString(text):
		text = strings.ReplaceAll(text, ",", "")
	}
	if !plainNumber.MatchString(text) {
		return 0, fmt.Errorf("must be a number")
	}
	value, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsInf(value, 0) {
		return 0, fmt.Errorf("is too large a number")
	}
	return value, nil
}
