package rules

import (
	"fmt"
	"math"
	"time"

	"frostgate/rules/physics/curing"
)

// freezesEarly judges slab.freezes_early (E53): no cell may come within the
// guard of its freezing point before it has the critical strength.
func (j *job) freezesEarly() []Finding {
	guard, act := j.limits.value("freeze.guard_c"), j.limits.value("chance.act")
	run, bare := &j.run, &j.shield.bare
	f := j.finding("slab.freezes_early", EffectMove, "strength.critical_mpa")
	if j.chance != nil {
		f.Probability = new(j.chance.FreezesEarly)
	}
	switch {
	case run.failsFreezing(guard):
		f.Sentence = j.freezeSentence(run, "The")
	case j.chance != nil && j.chance.FreezesEarly >= act:
		f.Effect = EffectProtect
		f.Sentence = fmt.Sprintf("The coldest concrete stays at %s in the forecast as it is, but within its error it freezes before %s with a chance of %s.",
			j.say().temp(run.minBeforeC), j.critical(), j.say().percent(j.chance.FreezesEarly))
	case j.shield.needed && bare.failsFreezing(guard):
		f.Effect = EffectProtect
		f.Sentence = j.freezeSentence(bare, "Without the planned blankets the")
		run = bare
	default:
		return nil
	}
	f.measure("degC", run.minBeforeC, run.freezingC+guard, run.minBeforeC-run.freezingC-guard)
	f.FirstAt = timeOrNil(run.guarded)
	if f.FirstAt == nil {
		f.FirstAt = timeOrNil(run.freezes)
	}
	f.LengthH = hoursIn(run, func(r *runRow) bool { return r.coldestC < run.freezingC+guard && beforeCritical(run, r) })
	return []Finding{f}
}

func beforeCritical(run *course, r *runRow) bool {
	return run.critical.IsZero() || r.at.Before(run.critical)
}

func hoursIn(run *course, is func(*runRow) bool) float64 {
	n := 0.0
	for i := range run.rows {
		if is(&run.rows[i]) {
			n++
		}
	}
	return n
}

// critical is the critical strength in the firm's words.
func (j *job) critical() string { return j.say().strength(j.limits.value("strength.critical_mpa")) }

// freezeSentence says what E53 asks to report: when, where and at what strength
// it freezes, how cold it gets and how much of its water turns to ice.
func (j *job) freezeSentence(run *course, lead string) string {
	say := j.say()
	if run.frozeEarly {
		verb, before := "freezes", "before it has"
		if j.hasFrozen(run) {
			verb, before = "froze", "before it had"
		}
		coldest, freezing := say.temps(run.minBeforeC, run.freezingC)
		s := fmt.Sprintf("%s concrete %s%s on %s with %s, %s %s; the coldest falls to %s, and it freezes at %s.",
			lead, verb, j.whereFrozen(run), say.clock(run.freezes), say.strength(run.frozeMPa), before, j.critical(), coldest, freezing)
		if run.frozenShare >= 0.05 {
			s += fmt.Sprintf(" Up to %s of its water turns to ice.", say.percent(run.frozenShare))
		}
		return s
	}
	coldest, freezing := say.temps(run.minBeforeC, run.freezingC)
	return fmt.Sprintf("%s coldest concrete falls to %s before it has %s, too near its freezing point of %s.", lead, coldest, j.critical(), freezing)
}

// whereFrozen is the part of the concrete that freezes first.
func (j *job) whereFrozen(run *course) string {
	switch share := run.frozeDepthM * 1000 / j.c.Pour.ThicknessMM; {
	case j.c.Pour.Element == Wall && share < 1.0/3:
		return " at its face"
	case j.c.Pour.Element == Wall:
		return ""
	case share < 1.0/3:
		return " at the top"
	case share > 2.0/3:
		return " at the bottom"
	default:
		return ""
	}
}

// belowMaintain judges slab.below_maintain_temp (ACI 306R, line 1): in cold
// weather concrete stays at the published minimum until the period is served.
// It never asks to move: colder concrete needs longer protection, not another day.
func (j *job) belowMaintain() []Finding {
	run, lead := &j.run, ""
	u := j.underMaintained(run)
	bare := j.underMaintained(&j.shield.bare)
	if u.lengthH == 0 {
		relies := j.shield.needed && bare.lengthH > 0 && bare.lowestAirC < 0 &&
			!j.shield.bare.failsFreezing(j.limits.value("freeze.guard_c"))
		if !relies {
			return nil
		}
		u, lead = bare, "Without the planned blankets the top"
	} else {
		lead = "The top"
	}
	f := j.finding("slab.below_maintain_temp", EffectProtect, "")
	f.Source = u.source
	if u.lowestAirC >= 0 {
		f.Effect = Note
	}
	f.measure("degC", u.lowestC, u.limitC, u.lowestC-u.limitC)
	f.FirstAt, f.LengthH = timeOrNil(u.first), u.lengthH
	say := j.say()
	f.Sentence = fmt.Sprintf("%s of the concrete falls to %s within its protection period, below the %s it should keep, for %s from %s on.",
		lead, say.temp(u.lowestC), say.temp(u.limitC), say.hours(u.lengthH), say.clock(u.first))
	return []Finding{f}
}

// thermalShock judges slab.thermal_shock where the plan takes the last blanket
// off: the top may cool no more than published in the following day, unless it
// is near the air already.
func (j *job) thermalShock() []Finding {
	off := lastOff(j.c.Pour.Protection)
	run := &j.run
	if off.IsZero() || off.Before(run.start) || !off.Before(run.end) {
		return nil
	}
	top := run.topAt(off)
	low := top
	for i := range run.rows {
		if r := &run.rows[i]; r.at.After(off) && !r.at.After(off.Add(24*time.Hour)) {
			low = math.Min(low, r.topC)
		}
	}
	if top-j.wx.at(off).airC <= j.limits.value("removal.diff_c") {
		return nil
	}
	if j.limits.code == CodeCSA {
		low = j.wx.at(off).airC
	}
	limit, source := j.coolingC(off)
	if top-low <= limit {
		return nil
	}
	f := j.finding("slab.thermal_shock", EffectProtect, "")
	f.Source = source
	f.measure("K", top-low, limit, limit-(top-low))
	f.FirstAt = &off
	say := j.say()
	f.Sentence = fmt.Sprintf("Taking the blankets off on %s cools the top by %s within a day; at most %s is safe.",
		say.clock(off), say.tempDiff(top-low), say.tempDiff(limit))
	if j.limits.code == CodeCSA {
		f.Sentence = fmt.Sprintf("The top is %s warmer than the air when the blankets come off on %s; at most %s is allowed.",
			say.tempDiff(top-low), say.clock(off), say.tempDiff(limit))
	}
	safe := j.shield.off
	if safe.IsZero() {
		safe = j.shield.spare.off
	}
	if safe.After(off) {
		f.Remedy = &Remedy{
			Kind: "remove_later", By: &safe, AtHand: true, Passes: true,
			Sentence: sentence("Leave them on until %s.", say.clock(safe)),
		}
	}
	return []Finding{f}
}

// coolingC is how far the surface may cool in the day after protection ends at off;
// by CSA A23.1 how much warmer than the air it may be then, nothing beyond the
// usual difference in more wind than its graph holds for.
func (j *job) coolingC(off time.Time) (float64, Source) {
	if j.limits.code != CodeCSA {
		return j.limits.coolDropC(j.c.Pour.ThicknessMM)
	}
	c, known := curing.DifferenceC(j.c.Pour.ThicknessMM, j.c.lengthOverHeight(), j.wx.at(off).windMS)
	if usual := j.limits.value("removal.diff_c"); !known {
		return usual, j.limits.source("removal.diff_c")
	}
	return c, Source{"A12-01", "CSA A23.1, largest difference of surface and air by thickness and length over height", standingRead}
}

// topAt is the top temperature at t, linear between the hours.
func (c *course) topAt(t time.Time) float64 {
	x := t.Sub(c.start).Hours()
	i := min(len(c.rows)-1, max(0, int(x)))
	if i+1 >= len(c.rows) {
		return c.rows[i].topC
	}
	return c.rows[i].topC + (x-float64(i))*(c.rows[i+1].topC-c.rows[i].topC)
}
