package rules

import (
	"math"
	"slices"
	"time"

	"frostgate/rules/physics/concrete"
)

const (
	// settleH is how long after the start the maintained temperature is not yet
	// judged when nothing can lie on the concrete before finishing ends. CAL.
	settleH = 12
	// knownCoolingH is how much weather has to be known after an hour before that
	// hour can be said to be gentle enough for taking blankets off.
	knownCoolingH = 12
	workFromH     = 7 // local hour from which blankets are taken off
)

// An underMaintained is how far concrete falls below the temperature it is to be
// kept at.
type underMaintained struct {
	first      time.Time
	lengthH    float64
	lowestC    float64 // of the top
	lowestAirC float64 // in the protection period
	limitC     float64
	source     Source
}

// underMaintained judges the published minimum (ACI 306R, line 1) over the
// protection period, from the end of finishing until the strength that the
// period would give is there. Only in cold weather by ACI 306R-16.
func (j *job) underMaintained(run *course) underMaintained {
	limit, source := j.maintainMinC()
	until := j.maintainedUntil(run)
	from := run.start.Add(settleH * time.Hour)
	if !run.finalSet.IsZero() {
		from = earlier(from, run.finalSet)
	}
	u := underMaintained{limitC: limit, source: source, lowestC: math.Inf(1)}
	period, _ := j.protectionPeriodH()
	u.lowestAirC = j.wx.minAirC(run.start, later(run.start.Add(hours(period)), until))
	if !j.limits.cold(u.lowestAirC) {
		return u
	}
	for i := range run.rows {
		r := &run.rows[i]
		if r.at.Before(from) || !r.at.Before(until) || r.topC >= limit {
			continue
		}
		if u.first.IsZero() {
			u.first = r.at
		}
		u.lengthH++
		u.lowestC = math.Min(u.lowestC, r.topC)
	}
	return u
}

// maintainedUntil is the end of the published period, or of the strength it would
// give; where the code counts by strength alone, the critical strength.
func (j *job) maintainedUntil(run *course) time.Time {
	period, _ := j.protectionPeriodH()
	if period == 0 {
		return earlier(run.critical, run.end)
	}
	until := run.start.Add(hours(period))
	if !run.specified.IsZero() {
		until = earlier(until, run.specified)
	}
	return until
}

// An ending is until when layers are required and when they may come off; zero times
// are not reached within the weather.
type ending struct {
	periodAt, strengthAt time.Time // the period is served; the strength is there
	ends                 time.Time // the later of the two
	gentle               time.Time // first hour after both at which baring is gentle
	off                  time.Time // first working hour of those
	governs              string    // period, strength or temperature
}

// endProtection finds the end of the layers that are required; those that the plan
// takes off sooner are left on.
func (j *job) endProtection() error {
	s := &j.shield
	open, err := j.uncovering(s.layers, &s.run)
	if err != nil {
		return err
	}
	s.ending = j.endOf(open, true, time.Time{})
	s.longer = slices.ContainsFunc(s.layers, func(l Protection) bool {
		return l.OffAt != nil && (s.off.IsZero() || l.OffAt.Before(s.off))
	})
	if s.longer {
		s.layers, s.run = leftOn(s.layers), *open
	}
	return nil
}

// endOf is the end of protection on a run, not before from: with the published
// period where it counts, else by strength alone.
func (j *job) endOf(run *course, periodCounts bool, from time.Time) (e ending) {
	e.periodAt, e.strengthAt, e.governs = j.requiredUntil(run)
	if !periodCounts {
		e.periodAt, e.governs = e.strengthAt, "strength"
	}
	if e.ends = later(e.periodAt, e.strengthAt); e.ends.IsZero() {
		return e
	}
	first := e.ends
	if from.After(first) {
		first = from
	}
	for at := first; !at.After(run.end); at = at.Add(time.Hour).Truncate(time.Hour) {
		gentle, known := j.gentleAt(run, at)
		switch {
		case !known:
			return e
		case !gentle:
			continue
		case e.gentle.IsZero():
			e.gentle = at
		}
		if j.workingHour(at) {
			if e.off = at; at.Sub(first) > 24*time.Hour {
				e.governs = "temperature"
			}
			return e
		}
	}
	return e
}

// keptUntil is the one end of protection that people are told: the hour blankets
// come off, or that it is required until where the weather does not reach so far.
func (s *shield) keptUntil() time.Time {
	if !s.off.IsZero() {
		return s.off
	}
	return s.ends
}

// requiredUntil is when the published period is served: hours at or above the
// published minimum count in full, colder ones by their part in strength gain,
// so that the period grows while the concrete is too cold; and when the coldest
// cell has the critical strength, and what a local rule asks for. Zero is not
// within the run.
func (j *job) requiredUntil(run *course) (periodAt, strengthAt time.Time, governs string) {
	least := j.localReleaseMPa()
	period, _ := j.protectionPeriodH()
	minC, _ := j.maintainMinC()
	q := j.plan.model.StrengthQK
	full := concrete.Arr(minC, q)
	served := 0.0
	governs = "period"
	for i := range run.rows {
		r := &run.rows[i]
		if periodAt.IsZero() && served >= period {
			periodAt = r.at
		}
		if strengthAt.IsZero() && !run.critical.IsZero() && !r.at.Before(run.critical) && r.coldestMPa >= least {
			strengthAt = r.at
		}
		if !periodAt.IsZero() && !strengthAt.IsZero() {
			break
		}
		if share := concrete.Arr(r.topC, q) / full; share < 1 {
			served += math.Max(0, share)
			governs = "strength"
		} else {
			served++
		}
	}
	if strengthAt.After(periodAt) {
		governs = "strength"
	}
	return periodAt, strengthAt, governs
}

// localReleaseMPa is the strength a local rule wants before protection ends; 0
// without one.
func (j *job) localReleaseMPa() float64 {
	least := 0.0
	for i := range j.c.Site.LocalRules {
		if r := &j.c.Site.LocalRules[i]; r.Kind == localProtectUntil {
			least = math.Max(least, r.Value/100*j.c.Pour.Mix.StrengthMPa)
		}
	}
	return least
}

// workingHour reports whether somebody would take blankets off then.
func (j *job) workingHour(at time.Time) bool {
	local := at.In(j.zone)
	end := j.c.Pour.Crew.DayEndsAt.In(j.zone)
	h := float64(local.Hour()) + float64(local.Minute())/60
	return h >= workFromH && h < math.Max(workFromH+1, float64(end.Hour()))
}

// gentleAt reports whether the surface may be bared at a time: it is within the
// published difference to the air, or cannot cool more in a day than published.
func (j *job) gentleAt(run *course, at time.Time) (gentle, known bool) {
	if at.Add(knownCoolingH * time.Hour).After(j.wx.until()) {
		return false, false
	}
	w := j.wx.at(at)
	b := baring{surfaceC: run.topAt(at), airC: w.airC, lowestC: j.wx.minAirC(at, at.Add(24*time.Hour)), windMS: w.windMS}
	return j.c.mayBare(j.limits, b), true
}
