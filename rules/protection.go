package rules

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"
)

// onStep is the grid of times blankets are asked for.
const onStep = 15 * time.Minute

// A shield is what protection a pour needs.
type shield struct {
	needed bool   // the bare concrete would not pass
	bare   course // without any blanket

	planned []Protection // of the plan, none before finishing ends
	layers  []Protection // what has to lie on it: the planned ones or those chosen
	chosen  *blankets    // beyond what is planned; nil when the plan is enough or nothing passes
	run     course       // under layers
	basis   course       // as planned on the base made fit: what blankets are chosen after
	holds   bool         // that run does not freeze
	longer  bool         // the layers stay on longer than planned
	onBy    time.Time    // blankets later than this fail
	late    string       // what two hours' delay does
	ending               // of layers

	freezes float64 // chance of freezing under layers; NaN when not drawn
	chance  *Chance // under layers; nil when not drawn

	spare ending // of planned blankets that nothing asks for
}

// differs reports whether the shield's run is what will happen, and not that of the
// plan: it holds with more than the plan has, the base is made fit for it, or the
// plan cannot be kept.
func (j *job) differs() bool {
	s := &j.shield
	return s.holds && (s.chosen != nil || s.longer) || j.fit != nil || j.laid != nil
}

// A blankets is one way to lay what is at hand; without layers it is the planned
// blankets, sooner.
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
	s.freezes, s.bare, s.run, s.planned = math.NaN(), j.run, j.run, j.c.Pour.Protection
	if len(s.planned) > 0 {
		p := j.plan
		p.covers = j.pourCovers(nil)
		var err error
		if s.bare, err = j.follow(&p, central); err != nil {
			return err
		}
		if err := j.layWhenFinished(); err != nil {
			return err
		}
	}
	if j.fit != nil {
		p := j.readied()
		var err error
		if s.run, err = j.follow(&p, central); err != nil {
			return err
		}
	}
	s.basis = s.run
	if j.passes(&s.bare) {
		return j.spareBlankets()
	}
	s.needed = true
	if err := j.findLayers(); err != nil {
		return err
	}
	if len(s.layers) == 0 {
		return nil
	}
	if err := j.endProtection(); err != nil {
		return err
	}
	if !s.ends.IsZero() && !firstOn(s.layers).Before(s.ends) {
		// Planned blankets that come when the period is served protect nothing.
		*s = shield{needed: true, bare: s.bare, planned: s.planned, run: s.basis, basis: s.basis, freezes: math.NaN()}
		return j.spareBlankets()
	}
	return j.tryLate()
}

// spareBlankets finds from when planned blankets that nothing asks for may come off:
// as if they were required, but for a period that counts only in cold weather.
func (j *job) spareBlankets() error {
	layers := j.shield.planned
	if len(layers) == 0 {
		return nil
	}
	open, err := j.uncovering(layers, &j.shield.run)
	if err != nil {
		return err
	}
	var lie time.Time // all of them, from
	for _, l := range layers {
		if l.OnAt.After(lie) {
			lie = l.OnAt
		}
	}
	cold := j.limits.cold(j.underMaintained(open).lowestAirC)
	j.shield.spare = j.endOf(open, cold, lie)
	return nil
}

// firstOn is when the first of some layers goes on.
func firstOn(layers []Protection) time.Time {
	var on time.Time
	for _, l := range layers {
		on = earlier(on, l.OnAt)
	}
	return on
}

// findLayers takes the planned blankets where they pass, on the base made fit if
// it has to be, and else chooses from what is at hand.
func (j *job) findLayers() error {
	s := &j.shield
	s.layers = s.planned
	s.holds = (len(s.layers) > 0 || j.fit != nil) && !s.run.failsFreezing(j.guard())
	if s.holds && j.passes(&s.run) {
		return nil
	}
	return j.chooseBlankets()
}

// uncovering is run with the layers left on where the plan takes them off, so that
// the end that is required can be seen.
func (j *job) uncovering(layers []Protection, run *course) (*course, error) {
	if !slices.ContainsFunc(layers, func(l Protection) bool { return l.OffAt != nil }) {
		return run, nil
	}
	p := j.readied()
	p.covers = j.pourCovers(leftOn(layers))
	left, err := j.follow(&p, central)
	return &left, err
}

// leftOn is layers that nobody takes off.
func leftOn(layers []Protection) []Protection {
	open := slices.Clone(layers)
	for i := range open {
		open[i].OffAt = nil
	}
	return open
}

// lastOff is when the last of some layers comes off; zero when one stays on.
func lastOff(layers []Protection) time.Time {
	var last time.Time
	for _, l := range layers {
		if l.OffAt == nil {
			return time.Time{}
		}
		if l.OffAt.After(last) {
			last = *l.OffAt
		}
	}
	return last
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

// chooseBlankets lays the planned blankets sooner, or the cheapest of what is at hand,
// whichever passes first; failing that planned blankets stay as they are when they
// keep it from freezing, and else the cheapest that does is laid.
func (j *job) chooseBlankets() error {
	s := &j.shield
	on := j.coverableFrom(&s.basis)
	choices := j.c.Pour.choices()
	ways := make([][]Protection, len(choices))
	for i, b := range choices {
		ways[i] = b.lay(s.planned, on)
	}
	if layers, sooner := layersBy(s.planned, on); sooner && !j.placed() {
		choices, ways = append([]blankets{{}}, choices...), append([][]Protection{layers}, ways...)
	}
	if on.IsZero() || len(choices) == 0 {
		return nil
	}
	tries := make([]pour, len(ways))
	for i := range ways {
		tries[i] = j.readied()
		tries[i].covers = j.pourCovers(ways[i])
	}
	runs, err := j.followAll(tries, central)
	if err != nil {
		return err
	}
	i := j.best(runs)
	planDoes := s.holds && len(s.planned) > 0
	if i >= 0 && (j.passes(&runs[i]) || !planDoes) {
		s.chosen, s.layers, s.run, s.holds = &choices[i], ways[i], runs[i], true
	}
	return nil
}

// layersBy is the layers of a plan, none later than on; sooner reports whether that
// changes it.
func layersBy(planned []Protection, on time.Time) (layers []Protection, sooner bool) {
	layers = slices.Clone(planned)
	for i := range layers {
		if l := &layers[i]; l.OnAt.After(on.Add(onStep)) {
			l.OnAt, sooner = on, true
		}
	}
	return layers, sooner
}

// coverForChance lays the least of what is at hand on concrete that the forecast as
// it is keeps from freezing, and its error does not.
func (j *job) coverForChance() error {
	s := &j.shield
	if err := j.chooseBlankets(); err != nil || s.chosen == nil {
		return err
	}
	s.needed, s.spare = true, ending{}
	return j.endProtection()
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
	period, _ := j.protectionPeriodH()
	drop, _ := j.coolingC(s.off)
	p := &ProtectionPlan{
		Layers: len(s.layers), DoubleEdges: j.underMaintained(&s.bare).lowestAirC < 0,
		OffAt: timeOrNil(s.off), PeriodH: period, Governs: s.governs, CoolDropC: drop, IfLate2H: s.late,
	}
	for _, l := range s.layers {
		p.RM2KW += l.RM2KW
	}
	p.OnAt = timeOrNil(firstOn(s.layers))
	p.PeriodUntil, p.StrengthUntil, p.GentleFrom = timeOrNil(s.periodAt), timeOrNil(s.strengthAt), timeOrNil(s.gentle)
	return p
}
