package rules

import (
	"fmt"
	"time"
)

// recoverC is the least temperature of concrete that is to recover from freezing:
// that of the published period for thick sections, and of most specifications.
const recoverC = 10.0

// Sources of what is done with concrete that froze: from memory, and practice.
var (
	recoverSource = Source{"P-14", "Powers 1956; PCA Design and Control, ch. 14: concrete frozen once when young regains most of its strength if it is then kept warm and moist, not its full durability", standingMemory}
	testSource    = Source{"P-15", "ASTM C31 field-cured cylinders, C42 cores, C1074 maturity; ACI 306R: strength in place is to be proved", standingMemory}
	loadSource    = practice("P-16", "nothing rests on concrete of unknown strength, and its owner's engineer decides")
)

// hasFrozen reports whether placed concrete froze before it had the critical
// strength, by what has passed until now.
func (j *job) hasFrozen(run *course) bool {
	return j.placed() && run.frozeEarly && !run.freezes.After(j.c.AssessedAt)
}

// recovery is what is left to do for placed concrete that froze, or that nothing
// at hand keeps from freezing: warm it, load nothing, find out what it is worth.
// Nothing of it passes in the engine, which does not compute what frost has broken.
func (j *job) recovery() *Remedy {
	now := j.c.AssessedAt
	warm := j.warmthStep(now)
	steps := []Remedy{
		warm,
		{Kind: "no_load", By: &now, AtHand: true, Source: &loadSource, Sentence: "Keep loads, traffic and backfill off it; leave forms and shores in place."},
		{Kind: "test_strength", AtHand: true, Source: &testSource, Sentence: "Then prove its strength by cores, field-cured cylinders or maturity before it is relied on; a licensed engineer decides whether it stays."},
	}
	r := Remedy{Kind: "recover", By: &now, AtHand: true, Steps: steps, Source: &recoverSource}
	for i := range steps {
		if i > 0 {
			r.Sentence += " "
		}
		r.Sentence += steps[i].Sentence
	}
	return &r
}

// warmthStep is cover and heat at once, and the period anew from when all of the
// concrete has thawed.
func (j *job) warmthStep(now time.Time) Remedy {
	say, warmC := j.say(), recoverC
	least, _ := j.maintainMinC()
	if least > warmC {
		warmC = least
	}
	lasts := "until it has " + j.critical()
	if period, _ := j.protectionPeriodH(); period > 0 {
		lasts = "for " + say.hours(period)
	}
	froze := "it freezes"
	if j.hasFrozen(&j.run) {
		froze = "it has frozen"
	}
	return Remedy{
		Kind: "warm_up", ValueC: &warmC, By: &now, AtHand: true, Source: &recoverSource,
		Sentence: fmt.Sprintf("Cover it at once and heat under the cover with vented heaters; where %s the protection period begins anew once it is thawed: %s or more %s.",
			froze, say.temp(warmC), lasts),
	}
}
