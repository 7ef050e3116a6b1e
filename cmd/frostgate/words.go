package main

import (
	"fmt"
	"math"
	"strings"
	"time"

	"frostgate/rules"
)

// words says quantities and times as the firm does, at the site's local time.
type words struct {
	us   bool
	zone *time.Location
}

func newWords(units rules.Units, zone *time.Location) words {
	return words{us: units != rules.UnitsSI, zone: zone}
}

func (w words) temp(c float64) string {
	if w.us {
		return fmt.Sprintf("%.0f °F", c*1.8+32)
	}
	return fmt.Sprintf("%.0f °C", c)
}

func (w words) tempDrop(c float64) string {
	if w.us {
		return fmt.Sprintf("%.0f °F", c*1.8)
	}
	return fmt.Sprintf("%.0f °C", c)
}

func (w words) length(mm float64) string {
	if w.us {
		return fmt.Sprintf("%.3g in", math.Round(mm/25.4*4)/4)
	}
	return fmt.Sprintf("%.0f mm", mm)
}

func (w words) area(m2 float64) string {
	if w.us {
		return fmt.Sprintf("%.0f sq ft", m2*10.7639)
	}
	return fmt.Sprintf("%.0f m²", m2)
}

func (w words) volume(m3 float64) string {
	if w.us {
		return fmt.Sprintf("%.4g cu yd", math.Round(m3*1.30795*4)/4)
	}
	return fmt.Sprintf("%.1f m³", m3)
}

func (w words) mass(kg float64) string {
	if w.us {
		return fmt.Sprintf("%.0f lb", kg*2.20462)
	}
	return fmt.Sprintf("%.0f kg", kg)
}

func (w words) liquid(litres float64) string {
	if w.us {
		return fmt.Sprintf("%.1f gal", litres*0.264172)
	}
	return fmt.Sprintf("%.1f L", litres)
}

func (w words) strength(mpa float64) string {
	if w.us {
		return fmt.Sprintf("%.0f psi", math.Round(mpa*145.038/50)*50)
	}
	return fmt.Sprintf("%.1f MPa", mpa)
}

func (w words) insulation(m2KW float64) string {
	if w.us {
		return fmt.Sprintf("R-%.2g", m2KW*5.67826)
	}
	return fmt.Sprintf("%.2f m²K/W", m2KW)
}

// day is a date and an hour; clock is the weekday and an hour, for times within the week.
func (w words) day(t time.Time) string {
	if w.us {
		return t.In(w.zone).Format("Mon Jan 2 ") + w.hour(t)
	}
	return t.In(w.zone).Format("Mon 2 Jan ") + w.hour(t)
}

func (w words) clock(t time.Time) string { return t.In(w.zone).Format("Mon ") + w.hour(t) }

func (w words) hour(t time.Time) string {
	if w.us {
		return strings.NewReplacer("AM", "a.m.", "PM", "p.m.").Replace(t.In(w.zone).Format("3:04 PM"))
	}
	return t.In(w.zone).Format("15:04")
}

func percent(share float64) string {
	switch {
	case share <= 0.005:
		return "under 1 %"
	case share >= 0.995:
		return "over 99 %"
	}
	return fmt.Sprintf("%.0f %%", 100*share)
}
