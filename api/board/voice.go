package board

import (
	"time"

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

// date is a day without its hour.
func (s voice) date(t time.Time) string {
	if s.Units == rules.UnitsSI {
		return t.In(s.zone).Format("Monday 2 January")
	}
	return t.In(s.zone).Format("Monday, January 2")
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

// ago is how long before now something was.
func ago(now, then time.Time) string {
	d := now.Sub(then)
	if d < time.Minute {
		return "just now"
	}
	return rules.Duration(d.Hours()) + " ago"
}

var elementWords = map[rules.Element]string{rules.SlabOnGround: "Slab on ground", rules.Footing: "Footing", rules.Wall: "Wall"}
