package board

import (
	"math"
	"regexp"
	"strconv"
	"strings"

	"frostgate/rules"
)

// A measure is what a number of a form tells, with the unit that people give it in. The API has it in one unit:
// value = (typed + offset) * scale.
type measure struct {
	us, si unit
}

type unit struct {
	name   string
	scale  float64 // of the API's unit; 0 is 1
	offset float64
	digits int // decimals shown
}

// Scales are exact by definition (NIST SP 811, 2008, appendix B), except that of thermal resistance, which NIST rounds
// to seven digits, and that of heat flow.
var (
	degree      = measure{us: unit{"°F", 1 / 1.8, -32, 1}, si: unit{name: "°C", digits: 1}}
	thickness   = measure{us: unit{name: "in", scale: mmPerInch, digits: 2}, si: unit{name: "mm"}}
	extent      = measure{us: unit{name: "ft", scale: 304.8, digits: 2}, si: unit{name: "m", scale: 1000, digits: 2}}
	elevation   = measure{us: unit{name: "ft", scale: .3048}, si: unit{name: "m"}}
	area        = measure{us: unit{name: "sq ft", scale: .09290304, digits: 1}, si: unit{name: "m²", digits: 1}}
	volume      = measure{us: unit{name: "yd³", scale: m3PerYd3, digits: 2}, si: unit{name: "m³", digits: 2}}
	volumeHour  = measure{us: unit{name: "yd³ in an hour", scale: m3PerYd3, digits: 1}, si: unit{name: "m³ in an hour", digits: 1}}
	density     = measure{us: unit{name: "lb/yd³", scale: .45359237 / m3PerYd3}, si: unit{name: "kg/m³", digits: 1}}
	stress      = measure{us: unit{name: "psi", scale: mpaPerPSI}, si: unit{name: "MPa", digits: 1}}
	resistance  = measure{us: unit{name: "R-value", scale: .1761102, digits: 2}, si: unit{name: "m²K/W", digits: 3}}
	heatFlow    = measure{us: unit{name: "Btu/h per sq ft", scale: 3.154591, digits: 1}, si: unit{name: "W/m²"}}
	depth       = measure{us: unit{name: "in", scale: mmPerInch, digits: 3}, si: unit{name: "mm", digits: 2}} // of rain and snow
	wind        = measure{us: unit{name: "mph", scale: .44704, digits: 1}, si: unit{name: "km/h", scale: 1 / 3.6, digits: 1}}
	evaporation = measure{us: unit{name: "lb/ft²/h", scale: 4.882428, digits: 3}, si: unit{name: "kg/m²/h", digits: 2}}
	percentage  = plain("%", 2)
	share       = measure{us: unit{name: "%", scale: .01, digits: 1}, si: unit{name: "%", scale: .01, digits: 1}}
	minutes     = plain("minutes", 1)
	hours       = plain("hours", 1)
	coordinate  = plain("degrees", 6)
	howMany     = plain("", 0)
	nothing     = plain("", 4)
	degreeSteps = measure{us: unit{name: "°F", scale: 1 / 1.8, digits: 1}, si: unit{name: "°C", digits: 1}} // a difference
)

const m3PerYd3 = 0.764554857984

func plain(name string, digits int) measure {
	u := unit{name: name, digits: digits}
	return measure{u, u}
}

// unit is the one of the firm's setting.
func (m measure) unit(units rules.Units) unit {
	if units == rules.UnitsSI {
		return m.si
	}
	return m.us
}

func (u unit) factor() float64 {
	if u.scale == 0 {
		return 1
	}
	return u.scale
}

// text is a value of the API as people read it.
func (u unit) text(value float64) string {
	step := math.Pow10(u.digits)
	return strconv.FormatFloat(math.Round((value/u.factor()-u.offset)*step)/step, 'f', -1, 64)
}

// value is what was typed, in the API's unit.
func (u unit) value(typed float64) float64 {
	return math.Round((typed+u.offset)*u.factor()*1e6) / 1e6
}

var (
	plainNumber   = regexp.MustCompile(`^[+-]?(\d+\.?\d*|\.\d+)$`)
	thousands     = regexp.MustCompile(`^[+-]?\d{1,3}(,\d{3})+(\.\d*)?$`)
	doubtfulComma = regexp.MustCompile(`^[+-]?[1-9]\d{0,2}(,\d{3})+$`)
)

// number reads a number as people write it, or says what is wrong with it. Where feet and pounds are used a comma parts
// thousands; elsewhere it goes before the fraction, and 1,250 is refused since it may mean either.
func number(text string, units rules.Units) (value float64, wrong string) {
	text = strings.TrimSpace(text)
	switch {
	case units != rules.UnitsSI && thousands.MatchString(text):
		text = strings.ReplaceAll(text, ",", "")
	case units == rules.UnitsSI && doubtfulComma.MatchString(text):
		return 0, "may mean a fraction or thousands; write it without the comma, or with a point before the fraction"
	case units == rules.UnitsSI && !strings.Contains(text, "."):
		text = strings.Replace(text, ",", ".", 1)
	}
	if !plainNumber.MatchString(text) {
		return 0, "must be a number"
	}
	x, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsInf(x, 0) {
		return 0, "is too large a number"
	}
	return x, ""
}

var (
	bounds = regexp.MustCompile(`^must be between (-?[\d.]+) and (-?[\d.]+)( [^\d]*)?$`)
	bound  = regexp.MustCompile(`^must be (at least|at most) (-?[\d.]+)$`)
	looser = regexp.MustCompile(`^is looser than the published (-?[\d.]+)[^,]*, (.+)$`)
)

// inUnit says the API's bounds of a number in the unit that it was typed in, rounded to the inside.
func (u unit) inUnit(said string) string {
	if m := bounds.FindStringSubmatch(said); m != nil {
		return strings.TrimSpace("must be between " + u.inside(m[1], math.Ceil) + " and " + u.inside(m[2], math.Floor) + " " + u.name)
	}
	if m := bound.FindStringSubmatch(said); m != nil {
		round := math.Ceil
		if m[1] == "at most" {
			round = math.Floor
		}
		return strings.TrimSpace("must be " + m[1] + " " + u.inside(m[2], round) + " " + u.name)
	}
	if m := looser.FindStringSubmatch(said); m != nil {
		if published, err := strconv.ParseFloat(m[1], 64); err == nil {
			return strings.TrimSpace("is looser than the published "+u.text(published)+" "+u.name) + ", " + m[2]
		}
	}
	return said
}

func (u unit) inside(text string, round func(float64) float64) string {
	value, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return text
	}
	step := math.Pow10(u.digits)
	rounded := round((value/u.factor()-u.offset)*step-1e-9*sign(round)) / step
	return strconv.FormatFloat(rounded+0, 'f', -1, 64)
}

// sign is the side from which a bound that is already round may be missed by a hair.
func sign(round func(float64) float64) float64 {
	if round(.5) == 1 {
		return 1
	}
	return -1
}
