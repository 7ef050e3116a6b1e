package rules

import (
	"math"
	"time"

	"frostgate/rules/physics/slab"
	"frostgate/rules/physics/sun"
)

// What a start costs a firm, dimensionless. CAL: a start to be moved weighs more
// than any number of nights under blankets, and a day of waiting less than one
// night of them.
const (
	costMove       = 100.0
	costProtect    = 10.0
	costNote       = 1.0
	costDayLater   = 2.0
	costLikelihood = 50.0 // times the chance of freezing early
)

// windowNeedsH is how much weather has to follow a start before anything is said
// of it. CAL: half a day and one night.
const windowNeedsH = 24

// An attempt is one other start, judged at a glance.
type attempt struct {
	j        *job // at that start; nil when the weather does not reach
	findings []Finding
	verdict  Verdict
	cost     float64
}

// windowDays is how far ahead candidate starts reach.
const windowDays = 7

// earliestHour is the local hour before which no start is proposed, and
// leastWorkH what the crew's day must leave after a start. CAL.
const (
	earliestHour = 6
	leastWorkH   = 2
)

// CandidateStarts are the starts worth looking at for a case: every full local
// hour from first light to two hours before the crew's day ends, over the coming
// seven days, as far as the weather reaches. The planned start need not be among
// them.
func CandidateStarts(c Case) []time.Time {
	j, reason := newJob(c, Options{})
	if reason != "" {
		return nil
	}
	return j.candidates()
}

func (j *job) candidates() []time.Time {
	var starts []time.Time
	now := j.c.AssessedAt.In(j.zone)
	for d := 0; d <= windowDays; d++ {
		day := time.Date(now.Year(), now.Month(), now.Day()+d, earliestHour, 0, 0, 0, j.zone)
		dawn, _ := sun.CivilDawn(day, j.c.Site.Latitude, j.c.Site.Longitude)
		ends := j.crewEnds(day).Add(-leastWorkH * time.Hour)
		for at := day; !at.After(ends) && dayNumber(at.In(j.zone)) == dayNumber(day); at = at.Add(time.Hour) {
			if !at.After(j.c.AssessedAt) || at.Before(dawn.Add(-time.Hour)) || at.After(j.c.AssessedAt.AddDate(0, 0, windowDays)) {
				continue
			}
			if j.wx.covers(at, at.Add(windowNeedsH*time.Hour)) {
				starts = append(starts, at.UTC())
			}
		}
	}
	return starts
}

// firstCandidate is the earliest start anything is asked of.
func (j *job) firstCandidate() time.Time {
	first := earlier(j.c.Pour.StartsAt, j.c.AssessedAt)
	for _, s := range j.opt.Starts {
		first = earlier(first, s)
	}
	return first
}

// at is the job at another start, planned alike: everything that hangs on the
// start moves with it, what was seen for the old start no longer counts. It holds
// no run yet.
func (j *job) at(start time.Time) *job {
	w := &job{
		c: j.c, elsewhere: true, light: j.light, zone: j.zone, limits: j.limits, wx: j.wx, base: j.base, overrides: j.overrides,
	}
	p := &w.c.Pour
	by := start.Sub(j.c.Pour.StartsAt)
	p.Crew.DayEndsAt = j.crewEnds(start)
	p.StartsAt, p.BatchedAt = start, p.BatchedAt.Add(by)
	p.Protection = shifted(p.Protection, by)
	p.Observations = nil
	w.batch = w.order(start)
	w.ground = w.groundAt(&w.base.track, start, w.base.from)
	w.plan = j.plan
	w.plan.start, w.plan.batched = p.StartsAt, p.BatchedAt
	w.plan.factors, w.plan.nudges = slab.Factors{}, nil
	w.plan.placedC = w.placedTempC()
	w.plan.covers = w.pourCovers(p.Protection)
	return w
}

// shifted is protection moved with its pour.
func shifted(list []Protection, by time.Duration) []Protection {
	moved := make([]Protection, len(list))
	for i, p := range list {
		moved[i] = Protection{RM2KW: p.RM2KW, OnAt: p.OnAt.Add(by)}
		if p.OffAt != nil {
			off := p.OffAt.Add(by)
			moved[i].OffAt = &off
		}
	}
	return moved
}

// attempts judges other starts side by side: as planned, and where that fails
// under the best blankets at hand once finishing ends.
func (j *job) attempts(starts []time.Time) ([]attempt, error) {
	all := make([]attempt, len(starts))
	var open []*job
	var plans []pour
	for i, s := range starts {
		all[i] = attempt{verdict: Unscored}
		if !j.wx.covers(s, s.Add(windowNeedsH*time.Hour)) || !j.base.knows(j.wx.clock(s)) {
			continue
		}
		w := j.at(s)
		all[i].j = w
		open, plans = append(open, w), append(plans, w.plan)
	}
	if len(open) == 0 {
		return all, nil
	}
	covered, err := j.coveredGround()
	if err != nil {
		return nil, err
	}
	for i, w := range open {
		w.takeCovered(covered)
		plans[i] = w.readied()
	}
	runs, err := j.followAll(plans, peek)
	if err != nil {
		return nil, err
	}
	for i, w := range open {
		w.run = runs[i]
		w.day = w.dayOf(&w.plan, &w.run)
		w.shield = shield{bare: w.run, basis: w.run, freezes: math.NaN()}
	}
	if err := j.coverAttempts(open); err != nil {
		return nil, err
	}
	for i := range all {
		if all[i].j != nil {
			all[i].weigh(j)
		}
	}
	return all, nil
}

// takeCovered lets a start on a frozen or doubtful base take the ground as it
// would be under the best blankets at hand, where that helps.
func (j *job) takeCovered(covered *groundCourse) {
	if covered == nil || j.ground.State == baseThawed || j.c.Pour.Element == Wall {
		return
	}
	h := j.wx.clock(j.c.Pour.StartsAt)
	s := covered.track.At(h)
	if became := j.stateOf(&s); became != baseFrozen && became != j.ground.State {
		j.fit = &fitBase{atHand: true, state: covered.track.StateAt(h)}
	}
}

// coverAttempts runs those that fail under the best blankets at hand.
func (j *job) coverAttempts(open []*job) error {
	best := j.c.Pour.warmest()
	if best == nil {
		return nil
	}
	var failing []*job
	var plans []pour
	for _, w := range open {
		on := w.day.coverableAt()
		if w.lost() || w.passes(&w.run) || on.IsZero() {
			continue
		}
		p := w.readied()
		p.covers = w.pourCovers(best.lay(w.c.Pour.Protection, on))
		failing, plans = append(failing, w), append(plans, p)
	}
	if len(failing) == 0 {
		return nil
	}
	runs, err := j.followAll(plans, glance)
	if err != nil {
		return err
	}
	guard := j.limits.value("freeze.guard_c")
	for i, w := range failing {
		w.shield.needed, w.shield.run = true, runs[i]
		w.shield.layers = best.lay(w.c.Pour.Protection, plans[i].start)
		if !runs[i].failsFreezing(guard) {
			w.shield.holds, w.shield.chosen = true, best
		}
	}
	return nil
}

// warmest is the way to lay what is at hand with the most resistance; nil when
// nothing is at hand.
func (p *Pour) warmest() *blankets {
	var best *blankets
	for _, b := range p.choices() {
		if best == nil || b.rM2KW() > best.rM2KW() {
			best = &b
		}
	}
	return best
}

// weigh judges an attempt. What is at hand lifts a move here as it does for the
// planned start, by the run under blankets, the covered ground and the
// accelerator the plant can dose.
func (a *attempt) weigh(planned *job) {
	w := a.j
	a.findings = w.judge()
	for i := range a.findings {
		f := &a.findings[i]
		if f.Remedy == nil && w.liftedAtGlance(f) {
			f.Remedy = &Remedy{AtHand: true, Passes: true}
		}
	}
	a.verdict, _ = w.verdict(a.findings)
	a.cost = costDayLater * math.Abs(w.c.Pour.StartsAt.Sub(planned.c.Pour.StartsAt).Hours()) / 24
	for i := range a.findings {
		switch a.findings[i].remaining() {
		case EffectMove:
			a.cost += costMove
		case EffectProtect:
			a.cost += costProtect
		default:
			a.cost += costNote
		}
	}
}

// lost reports whether a start has to move whatever blankets do; what they would
// do is then not asked, and not held against it.
func (j *job) lost() bool {
	return (j.ground.State == baseFrozen && j.fit == nil && j.c.Pour.Element != Wall) || !j.inDaylight()
}

// inDaylight reports whether finishing ends by day, with an accelerator if need
// be, or under lights.
func (j *job) inDaylight() bool {
	if j.c.Pour.Element != SlabOnGround || j.c.Pour.Crew.Lights || !j.day.afterDusk() {
		return true
	}
	faster := j.fasterEnd()
	return !faster.IsZero() && !faster.After(j.day.darkFrom)
}

func (j *job) liftedAtGlance(f *Finding) bool {
	switch f.Rule {
	case "slab.freezes_early":
		return j.shield.holds || (j.lost() && j.c.Pour.warmest() != nil)
	case "ground.frozen":
		return j.fit != nil
	case "finish.after_dusk":
		return j.inDaylight()
	default:
		return false
	}
}

// fasterEnd estimates the end of finishing with an accelerator the plant can
// dose; zero when there is none to gain.
func (j *job) fasterEnd() time.Time {
	if !j.canAccelerate() || j.run.finalSet.IsZero() {
		return time.Time{}
	}
	gain := mostGain()
	late := j.day.finishingEnds.Sub(j.run.finalSet)
	return j.plan.batched.Add(hours(j.run.finalSet.Sub(j.plan.batched).Hours() / gain)).Add(late)
}

// lookAround judges the candidate starts that were asked for.
func (j *job) lookAround() (err error) {
	j.tried, err = j.attempts(j.opt.Starts)
	return err
}

// windows are the candidate starts for the answer.
func (j *job) windows() []Window {
	windows := make([]Window, len(j.tried))
	for i := range j.tried {
		windows[i] = j.tried[i].window(j.opt.Starts[i])
	}
	return windows
}

func (a *attempt) window(start time.Time) Window {
	w := Window{StartsAt: whole(start), Verdict: a.verdict, Cost: a.cost}
	if a.verdict == Unscored {
		w.Cost = costMove
	}
	if f := worst(a.findings); f != nil && f.remaining() != Note {
		w.Worst = f.Rule
	}
	return w
}
