package rules

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"frostgate/rules/physics/concrete"
)

const (
	// coldAirC is cold weather in ACI 306R-16: below 40 F in the protection period.
	coldAirC = 40.0/1.8 - 32/1.8
	// settleH is how long after the start the maintained temperature is not yet
	// judged when nothing can lie on the concrete before finishing ends. CAL.
	settleH = 12
	// knownCoolingH is how much weather has to be known after an hour before that
	// hour can be said to be gentle enough for taking blankets off.
	knownCoolingH = 12
	onStep        = 15 * time.Minute
	workFromH     = 7 // local hour from which blankets are taken off
)

// A shield is what protection a pour needs.
type shield struct {
	needed  bool         // the bare concrete would not pass
	bare    course       // without any blanket
	layers  []Protection // what has to lie on it: the planned ones or those chosen
	chosen  *blankets    // beyond what is planned; nil when the plan is enough or nothing passes
	run     course       // under layers
	basis   course       // as planned on the base made fit: what blankets are chosen after
	holds   bool         // that run does not freeze
	onBy    time.Time    // blankets later than this fail
	late    string       // what two hours' delay does
	ends    time.Time    // protection is required until
	off     time.Time    // first working hour it may come off
	governs string
	freezes float64 // chance of freezing under layers; NaN when not drawn
}

// A blankets is one way to lay what is at hand.
type blankets struct {
	cover  Cover
	layers int
}

// rM2KW is the label's resistance of all layers.
func (b blankets) rM2KW() float64 { return float64(b.layers) * b.cover.RM2KW }

// surfaceM2 is the surface blankets have to cover; 0 when it is not known.
func (p *Pour) surfaceM2() float64 {
	switch p.Element {
	case Wall:
		if p.AreaM2 > 0 {
			return 2 * p.AreaM2
		}
		return 2 * p.LengthMM * p.HeightMM / 1e6
	case Footing:
		return p.LengthMM * p.WidthMM / 1e6
	default:
		return p.AreaM2
	}
}

// choices are the ways to lay what is at hand, cheapest first: fewer layers, then
// less resistance.
func (p *Pour) choices() []blankets {
	var all []blankets
	area := p.surfaceM2()
	for _, c := range p.AtHand {
		most := c.MaxLayers
		if most == 0 {
			most = 2
		}
		for n := 1; n <= most; n++ {
			if c.AreaM2 > 0 && c.AreaM2 < float64(n)*area {
				break
			}
			all = append(all, blankets{c, n})
		}
	}
	slices.SortStableFunc(all, func(a, b blankets) int {
		return cmp.Or(cmp.Compare(a.layers, b.layers), cmp.Compare(a.rM2KW(), b.rM2KW()))
	})
	return all
}

// lay is the protection of b from an hour on, over what is planned.
func (b blankets) lay(planned []Protection, on time.Time) []Protection {
	laid := slices.Clone(planned)
	for range b.layers {
		laid = append(laid, Protection{RM2KW: b.cover.RM2KW, OnAt: on})
	}
	return laid
}

// coverableAt is the first quarter hour at which blankets can lie: the surface
// is finished. Zero when finishing does not end within the weather.
func (d *daylong) coverableAt() time.Time {
	if d.finishingEnds.IsZero() {
		return time.Time{}
	}
	return d.finishingEnds.Add(onStep - 1).Truncate(onStep)
}

// planProtection finds whether the pour needs protection, the least that passes,
// and its hours.
func (j *job) planProtection() error {
	s := &j.shield
	s.freezes, s.bare, s.basis = math.NaN(), j.run, j.run
	var err error
	if len(j.c.Pour.Protection) > 0 {
		p := j.plan
		p.covers = j.pourCovers(nil)
		if s.bare, err = j.follow(&p, central); err != nil {
			return err
		}
	}
	if j.passes(&s.bare) {
		return nil
	}
	s.needed = true
	if err := j.findLayers(); err != nil {
		return err
	}
	if len(s.layers) == 0 {
		return nil
	}
	if err := j.keepCovered(); err != nil {
		return err
	}
	j.endProtection()
	return j.tryLate()
}

// findLayers takes the planned blankets where they do, on the base made fit if it
// has to be, and else chooses from what is at hand.
func (j *job) findLayers() error {
	s, planned := &j.shield, j.c.Pour.Protection
	s.layers, s.run = planned, j.run
	if s.holds = len(planned) > 0 && j.passes(&j.run); s.holds {
		return nil
	}
	if j.fit != nil {
		p := j.readied()
		var err error
		if s.basis, err = j.follow(&p, central); err != nil {
			return err
		}
		if s.run = s.basis; j.passes(&s.run) {
			s.holds = true
			return nil
		}
	}
	return j.chooseBlankets()
}

// keepCovered lets the layers lie on when the plan takes them off, so that the
// end that is required can be seen.
func (j *job) keepCovered() error {
	s := &j.shield
	open := slices.Clone(s.layers)
	changed := false
	for i := range open {
		changed = changed || open[i].OffAt != nil
		open[i].OffAt = nil
	}
	if !changed {
		return nil
	}
	p := j.readied()
	p.covers = j.pourCovers(open)
	var err error
	s.run, err = j.follow(&p, central)
	return err
}

// passes reports whether a course neither comes near freezing early nor leaves
// concrete that frost can reach below the temperature it is to be kept at.
func (j *job) passes(run *course) bool {
	if run.failsFreezing(j.guard()) {
		return false
	}
	u := j.underMaintained(run)
	return u.lengthH == 0 || u.lowestAirC >= 0
}

// chooseBlankets lays the cheapest of what is at hand that passes; failing that
// the cheapest that does not freeze.
func (j *job) chooseBlankets() error {
	s := &j.shield
	on := j.coverableFrom(&s.basis)
	choices := j.c.Pour.choices()
	if on.IsZero() || len(choices) == 0 {
		return nil
	}
	tries := make([]pour, len(choices))
	for i, b := range choices {
		tries[i] = j.readied()
		tries[i].covers = j.pourCovers(b.lay(j.c.Pour.Protection, on))
	}
	runs, err := j.followAll(tries, central)
	if err != nil {
		return err
	}
	if i := j.best(runs); i >= 0 {
		s.chosen, s.layers, s.run, s.holds = &choices[i], choices[i].lay(j.c.Pour.Protection, on), runs[i], true
	}
	return nil
}

// best is the first trial that passes, else the first that at least does not
// freeze; -1 when all freeze.
func (j *job) best(runs []course) int {
	safe := -1
	for i := range runs {
		if j.passes(&runs[i]) {
			return i
		}
		if safe < 0 && !runs[i].failsFreezing(j.guard()) {
			safe = i
		}
	}
	return safe
}

// coverableFrom is the first time blankets can lie on the concrete of a run, from
// now on when it is placed already; zero when it does not set within the weather.
func (j *job) coverableFrom(run *course) time.Time {
	day := j.dayOf(&j.plan, run)
	on := day.coverableAt()
	if j.placed() {
		on = later(on, j.c.AssessedAt)
	}
	return on
}

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
	period, _ := protectionPeriodH(&j.c)
	limit, source := j.limits.maintainMinC(j.c.Pour.ThicknessMM)
	until := run.start.Add(hours(period))
	if !run.specified.IsZero() {
		until = earlier(until, run.specified)
	}
	from := run.start.Add(settleH * time.Hour)
	if !run.finalSet.IsZero() {
		from = earlier(from, run.finalSet)
	}
	u := underMaintained{limitC: limit, source: source, lowestC: math.Inf(1)}
	u.lowestAirC = j.wx.minAirC(run.start, run.start.Add(hours(period)))
	if u.lowestAirC >= coldAirC {
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

// endProtection finds until when the layers are required, and the first working
// hour at which taking them off is gentle enough.
func (j *job) endProtection() {
	s := &j.shield
	s.ends, s.governs = j.requiredUntil(&s.run)
	if s.ends.IsZero() {
		return
	}
	for at := s.ends; !at.After(s.run.end); at = at.Add(time.Hour).Truncate(time.Hour) {
		if !j.workingHour(at) {
			continue
		}
		gentle, known := j.gentleAt(&s.run, at)
		if !known {
			return
		}
		if gentle {
			if s.off = at; at.Sub(s.ends) > 24*time.Hour {
				s.governs = "temperature"
			}
			return
		}
	}
}

// requiredUntil is when the published period is served: hours at or above the
// published minimum count in full, colder ones by their part in strength gain,
// so that the period grows while the concrete is too cold. It does not end before
// the coldest cell has the critical strength, or what a local rule asks for.
func (j *job) requiredUntil(run *course) (time.Time, string) {
	least := j.localReleaseMPa()
	period, _ := protectionPeriodH(&j.c)
	minC, _ := j.limits.maintainMinC(j.c.Pour.ThicknessMM)
	q := j.plan.model.StrengthQK
	full := concrete.Arr(minC, q)
	served, governs := 0.0, "period"
	for i := range run.rows {
		r := &run.rows[i]
		if served >= period && !run.critical.IsZero() && !r.at.Before(run.critical) {
			if r.coldestMPa >= least {
				return r.at, governs
			}
			governs = "strength"
		}
		if share := concrete.Arr(r.topC, q) / full; share < 1 {
			served += math.Max(0, share)
			governs = "strength"
		} else {
			served++
		}
	}
	return time.Time{}, ""
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
	b := baring{surfaceC: run.rowAt(at).topC, airC: w.airC, lowestC: j.wx.minAirC(at, at.Add(24*time.Hour)), windMS: w.windMS}
	return j.c.mayBare(j.limits, b), true
}

// rowAt is the row of the hour that t falls in.
func (c *course) rowAt(t time.Time) *runRow {
	i := int(t.Sub(c.start).Hours())
	return &c.rows[min(len(c.rows)-1, max(0, i))]
}

// tryLate runs the layers later and later: how late they may come, and what two
// hours do.
func (j *job) tryLate() error {
	s := &j.shield
	if !s.holds {
		return nil
	}
	delays := []float64{2, 1, 3, 4, 6, 8, 10, 12}
	tries := make([]pour, len(delays))
	for i, h := range delays {
		tries[i] = j.readied()
		tries[i].covers = j.pourCovers(delayed(s.layers, hours(h)))
	}
	runs, err := j.followAll(tries, proof)
	if err != nil {
		return err
	}
	guard := j.guard()
	on, worst := s.layers[len(s.layers)-1].OnAt, 24.0
	for i := range runs {
		if runs[i].failsFreezing(guard) {
			worst = math.Min(worst, delays[i])
		}
	}
	best := 0.0
	for _, h := range delays {
		if h < worst {
			best = math.Max(best, h)
		}
	}
	s.onBy = on.Add(hours(best))
	s.late = j.lateSentence(&runs[0])
	return nil
}

func (j *job) lateSentence(late *course) string {
	say := j.say()
	switch {
	case late.frozeEarly:
		return fmt.Sprintf("Two hours late, the concrete freezes on %s before it has %s.",
			say.clock(late.freezes), say.strength(j.limits.value("strength.critical_mpa")))
	case late.failsFreezing(j.guard()):
		return fmt.Sprintf("Two hours late, the coldest concrete falls to %s, too near freezing.", say.temp(late.minBeforeC))
	default:
		return fmt.Sprintf("Two hours late, the coldest concrete is %s before it has %s, and does not freeze.", say.temp(late.minBeforeC), j.critical())
	}
}

// delayed is protection that goes on later.
func delayed(list []Protection, by time.Duration) []Protection {
	late := slices.Clone(list)
	for i := range late {
		late[i].OnAt = late[i].OnAt.Add(by)
	}
	return late
}

// protectionPlan is the shield as the answer prints it; nil when none is needed.
func (j *job) protectionPlan() *ProtectionPlan {
	s := &j.shield
	if !s.needed || len(s.layers) == 0 {
		return nil
	}
	period, _ := protectionPeriodH(&j.c)
	drop, _ := j.limits.coolDropC(j.c.Pour.ThicknessMM)
	p := &ProtectionPlan{
		Layers: len(s.layers), DoubleEdges: j.underMaintained(&s.bare).lowestAirC < 0,
		OffAt: timeOrNil(s.off), PeriodH: period, Governs: s.governs, CoolDropC: drop, IfLate2H: s.late,
	}
	on := s.layers[0].OnAt
	for _, l := range s.layers {
		p.RM2KW += l.RM2KW
		if l.OnAt.Before(on) {
			on = l.OnAt
		}
	}
	p.OnAt = timeOrNil(on)
	return p
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
