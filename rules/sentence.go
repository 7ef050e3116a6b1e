package rules

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"frostgate/rules/physics/concrete"
)

// Conversions to US customary units: exact by definition, except that of
// thermal resistance, which NIST SP 811 (2008) rounds to seven digits.
const (
	mmPerInch     = 25.4
	mmPerFoot     = 304.8
	m2PerFt2      = 0.09290304
	m3PerYd3      = 0.764554857984
	kgPerLb       = 0.45359237
	litrePerGal   = 3.785411784
	mpaPerPSI     = 0.006894757293168
	msPerMPH      = 0.44704
	m2KWPerR      = 0.1761102
	kgM2PerLbFt2  = kgPerLb / m2PerFt2
	wM2PerBtuHFt2 = 3.154591
)

// Temp is a temperature in whole degrees: "28 °F" or "-2 °C".
func (u Units) Temp(c float64) string { return u.temp(c, 0) }

// TempChange is a difference of temperatures: "20 °F" or "11 °C".
func (u Units) TempChange(c float64) string { return u.tempChange(c, 0) }

// TempPair is two temperatures that are to be told apart, such as an observed
// one and its limit: in whole degrees, or with a tenth where both would read the
// same though they differ.
func (u Units) TempPair(a, b float64) (string, string) { return apart(a, b, u.temp) }

// TempChangePair is [Units.TempPair] for differences.
func (u Units) TempChangePair(a, b float64) (string, string) { return apart(a, b, u.tempChange) }

func apart(a, b float64, say func(float64, int) string) (string, string) {
	for digits := range 2 {
		x, y := say(a, digits), say(b, digits)
		if x != y || digits == 1 {
			return x, y
		}
	}
	return say(a, 0), say(b, 0)
}

// wholeBelow is a temperature that can be ordered: in whole degrees, no warmer.
func (u Units) wholeBelow(c float64) float64 {
	if u.us() {
		return fromF(math.Floor(c*1.8 + 32 + 1e-9))
	}
	return math.Floor(c + 1e-9)
}

func (u Units) temp(c float64, digits int) string {
	if u.us() {
		return fixed(c*1.8+32, digits) + " °F"
	}
	return fixed(c, digits) + " °C"
}

func (u Units) tempChange(c float64, digits int) string {
	if u.us() {
		return fixed(c*1.8, digits) + " °F"
	}
	return fixed(c, digits) + " °C"
}

func (u Units) us() bool { return u != UnitsSI }

// Length is a thickness or depth: "5 in", "4.5 in" or "125 mm".
func (u Units) Length(mm float64) string {
	if u.us() {
		in := mm / mmPerInch
		if in < 12 {
			return trimmed(math.Round(in*4)/4, 2) + " in"
		}
		return fixed(in, 0) + " in"
	}
	return fixed(mm, 0) + " mm"
}

// Rain is a depth of water: "0.1 in" or "2.5 mm".
func (u Units) Rain(mm float64) string {
	if u.us() {
		in := mm / mmPerInch
		if in < 0.095 {
			return trimmed(in, 2) + " in"
		}
		return trimmed(in, 1) + " in"
	}
	return trimmed(mm, 1) + " mm"
}

// SnowDepth is "3 in" or "8 cm".
func (u Units) SnowDepth(mm float64) string {
	if u.us() {
		in := mm / mmPerInch
		if in < 1 {
			return trimmed(math.Ceil(in*4)/4, 2) + " in"
		}
		return fixed(in, 0) + " in"
	}
	return fixed(math.Ceil(mm/10), 0) + " cm"
}

// Area is "750 sq ft" or "70 m²".
func (u Units) Area(m2 float64) string {
	if u.us() {
		return fixed(m2/m2PerFt2, 0) + " sq ft"
	}
	return fixed(m2, 0) + " m²"
}

// Volume is concrete to the quarter, "8.25 yd³" or "6.25 m³", and to the
// hundredth below half a one: "0.08 yd³".
func (u Units) Volume(m3 float64) string {
	v, unit := m3, " m³"
	if u.us() {
		v, unit = m3/m3PerYd3, " yd³"
	}
	if v >= 0.5 {
		v = math.Round(v*4) / 4
	}
	return trimmed(v, 2) + unit
}

// Mass is "150 lb" or "68 kg".
func (u Units) Mass(kg float64) string {
	if u.us() {
		return fixed(kg/kgPerLb, 0) + " lb"
	}
	return fixed(kg, 0) + " kg"
}

// Liquid is "12.5 gal" or "47 L".
func (u Units) Liquid(l float64) string {
	if u.us() {
		return trimmed(l/litrePerGal, 1) + " gal"
	}
	return fixed(l, 0) + " L"
}

// Stress is a strength: "500 psi" to the 10 below 1,000 and to the 50 above, or
// "27.6 MPa". The critical strength reads as it is
// published in both: 500 psi and 3.5 MPa (Powers 1962; PCA; ACI 306R).
func (u Units) Stress(mpa float64) string {
	if !u.us() {
		if math.Abs(mpa-concrete.CriticalMPa) < 1e-6 {
			return "3.5 MPa"
		}
		return trimmed(mpa, 1) + " MPa"
	}
	psi, step := mpa/mpaPerPSI, 10.0
	if psi >= 1000 {
		step = 50
	}
	return thousands(math.Round(psi/step)*step) + " psi"
}

// RValue is a thermal resistance: "R-4" or "0.70 m²K/W".
func (u Units) RValue(m2KW float64) string {
	if u.us() {
		return "R-" + trimmed(m2KW/m2KWPerR, 1)
	}
	return fixed(m2KW, 2) + " m²K/W"
}

// Wind is a speed: "30 mph" or "48 km/h".
func (u Units) Wind(ms float64) string {
	if u.us() {
		return fixed(ms/msPerMPH, 0) + " mph"
	}
	return fixed(ms*3.6, 0) + " km/h"
}

// Evaporation is a rate of drying: "0.20 lb/ft²/h" or "1.0 kg/m²/h".
func (u Units) Evaporation(kgM2H float64) string {
	if u.us() {
		return fixed(kgM2H/kgM2PerLbFt2, 2) + " lb/ft²/h"
	}
	return fixed(kgM2H, 2) + " kg/m²/h"
}

// HeatFlow is heat per area: "32 Btu/h/ft²" or "100 W/m²".
func (u Units) HeatFlow(wM2 float64) string {
	if u.us() {
		return fixed(wM2/wM2PerBtuHFt2, 0) + " Btu/h/ft²"
	}
	return fixed(wM2, 0) + " W/m²"
}

// Day is a date with its hour in the zone of t: "Tue Jan 20, 6:00 a.m." or "Tue
// 20 Jan 06:00".
func (u Units) Day(t time.Time) string {
	if u.us() {
		return u.Date(t) + ", " + u.Hour(t)
	}
	return u.Date(t) + " " + u.Hour(t)
}

// Date is a day in the zone of t: "Tue Jan 20" or "Tue 20 Jan".
func (u Units) Date(t time.Time) string {
	if u.us() {
		return t.Format("Mon Jan 2")
	}
	return t.Format("Mon 2 Jan")
}

// Clock is a weekday with its hour in the zone of t, for times within a week:
// "Tue 6:00 a.m." or "Tue 06:00".
func (u Units) Clock(t time.Time) string { return t.Format("Mon ") + u.Hour(t) }

// Hour is the time of day in the zone of t: "6:00 a.m." or "06:00".
func (u Units) Hour(t time.Time) string {
	if u.us() {
		return strings.NewReplacer("AM", "a.m.", "PM", "p.m.").Replace(t.Format("3:04 PM"))
	}
	return t.Format("15:04")
}

// Percent is a probability, 0 to 1, that is never said to be nothing or certain:
// "<1 %", "35 %" or ">99 %".
func Percent(p float64) string {
	switch {
	case p < 0.01:
		return "<1 %"
	case p > 0.99:
		return ">99 %"
	default:
		return fixed(100*p, 0) + " %"
	}
}

// Duration is a length of time: "40 minutes", "1 hour", "2.5 hours" or "3 days".
func Duration(hours float64) string {
	switch minutes := math.Round(hours * 60); {
	case minutes < 60:
		return plural(minutes, 0, "minute")
	case hours < 9.75:
		return plural(math.Round(hours*2)/2, 1, "hour")
	case hours < 72:
		return plural(math.Round(hours), 0, "hour")
	default:
		return plural(math.Round(hours/12)/2, 1, "day")
	}
}

// A speaker says quantities and times of one case: in the firm's units and the
// local time of the site.
type speaker struct {
	units Units
	zone  *time.Location
}

func (j *job) say() speaker { return speaker{units: j.c.Firm.Units, zone: j.zone} }

func (s speaker) temp(c float64) string                   { return s.units.Temp(c) }
func (s speaker) temps(a, b float64) (string, string)     { return s.units.TempPair(a, b) }
func (s speaker) tempDiff(c float64) string               { return s.units.TempChange(c) }
func (s speaker) tempDiffs(a, b float64) (string, string) { return s.units.TempChangePair(a, b) }
func (s speaker) length(mm float64) string                { return s.units.Length(mm) }
func (s speaker) rvalue(m2KW float64) string              { return s.units.RValue(m2KW) }
func (s speaker) strength(mpa float64) string             { return s.units.Stress(mpa) }
func (s speaker) speed(ms float64) string                 { return s.units.Wind(ms) }
func (s speaker) percent(p float64) string                { return Percent(p) }
func (s speaker) hours(h float64) string                  { return Duration(h) }
func (s speaker) clock(t time.Time) string                { return s.units.Clock(t.In(s.zone)) }
func (s speaker) day(t time.Time) string                  { return s.units.Day(t.In(s.zone)) }

// sentence is fmt.Sprintf for a sentence: one that ends in "a.m." or "p.m." takes
// no second full stop.
func sentence(format string, args ...any) string {
	return strings.ReplaceAll(fmt.Sprintf(format, args...), ".m..", ".m.")
}

// fixed is x with the digits after the point, and never "-0".
func fixed(x float64, digits int) string {
	text := strconv.FormatFloat(x, 'f', digits, 64)
	if strings.Trim(text, "-0.") == "" {
		text = strings.TrimPrefix(text, "-")
	}
	return text
}

// trimmed is x with at most the digits after the point.
func trimmed(x float64, digits int) string {
	text := fixed(x, digits)
	if strings.Contains(text, ".") {
		text = strings.TrimRight(strings.TrimRight(text, "0"), ".")
	}
	return text
}

// thousands is a whole number with commas between thousands.
func thousands(x float64) string {
	text := fixed(x, 0)
	for i := len(text) - 3; i > 0 && text[i-1] != '-'; i -= 3 {
		text = text[:i] + "," + text[i:]
	}
	return text
}

// plural is a count with its unit.
func plural(n float64, digits int, unit string) string {
	if n == 1 {
		return "1 " + unit
	}
	return fmt.Sprintf("%s %ss", trimmed(n, digits), unit)
}
