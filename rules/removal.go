package rules

import (
	"fmt"
	"math"
	"time"

	"frostgate/rules/physics/curing"
)

// dinPeriodH is over which hours the air decides what DIN asks for.
const dinPeriodH = 72

// section is the job's concrete through its protection period.
func (j *job) section() section {
	x := section{thicknessMM: j.c.Pour.ThicknessMM, cementKgM3: j.c.Pour.Mix.CementKgM3}
	if j.limits.code == CodeDIN {
		start := j.c.Pour.StartsAt
		x.airC = j.wx.minAirC(start, start.Add(dinPeriodH*time.Hour))
	}
	return x
}

// maintainMinC is the least temperature that the job's concrete is to be kept at.
func (j *job) maintainMinC() (float64, Source) { return j.limits.maintainMinC(j.section()) }

// protectionPeriodH is how long the job's concrete is to be kept at it; 0 where the
// code counts by strength alone.
func (j *job) protectionPeriodH() (hours float64, src Source) { return j.c.periodH(j.section().airC) }

// periodH is how long concrete is to be kept at its least temperature: against
// early freezing, and for strength where the category asks for more (ACI 306R), or
// by the code of the case in air of lowestAirC. A longer period of the authority at
// the site counts.
func (c *Case) periodH(lowestAirC float64) (hours float64, src Source) {
	if code := c.code(); code == CodeUS {
		hours, src = c.usPeriodH()
	} else {
		p := code.period(c.Pour.Exposure, lowestAirC)
		hours, src = p.hours, p.source
	}
	for i := range c.Site.LocalRules {
		r := &c.Site.LocalRules[i]
		if r.Kind == localProtectMinH && r.Value > hours {
			hours, src = r.Value, r.source()
		}
	}
	return hours, src
}

func (c *Case) usPeriodH() (hours float64, src Source) {
	p := curing.Protection(c.Pour.ServiceCategory, c.accelerated())
	days := math.Max(p.EarlyFreezingD, p.StrengthD)
	id := [...]string{"A4-04", "A4-01", "A4-02", "A4-03", "A4-04"}[max(0, min(4, c.Pour.ServiceCategory))]
	src = Source{id, "ACI 306R-16 Table 7.1 (306R-88 Tables 5.1 and 5.3), protection by service category", standingSecondHand}
	if p.ProveStrength {
		src.Standing = standingMemory
	}
	return 24 * days, src
}

// leastAcceleratingPct is the dose from which an accelerator counts. CAL: the
// lowest dose its makers print, about 8 fl oz per 100 lb.
const leastAcceleratingPct = 0.7

// accelerated is one of the three that shorten protection (ACI 306.1-90): type III
// cement or an accelerator. The third, 60 kg/m3 more cement than usual, cannot be
// told from a mix.
func (c *Case) accelerated() bool {
	return c.Pour.Mix.CementType == "III" || c.acceleratorPct() >= leastAcceleratingPct
}

// acceleratorPct is the sum of all accelerators in percent of cement.
func (c *Case) acceleratorPct() float64 {
	var sum float64
	for _, a := range c.Pour.Mix.Admixtures {
		if a.Kind == calciumChloride || a.Kind == nonchloride {
			sum += a.DosePct
		}
	}
	return sum
}

// dischargeMin is how long after batching a truck may discharge, in minutes: by the
// code or the ticket, or by the authority at the site where that is sooner.
func (j *job) dischargeMin() float64 {
	most := j.limits.value("haul.discharge_min")
	for i := range j.c.Site.LocalRules {
		if r := &j.c.Site.LocalRules[i]; r.Kind == localDischarge && j.counts(r) {
			most = math.Min(most, r.Value)
		}
	}
	return most
}

// dischargeBestMin is the shorter time that practice keeps with hot water or an
// accelerator; 0 where that asks for nothing.
func (j *job) dischargeBestMin() float64 {
	quick := j.limits.value("haul.quick_min")
	if quick >= j.dischargeMin() || !j.c.quick(j.limits, j.batch) {
		return 0
	}
	return quick
}

// quick reports whether concrete stiffens faster than the published time allows
// for.
func (c *Case) quick(l limitSet, b *Batch) bool {
	hot := b != nil && b.WaterTempC != nil && *b.WaterTempC > l.value("batch.water_sequence_c")
	return hot || c.acceleratorPct() > 0
}

// mayBare reports whether a surface may be bared: it is within the published
// difference to the air, or it cannot cool in the coming day by more than the
// gradual drop published for its thickness. By CSA A23.1 its graph decides alone;
// elsewhere for a wall the graph of CSA A23.1 by
// length over height counts where it is stricter than the drop; it holds in wind
// up to 25 km/h, and beyond that a wall has to wait for the difference.
func (c *Case) mayBare(l limitSet, b baring) bool {
	if b.surfaceC-b.airC <= l.value("removal.diff_c") {
		return true
	}
	if l.code != CodeCSA {
		drop, _ := l.coolDropC(c.Pour.ThicknessMM)
		if b.surfaceC-b.lowestC > drop {
			return false
		}
		if c.Pour.Element != Wall {
			return true
		}
	}
	difference, known := curing.DifferenceC(c.Pour.ThicknessMM, c.lengthOverHeight(), b.windMS)
	return known && b.surfaceC-b.airC <= difference
}

// A baring is a surface about to be bared and the air it would meet.
type baring struct {
	surfaceC float64
	airC     float64
	lowestC  float64 // lowest air in the 24 h after
	windMS   float64
}

// longWall is the ratio from which the graph is flat, and the strictest: what
// counts for a wall of unknown length or height.
const longWall = 20

func (c *Case) lengthOverHeight() float64 {
	if c.Pour.LengthMM <= 0 || c.Pour.HeightMM <= 0 {
		return longWall
	}
	return c.Pour.LengthMM / c.Pour.HeightMM
}

// protectionNotRequired notes from when planned blankets that nothing asks for may
// come off.
func (j *job) protectionNotRequired() []Finding {
	s := j.last().shield
	if len(j.c.Pour.Protection) == 0 || s.needed {
		return nil
	}
	say, e := j.say(), &s.spare
	f := j.finding("protection.not_required", Note, "removal.diff_c")
	if e.off.IsZero() {
		f.Sentence = "Nothing here requires the planned blankets. The weather given does not reach to where they may come off: keep them on until it does."
		return []Finding{f}
	}
	f.FirstAt = &e.off
	period := ""
	if hours, _ := j.protectionPeriodH(); hours > 0 && !e.periodAt.Equal(e.strengthAt) {
		period = fmt.Sprintf(", the period of %s that is published for cold weather is served", say.hours(hours))
	}
	f.Sentence = sentence("Nothing here requires the planned blankets. They may come off from %s: the coldest concrete then has %s%s, and baring it is within the published cooling. Leave them on longer where the specification asks for it.",
		say.clock(e.off), j.critical(), period)
	return []Finding{f}
}

// formsOff is the first hour at which forms have stood long enough in warmth, not
// necessarily in one stretch (ACI 347R-94), with the concrete past its critical
// strength; zero when it is not reached.
func (r *course) formsOff(warmC, neededH float64) time.Time {
	warmH := 0.0
	for i := range r.rows {
		row := &r.rows[i]
		if warmH >= neededH && !r.critical.IsZero() && !row.at.Before(r.critical) {
			return row.at
		}
		if row.coldestC >= warmC {
			warmH++
		}
	}
	return time.Time{}
}

// formsStrip notes from when the forms of a wall may come off, and that blankets
// take their place at once in the cold.
func (j *job) formsStrip() []Finding {
	if j.c.Pour.Element != Wall {
		return nil
	}
	warmC, neededH := j.limits.value("forms.warm_c"), j.limits.value("forms.warm_h")
	off := j.toCome().formsOff(warmC, neededH)
	if off.IsZero() {
		return nil
	}
	say := j.say()
	f := j.finding("forms.strip", Note, "forms.warm_h")
	f.measure("h", neededH, neededH, 0)
	f.FirstAt = &off
	f.Sentence = sentence("Forms may come off from %s, after %s at %s or more; lay blankets at once while it is cold.",
		say.clock(off), say.hours(neededH), say.temp(warmC))
	return []Finding{f}
}
