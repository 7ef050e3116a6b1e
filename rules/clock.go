package rules

import (
	"math"
	"time"

	"frostgate/rules/physics/sun"
)

// Shares of the time between initial and final set of the top at which each
// finishing stage may begin by hand, and later by machine, whose weight asks for
// a firmer surface: a footprint of 6 mm by hand, nearer 3 mm under a riding
// machine (ACI 302.1R as quoted; footprint 6 mm near initial set, a scuff near
// final set). The shares between are CAL: three passes spread over the window.
var finishingStages = []struct {
	name          string
	hand, machine float64
}{
	{"float", 0, 0.15},
	{"trowel 1", 1.0 / 3, 0.45},
	{"trowel 2", 2.0 / 3, 0.75},
}

const (
	// bleedShare is the share of the time from batching to initial set after which
	// bleeding has ended. CAL: bleeding stops shortly before initial set.
	bleedShare = 0.75
	// strikeOffH is how long strike-off and bull float follow the last concrete. CAL.
	strikeOffH = 0.25
	// sawCooledC is how far the top may cool from its peak before sawing is late,
	// 15 F. CAL (E54).
	sawCooledC = 8.3
)

// hours between two times as a duration.
func hours(h float64) time.Duration { return time.Duration(h * float64(time.Hour)) }

func minutes(m float64) time.Duration { return hours(m / 60) }

// dayOf is the crew's day on a course of a pour.
func (j *job) dayOf(p *pour, run *course) daylong {
	d := daylong{crewEnds: j.crewEnds(p.start)}
	d.overFrom = d.crewEnds.Add(hours(j.limits.value("finish.hours_h")))
	d.placingEnds = p.start.Add(hours(j.batch.VolumeM3 / j.c.Pour.Crew.PlaceM3H))
	d.dischargeBy = p.batched.Add(minutes(j.dischargeMin()))
	if best := j.dischargeBestMin(); best > 0 {
		d.dischargeBestBy = p.batched.Add(minutes(best))
	}
	d.dawn, d.dusk = j.daylight(p.start)
	if !run.initialSet.IsZero() {
		d.bleedEnds = p.batched.Add(hours(bleedShare * run.initialSet.Sub(p.batched).Hours()))
	}
	if j.c.Pour.Element == SlabOnGround {
		j.finish(&d, run)
		j.saw(&d, run)
	} else {
		d.finishingStarts = p.start
		d.finishingEnds = d.placingEnds.Add(hours(strikeOffH))
		d.passes = []Pass{pass("strike off", p.start, d.finishingEnds)}
	}
	j.darken(&d, p.start)
	return d
}

// darken finds from when it is dark: a start after dusk that is finished beyond the
// next dawn has the dusk of that next day before it.
func (j *job) darken(d *daylong, start time.Time) {
	if d.dusk.IsZero() {
		return
	}
	if start.After(d.dusk) {
		dawn, dusk := j.daylight(start.In(j.zone).AddDate(0, 0, 1))
		if !dusk.IsZero() && (d.finishingEnds.IsZero() || d.finishingEnds.After(dawn)) {
			d.dusk = dusk
		}
	}
	d.darkFrom = d.dusk.Add(hours(j.limits.value("finish.dusk_h")))
}

// daylight is civil dawn and dusk on the local day of t; zero where there is none.
func (j *job) daylight(t time.Time) (dawn, dusk time.Time) {
	local := t.In(j.zone)
	n := dayNumber(local)
	known, ok := j.light[n]
	if !ok {
		known.dawn, known.dusk, _ = sun.Crossing(local, j.c.Site.Latitude, j.c.Site.Longitude, sun.CivilTwilightDeg)
		j.light[n] = known
	}
	return known.dawn, known.dusk
}

// A twilight is civil dawn and dusk of one day.
type twilight struct{ dawn, dusk time.Time }

// crewEnds is the end of the crew's day for a start: the hour given, on the day
// of the start.
func (j *job) crewEnds(start time.Time) time.Time {
	given := j.c.Pour.Crew.DayEndsAt
	if start.Equal(j.c.Pour.StartsAt) {
		return given
	}
	planned, moved := j.c.Pour.StartsAt.In(j.zone), start.In(j.zone)
	days := dayNumber(moved) - dayNumber(planned)
	return given.In(j.zone).AddDate(0, 0, days)
}

// dayNumber counts civil days.
func dayNumber(t time.Time) int {
	y, m, d := t.Date()
	return int(time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Unix() / 86400)
}

// finish lays the passes between initial and final set of the top: the window of
// finishability (ACI 302). The first concrete placed opens a pass, the last
// concrete, placed that much later, closes it.
func (j *job) finish(d *daylong, run *course) {
	late := d.placingEnds.Sub(run.start)
	d.passes = []Pass{pass("bull float", run.start, d.placingEnds.Add(hours(strikeOffH)))}
	if run.initialSet.IsZero() {
		return
	}
	d.finishingStarts = run.initialSet
	if run.finalSet.IsZero() {
		return
	}
	d.finishingEnds = run.finalSet.Add(late)
	window := run.finalSet.Sub(run.initialSet).Hours()
	at := func(share float64) time.Time { return run.initialSet.Add(hours(share * window)) }
	for i, s := range finishingStages {
		end := d.finishingEnds
		if i+1 < len(finishingStages) {
			end = at(finishingStages[i+1].hand).Add(late)
		}
		p := pass(s.name, at(s.hand), end)
		if *j.c.Pour.Crew.Machine {
			p.MachineAt = timeOrNil(at(s.machine))
		}
		d.passes = append(d.passes, p)
	}
}

func pass(name string, from, to time.Time) Pass {
	return Pass{Name: name, EarliestAt: timeOrNil(from), EndsAt: timeOrNil(to)}
}

// saw finds when the joints may be cut (E54): an early-entry saw from final set
// of the top and its early strength, an ordinary saw from more strength; both
// before the top has cooled too far from its peak, or a day has passed.
func (j *job) saw(d *daylong, run *course) {
	if run.finalSet.IsZero() {
		return
	}
	d.sawFrom = later(run.finalSet, run.sawEarly)
	d.sawUsual = run.sawUsual
	if d.sawFrom.IsZero() {
		return
	}
	latest := run.start.Add(hours(j.limits.value("saw.max_after_h")))
	peak := math.Inf(-1)
	for i := range run.rows {
		r := &run.rows[i]
		if r.at.Before(run.finalSet) {
			continue
		}
		peak = math.Max(peak, r.topC)
		if r.topC < peak-sawCooledC {
			latest = earlier(latest, r.at)
			break
		}
	}
	if latest.After(run.end) {
		return
	}
	d.sawUntil = later(latest, d.sawFrom)
}

// later is the later of two times; zero, not reached, when one of them is.
func later(a, b time.Time) time.Time {
	if a.IsZero() || b.IsZero() {
		return time.Time{}
	}
	if b.After(a) {
		return b
	}
	return a
}

// earlier is the earlier of two times, of which one may be zero.
func earlier(a, b time.Time) time.Time {
	if a.IsZero() || (!b.IsZero() && b.Before(a)) {
		return b
	}
	return a
}

// timeOrNil is a time for the answer: nil when it was not reached.
func timeOrNil(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	t = whole(t)
	return &t
}

// whole is a time as answers give it: UTC, in whole seconds.
func whole(t time.Time) time.Time { return t.Round(time.Second).UTC() }
