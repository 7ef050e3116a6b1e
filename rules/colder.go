package rules

import (
	"time"

	"frostgate/rules/physics/slab"
)

// colderByC is how much colder the hours to come are tried, 5 F: a usual miss of a
// forecast a day ahead.
const colderByC = 5 / 1.8

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
	colder := new(slab.Forcing)
	fall := make([]float64, len(j.wx.hours))
	first := int(j.wx.clock(from))
	for i := first; i < len(fall); i++ {
		fall[i] = -colderByC
	}
	j.base.forcing.Perturb(colder, first, len(fall), slab.Shift{AirC: fall})
	lanes := []slab.Lane{j.lane(&j.plan, j.base.track.StateAt(j.wx.clock(j.plan.start))), {}}
	lanes[1] = lanes[0]
	lanes[1].Forcing = colder
	runs, err := j.courses(lanes, ofMembers, func(int) *pour { return &j.plan })
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
	if c.FinalSetH == nil {
		return sentence("In air %s colder than forecast it does not set within the weather known.", say.tempDiff(c.ByC))
	}
	if j.c.Pour.Element != SlabOnGround || j.day.finishingEnds.IsZero() {
		return sentence("In air %s colder than forecast it sets %s later.", say.tempDiff(c.ByC), say.hours(*c.FinalSetH))
	}
	ends := j.day.finishingEnds.Add(hours(*c.FinalSetH))
	text := sentence("In air %s colder than forecast the top sets %s later and finishing ends about %s",
		say.tempDiff(c.ByC), say.hours(*c.FinalSetH), say.clock(ends))
	if dark := j.day.darkFrom; !dark.IsZero() && ends.After(dark) && !j.day.afterDusk() {
		text += ", after dusk"
	}
	return oneStop(text + ".")
}
