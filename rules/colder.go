package rules

import (
	"time"

	"frostgate/rules/physics/slab"
)

// colderByC is how much colder the hours to come are tried, 5 F: a usual miss of a
// forecast a day ahead.
const colderByC = 5 / 1.8

// hardlyH is what is not worth saying of a set: 5 minutes.
const hardlyH = 5.0 / 60

// ifColder is what colder air from now on does to the hours of the day: the same
// run twice, with the forecast and with colder air.
func (j *job) ifColder() (*Colder, error) {
	from := j.c.Pour.StartsAt
	if j.c.AssessedAt.After(from) {
		from = j.c.AssessedAt
	}
	if j.run.finalSet.IsZero() || !from.Before(j.run.finalSet) {
		return nil, nil
	}
	p := j.readied()
	if s := &j.shield; j.differs() && len(s.layers) > 0 {
		p.covers = j.pourCovers(s.layers)
	}
	ground := j.base.track.StateAt(j.wx.clock(p.start))
	if p.ground != nil {
		ground = ofMembers.ground(j).Adopt(*p.ground)
	}
	colder := new(slab.Forcing)
	fall := make([]float64, len(j.wx.hours))
	first := int(j.wx.clock(from))
	for i := first; i < len(fall); i++ {
		fall[i] = -colderByC
	}
	j.base.forcing.Perturb(colder, first, len(fall), slab.Shift{AirC: fall})
	lanes := []slab.Lane{j.lane(&p, ground), {}}
	lanes[1] = lanes[0]
	lanes[1].Forcing = colder
	runs, err := j.courses(lanes, ofMembers, func(int) *pour { return &p })
	if err != nil {
		return nil, err
	}
	as, cold := &runs[0], &runs[1]
	c := &Colder{
		ByC: colderByC, InitialSetH: hoursLater(as.initialSet, cold.initialSet), FinalSetH: hoursLater(as.finalSet, cold.finalSet),
		CriticalStrengthH: hoursLater(as.critical, cold.critical), SawcutH: hoursLater(later(as.finalSet, as.sawEarly), later(cold.finalSet, cold.sawEarly)),
	}
	c.Sentence = j.colderSentence(c)
	return c, nil
}

// hoursLater is how much later b is than a; nil where one is not reached.
func hoursLater(a, b time.Time) *float64 {
	if a.IsZero() || b.IsZero() {
		return nil
	}
	return new(b.Sub(a).Hours())
}

func (j *job) colderSentence(c *Colder) string {
	say := j.say()
	if c.FinalSetH != nil && *c.FinalSetH < hardlyH {
		return sentence("In air %s colder than forecast it sets hardly later.", say.tempDiff(c.ByC))
	}
	if c.FinalSetH == nil {
		return sentence("In air %s colder than forecast it does not set within the weather known.", say.tempDiff(c.ByC))
	}
	day := j.dayOf(&j.plan, j.toCome())
	if j.c.Pour.Element != SlabOnGround || day.finishingEnds.IsZero() {
		return sentence("In air %s colder than forecast it sets %s later.", say.tempDiff(c.ByC), say.hours(*c.FinalSetH))
	}
	ends := day.finishingEnds.Add(hours(*c.FinalSetH))
	text := sentence("In air %s colder than forecast the top sets %s later and finishing ends about %s",
		say.tempDiff(c.ByC), say.hours(*c.FinalSetH), say.clock(ends))
	if dark := day.darkFrom; !dark.IsZero() && ends.After(dark) && !day.afterDusk() {
		text += ", after dusk"
	}
	return oneStop(text + ".")
}
