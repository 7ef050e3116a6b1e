package rules

import (
	"fmt"
	"math"
	"slices"
	"time"

	"frostgate/rules/physics/slab"
)

// memberRun is how long members are followed: past the critical strength of all
// but the slowest mixes in the coldest weather. CAL.
const memberRun = 72 * time.Hour

// An ensemble is the members of a job, ready to run under any protection.
type ensemble struct {
	j       job // the job on the members' own, shorter weather
	members []member
	spread  spreadSource
	now     time.Time
	begin   slab.State      // of the ground, now
	ground  []slab.State    // at the start
	forcing []*slab.Forcing // by member
	bases   []slab.GroundSample
	onFit   bool // their ground has been made fit
}

// drawEnsemble draws the members and runs their ground up to the start.
func (j *job) drawEnsemble() (*ensemble, error) {
	start := j.c.Pour.StartsAt
	now := earlier(start, j.c.AssessedAt)
	if now.Before(j.wx.from) {
		now = j.wx.from
	}
	if j.base.from == fromProfile {
		now = start
	}
	i0, _ := j.wx.index(now)
	i1, _ := j.wx.index(start.Add(memberRun))
	e := &ensemble{j: *j}
	e.j.wx = weather{from: j.wx.timeOf(i0), hours: j.wx.hours[i0 : i1+1]}
	e.members, e.spread = drawMembers(&e.j.wx, j.c.AssessedAt, j.opt.Members, j.opt.Seed)
	forcing, err := e.j.wx.forcing()
	if err != nil {
		return nil, fmt.Errorf("prepare members: %w", err)
	}
	e.j.base.forcing = forcing
	e.forcing = make([]*slab.Forcing, len(e.members))
	for k := range e.members {
		m := &e.members[k]
		e.forcing[k] = new(slab.Forcing)
		forcing.Perturb(e.forcing[k], 0, len(m.airC), slab.Shift{AirC: m.airC, WindMS: m.windMS, Cloud: m.cloud})
	}
	e.now, e.begin = now, ofMembers.ground(j).Adopt(j.base.track.StateAt(j.wx.clock(now)))
	if j.carried {
		return e, e.makeFit(j.fit)
	}
	return e, e.runGround(nil)
}

// makeFit brings the members' ground to the start under what makes the base fit.
func (e *ensemble) makeFit(fit *fitBase) error {
	if e.onFit {
		return nil
	}
	e.onFit = fit != nil
	return e.runGround(fit)
}

// chanceOfFreezing is how often a pour freezes early under layers, on the base made
// fit; NaN when no members were asked for.
func (j *job) chanceOfFreezing(p *pour, layers []Protection) (float64, error) {
	e := j.drawn
	if e == nil {
		return math.NaN(), nil
	}
	if j.fit != nil {
		if err := e.makeFit(j.fit); err != nil {
			return 0, err
		}
	}
	courses, err := e.run(*p, layers)
	if err != nil {
		return 0, err
	}
	return shareOf(courses, func(r *course) bool { return r.frozeEarly }), nil
}

// likely reports whether a chance of freezing is one that is acted on; one that was
// not drawn is not.
func (j *job) likely(chance float64) bool { return chance >= j.limits.value("chance.act") }

// runGround brings the ground of every member from now to the start, under what
// makes the base fit where given.
func (e *ensemble) runGround(fit *fitBase) error {
	j := &e.j
	lanes := make([]slab.GroundLane, len(e.members))
	covers, snowUntil := j.groundCovers(), slab.Forever
	if fit != nil {
		snowUntil = j.wx.clock(fit.from)
		covers = append(covers, fit.cover(snowUntil))
	}
	for k := range e.members {
		m := &e.members[k]
		lanes[k] = slab.GroundLane{
			Forcing: e.forcing[k], Start: e.begin.Shift(m.groundC, observedFadeM), Covers: covers,
			SnowUntilH: snowUntil, Factors: m.factors(slab.Factors{}),
		}
	}
	from, to := j.wx.clock(e.now), j.wx.clock(j.c.Pour.StartsAt)
	b := takeBench()
	defer b.giveBack()
	tracks, err := b.RunGround(slab.GroundRun{Ground: ofMembers.ground(j), Site: j.c.slabSite(), FromH: from, ToH: to, KeepFromH: to, Lanes: lanes})
	if err != nil {
		return fmt.Errorf("run the members' ground: %w", err)
	}
	e.ground = make([]slab.State, len(tracks))
	e.bases = make([]slab.GroundSample, len(tracks))
	for k := range tracks {
		e.ground[k], e.bases[k] = tracks[k].StateAt(to), tracks[k].At(to)
	}
	return nil
}

// factors is the model error of a member on top of the factors of a pour.
func (m *member) factors(f slab.Factors) slab.Factors {
	one := func(v float64) float64 {
		if v == 0 {
			return 1
		}
		return v
	}
	return slab.Factors{
		Convection:         one(f.Convection) * m.convection,
		CoverR:             one(f.CoverR) * m.coverR,
		GroundConductivity: one(f.GroundConductivity) * m.groundConductance,
		SetTime:            one(f.SetTime) * m.setTime,
		StrengthTime:       one(f.StrengthTime) * m.strengthTime,
		HeatTime:           one(f.HeatTime) * m.heatTime,
	}
}

// run follows a pour in every member under the protection given.
func (e *ensemble) run(p pour, layers []Protection) ([]course, error) {
	p.covers, p.nudges = e.j.pourCovers(layers), e.j.measuredTemps()
	lanes := make([]slab.Lane, len(e.members))
	for k := range e.members {
		l := e.j.lane(&p, e.ground[k])
		l.Forcing = e.forcing[k]
		l.PlacedTempC += e.members[k].placedC
		l.Factors = e.members[k].factors(p.factors)
		lanes[k] = l
	}
	return e.j.courses(lanes, ofMembers, func(int) *pour { return &p })
}

// rollChance draws the members and says how often each failing event comes.
func (j *job) rollChance() error {
	if j.opt.Members <= 0 {
		return nil
	}
	e, err := j.drawEnsemble()
	if err != nil {
		return err
	}
	courses, err := e.run(j.plan, j.c.Pour.Protection)
	if err != nil {
		return err
	}
	j.drawn, j.chance = e, j.chanceOf(e, courses)
	s := &j.shield
	if !s.needed && j.likely(j.chance.FreezesEarly) {
		if err := j.coverForChance(); err != nil {
			return err
		}
	}
	if !j.differs() {
		return nil
	}
	if j.fit != nil {
		if err := e.makeFit(j.fit); err != nil {
			return err
		}
	}
	layers := s.layers
	if len(layers) == 0 {
		layers = s.planned
	}
	if courses, err = e.run(j.plan, layers); err != nil {
		return err
	}
	s.chance = j.chanceOf(e, courses)
	s.freezes = s.chance.FreezesEarly
	return nil
}

// chanceOf is how often each failing event comes in the courses of the members.
func (j *job) chanceOf(e *ensemble, courses []course) *Chance {
	c := &Chance{Members: len(courses), Spread: string(e.spread)}
	c.BaseFrozen = j.shareFrozen(e)
	c.FreezesEarly = shareOf(courses, func(r *course) bool { return r.frozeEarly })
	days := make([]daylong, len(courses))
	for k := range courses {
		days[k] = j.dayOf(&j.plan, &courses[k])
	}
	c.FinishAfterDusk = shareOf(days, func(d *daylong) bool { return d.afterDusk() })
	c.FinishAfterHours = shareOf(days, func(d *daylong) bool { return d.afterHours() })
	c.InitialSet = bandOf(courses, func(r *course) time.Time { return r.initialSet })
	c.FinalSet = bandOf(courses, func(r *course) time.Time { return r.finalSet })
	c.CriticalStrength = bandOf(courses, func(r *course) time.Time { return r.critical })
	c.FinishingEnds = bandOf(days, func(d *daylong) time.Time { return d.finishingEnds })
	c.Sawcut = bandOf(days, func(d *daylong) time.Time { return d.sawFrom })
	return c
}

// shareFrozen is the share of members with a frozen base; what was seen by hand
// leaves no doubt.
func (j *job) shareFrozen(e *ensemble) float64 {
	if j.c.Pour.Element == Wall {
		return 0
	}
	if seen, ok := j.seenBase(); ok && seen.Kind == "base_frozen" {
		return math.Min(1, math.Abs(seen.Value))
	}
	return shareOf(e.bases, func(s *slab.GroundSample) bool { return j.stateOf(s) == baseFrozen })
}

// afterDusk reports whether finishing goes on in the dark.
func (d *daylong) afterDusk() bool {
	return !d.darkFrom.IsZero() && (d.finishingEnds.IsZero() || d.finishingEnds.After(d.darkFrom))
}

// afterHours reports whether finishing goes on beyond the crew's day.
func (d *daylong) afterHours() bool {
	return d.finishingEnds.IsZero() || d.finishingEnds.After(d.overFrom)
}

func shareOf[T any](list []T, is func(*T) bool) float64 {
	n := 0
	for i := range list {
		if is(&list[i]) {
			n++
		}
	}
	return float64(n) / float64(len(list))
}

// bandOf is the 10, 50 and 90 percent quantile of a time, by the nearest rank;
// members that do not reach it count as later than all others.
func bandOf[T any](list []T, when func(*T) time.Time) Band {
	reached := make([]time.Time, 0, len(list))
	for i := range list {
		if t := when(&list[i]); !t.IsZero() {
			reached = append(reached, t)
		}
	}
	slices.SortFunc(reached, time.Time.Compare)
	at := func(q float64) *time.Time {
		i := int(math.Ceil(q*float64(len(list)))) - 1
		if i >= len(reached) {
			return nil
		}
		return timeOrNil(reached[max(0, i)])
	}
	return Band{P10: at(.10), P50: at(.50), P90: at(.90)}
}
