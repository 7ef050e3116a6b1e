package board

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"frostgate/rules"
)

// A voice says quantities and times of one site: in the firm's units and the site's local time.
type voice struct {
	rules.Units
	zone *time.Location
}

func newVoice(units rules.Units, zone string) voice {
	location, err := time.LoadLocation(zone)
	if err != nil {
		location = time.UTC
	}
	if units == "" {
		units = rules.UnitsUS
	}
	return voice{units, location}
}

const dash = "\u2013"

func (s voice) clock(t *time.Time) string {
	if t == nil || t.IsZero() {
		return dash
	}
	return s.Clock(t.In(s.zone))
}

func (s voice) day(t *time.Time) string {
	if t == nil || t.IsZero() {
		return dash
	}
	return s.Day(t.In(s.zone))
}

func (s voice) hour(t time.Time) string { return s.Hour(t.In(s.zone)) }

// timeOfDay says a time of day of the API, such as 07:00; empty for none.
func (s voice) timeOfDay(text string) string {
	t, err := time.Parse("15:04", text)
	if err != nil {
		return text // 24:00
	}
	return s.Hour(t)
}

// date is a day without its hour.
func (s voice) date(t time.Time) string {
	if s.Units == rules.UnitsSI {
		return t.In(s.zone).Format("Monday 2 January")
	}
	return t.In(s.zone).Format("Monday, January 2")
}

// load is what a truck brings: to the quarter yard, or the tenth of a cubic meter.
func (s voice) load(m3 float64) string {
	if s.Units == rules.UnitsSI {
		return volume.said(s, m3)
	}
	return s.Volume(m3)
}

// area is Area with the thousands apart where that is usual.
func (s voice) area(m2 float64) string {
	text := s.Area(m2)
	digits := strings.IndexByte(text, ' ')
	if s.Units == rules.UnitsSI || digits < 4 || digits > 6 {
		return text
	}
	return text[:digits-3] + "," + text[digits-3:]
}

// heat is an amount of it: "175,000 Btu" or "185 MJ" (1 Btu is 1,055.06 J, NIST SP 811).
func (s voice) heat(mj float64) string {
	if s.Units == rules.UnitsSI {
		return strconv.FormatFloat(math.Round(mj), 'f', 0, 64) + " MJ"
	}
	thousands := int(math.Round(mj * 1e3 / 1055.06))
	if thousands >= 1000 {
		return fmt.Sprintf("%d,%03d,000 Btu", thousands/1000, thousands%1000)
	}
	return fmt.Sprintf("%d,000 Btu", thousands)
}

// degrees is a temperature as a bare number for an axis.
func (s voice) degrees(c float64) float64 {
	if s.Units == rules.UnitsSI {
		return c
	}
	return c*1.8 + 32
}

func (s voice) degreeUnit() string {
	if s.Units == rules.UnitsSI {
		return "°C"
	}
	return "°F"
}

// tied keeps a number and its unit on one line.
var tied = strings.NewReplacer(" °", "\u00a0°", " %", "\u00a0%", " a.m.", "\u00a0a.m.", " p.m.", "\u00a0p.m.", " psi", "\u00a0psi", " MPa", "\u00a0MPa",
	" mm", "\u00a0mm", " in,", "\u00a0in,", " sq ft", "\u00a0sq\u00a0ft", " yd³", "\u00a0yd³", " m³", "\u00a0m³")

func tie(text string) string { return tied.Replace(text) }

// apart keeps the direction of a name out of the sentence around it.
func apart(name string) string {
	if !strings.ContainsFunc(name, func(r rune) bool { return r >= '\u0590' }) { // where scripts that run from the right begin
		return name
	}
	return string(fsi) + closed(name) + string(pdi)
}

// stop ends a sentence, which one that ends in a.m. or p.m. has done by itself.
func stop(text string) string {
	if strings.HasSuffix(text, ".") {
		return text
	}
	return text + "."
}

// withoutVerdict is a headline without the verdict that stands before it as a shape and a word.
func withoutVerdict(v rules.Verdict, headline string) string {
	rest, ok := strings.CutPrefix(headline, verdictWord(v)+": ")
	if !ok || rest == "" {
		return headline
	}
	first, size := utf8.DecodeRuneInString(rest)
	return string(unicode.ToUpper(first)) + rest[size:]
}

// plural counts things whose name only takes an s.
func plural(n int, one string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + one + "s"
}

// ago is how long before now something was.
func ago(now, then time.Time) string {
	d := now.Sub(then)
	if d < time.Minute {
		return "just now"
	}
	return rules.Duration(d.Hours()) + " ago"
}

var elementWords = map[rules.Element]string{rules.SlabOnGround: "Slab on ground", rules.Footing: "Footing", rules.Wall: "Wall"}
