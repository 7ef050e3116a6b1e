package rules

import (
	"fmt"
	"slices"
	"time"
)

// overtimeH is how far finishing may run past the crew's day and still only be
// noted. CAL.
const overtimeH = 1

// likelyLate is the chance from which late finishing is noted although the
// central run ends in time. CAL.
const likelyLate = 0.25

// afterDusk judges finish.after_dusk: finishing past civil dusk without lights.
func (j *job) afterDusk() []Finding {
	if j.c.Pour.Element != SlabOnGround || j.finished() {
		return nil
	}
	f := j.finding("finish.after_dusk", EffectMove, "finish.dusk_h")
	if j.chance != nil {
		f.Probability = new(j.chance.FinishAfterDusk)
	}
	d := j.workDay()
	switch {
	case d.afterDusk() && j.endsKnown(d, d.darkFrom):
		f.Sentence = fmt.Sprintf("Finishing ends %s, after dusk at %s.", j.endWords(d), j.say().clock(d.dusk))
		if j.c.Pour.Crew.Lights {
			f.Effect = Note
		}
	case j.chance != nil && j.chance.FinishAfterDusk >= likelyLate && !j.c.Pour.Crew.Lights && j.endsKnown(d, d.darkFrom):
		f.Effect = Note
		f.Sentence = fmt.Sprintf("Finishing ends %s, near dusk at %s; with a chance of %s it goes on in the dark.",
			j.endWords(d), j.say().clock(d.dusk), j.say().percent(j.chance.FinishAfterDusk))
	default:
		return nil
	}
	f.late(d.finishingEnds, d.darkFrom)
	return []Finding{f}
}

// afterHours judges finish.after_hours: finishing past the crew's day.
func (j *job) afterHours() []Finding {
	d := j.workDay()
	if j.c.Pour.Element != SlabOnGround || j.finished() || !d.afterHours() || !j.endsKnown(d, d.overFrom) {
		return nil
	}
	f := j.finding("finish.after_hours", EffectProtect, "finish.hours_h")
	if j.chance != nil {
		f.Probability = new(j.chance.FinishAfterHours)
	}
	f.late(d.finishingEnds, d.overFrom)
	if f.LengthH > 0 && f.LengthH <= overtimeH {
		f.Effect = Note
	}
	f.Sentence = fmt.Sprintf("Finishing ends %s, past the end of the crew's day at %s.", j.endWords(d), j.say().clock(d.crewEnds))
	return []Finding{f}
}

// workDay is the crew's day: blankets that are planned while it finishes do not lie
// then.
func (j *job) workDay() *daylong {
	if j.laid == nil {
		return &j.day
	}
	d := j.dayOf(&j.plan, j.laid)
	return &d
}

// finished reports whether finishing is over at the time of judging: then there
// is nothing left to light or to staff.
func (j *job) finished() bool {
	return !j.day.finishingEnds.IsZero() && j.c.AssessedAt.After(j.day.finishingEnds)
}

// late measures an end against a limit, in hours past it.
func (f *Finding) late(ends, limit time.Time) {
	f.FirstAt = &limit
	if ends.IsZero() {
		f.Unit = "h"
		return
	}
	f.LengthH = max(0, ends.Sub(limit).Hours())
	f.measure("h", ends.Sub(limit).Hours(), 0, limit.Sub(ends).Hours())
}

// endsKnown reports whether the end of finishing is known, or at least that it
// comes after a limit.
func (j *job) endsKnown(d *daylong, limit time.Time) bool {
	return !d.finishingEnds.IsZero() || j.run.end.After(limit)
}

func (j *job) endWords(d *daylong) string {
	if d.finishingEnds.IsZero() {
		return "later than the weather given"
	}
	return "about " + j.say().clock(d.finishingEnds)
}

// sawNextDay judges saw.next_day: the joints can first be cut when nobody is there,
// on the run that will happen. It only notes: sawing is planned, not avoided.
func (j *job) sawNextDay() []Finding {
	run := j.toCome()
	d := j.dayOf(&j.plan, run)
	if d.sawFrom.IsZero() {
		return nil
	}
	ends := d.crewEnds
	if !j.c.Pour.Crew.Lights {
		ends = earlier(ends, d.dusk)
	}
	if !d.sawFrom.After(ends) {
		return nil
	}
	f := j.finding("saw.next_day", Note, "saw.max_after_h")
	f.FirstAt = &d.sawFrom
	f.measure("h", d.sawFrom.Sub(run.start).Hours(), ends.Sub(run.start).Hours(), ends.Sub(d.sawFrom).Hours())
	say := j.say()
	f.Sentence = sentence("An early-entry saw can go on from about %s, after the crew's day.", say.clock(d.sawFrom))
	switch {
	case d.sawUntil.Equal(d.sawFrom):
		f.Sentence += " Cut as soon as it bears the saw: the top is cooling fast."
	case !d.sawUntil.IsZero():
		f.Sentence += sentence(" Cut before %s, and let a trial cut decide.", say.clock(d.sawUntil))
	}
	switch {
	case d.sawUsual.IsZero():
	case !d.sawUntil.IsZero() && d.sawUsual.After(d.sawUntil):
		f.Sentence += sentence(" It bears an ordinary saw only about %s, later than joints should wait.", say.clock(d.sawUsual))
	default:
		f.Sentence += sentence(" It bears an ordinary saw from about %s.", say.clock(d.sawUsual))
	}
	if run.rowAt(d.sawFrom).covered {
		f.Sentence += " Lift the blankets only along the cut, and lay them back at once."
	}
	return []Finding{f}
}

// layWhenFinished runs planned blankets that would come before finishing ends as
// they can come: after it.
func (j *job) layWhenFinished() error {
	if j.c.Pour.Element != SlabOnGround || j.placed() {
		return nil
	}
	s := &j.shield
	on := j.coverableFrom(&s.bare)
	if on.IsZero() {
		return nil
	}
	layers, early := laidFrom(j.c.Pour.Protection, on)
	if !early {
		return nil
	}
	p := j.readied()
	p.covers = j.pourCovers(layers)
	run, err := j.follow(&p, central)
	run.coveredFrom = on
	j.laid, s.planned, s.run = &run, layers, run
	return err
}

// laidFrom is the layers of a plan as they can be laid once finishing ends at on;
// early reports whether that is later than planned.
func laidFrom(planned []Protection, on time.Time) (layers []Protection, early bool) {
	layers = slices.Clone(planned)
	for i := range layers {
		l := &layers[i]
		if !l.OnAt.Before(on.Add(-onStep)) {
			continue
		}
		l.OnAt, early = on, true
		if l.OffAt != nil && l.OffAt.Before(on) {
			l.OffAt = &on
		}
	}
	return layers, early
}

// blanketsEarly judges finish.blankets_early: a plan that lays blankets on a floor
// still being finished is not what will happen, and what happens instead has to
// hold.
func (j *job) blanketsEarly() []Finding {
	if j.laid == nil {
		return nil
	}
	say, on := j.say(), j.laid.coveredFrom
	planned := firstOn(j.c.Pour.Protection)
	f := Finding{
		Rule: "finish.blankets_early", Effect: EffectProtect, FirstAt: &planned,
		Source: Source{"D1-05", "ACI 302 as quoted by Hover and Basham: a floor is finished between initial and final set", standingSecondHand},
	}
	f.measure("h", planned.Sub(j.run.start).Hours(), on.Sub(j.run.start).Hours(), planned.Sub(on).Hours())
	f.Sentence = fmt.Sprintf("The plan lays blankets on %s, but finishing goes on until about %s.", say.clock(planned), say.clock(on))
	if j.laid.failsFreezing(j.guard()) {
		f.Effect = EffectMove
		f.Sentence += fmt.Sprintf(" Laid only then, the coldest concrete falls to %s before it has %s.", say.temp(j.laid.minBeforeC), j.critical())
		return []Finding{f}
	}
	f.Sentence += " Laid only then, it still does not freeze."
	f.Remedy = &Remedy{Kind: "blankets", By: &on, AtHand: true, Passes: true, Sentence: fmt.Sprintf("Lay the blankets when finishing ends, about %s.", say.clock(on))}
	return []Finding{f}
}
