package rules

import (
	"fmt"
	"math"
	"slices"
	"time"

	"frostgate/rules/physics/concrete"
	"frostgate/rules/physics/slab"
)

// standardAccelerator is the dose a remedy proposes: a middle dose of a
// non-chloride product, fit for any exposure.
var standardAccelerator = Admixture{Kind: "nonchloride_accelerator", DosePct: 1.41}

// heatUnderCoverWm2 is what hoses or mats under blankets give to the ground. CAL,
// 100 to 200 for hired ground heaters.
const heatUnderCoverWm2 = 150.0

// hours of cover a remedy may ask for before the start.
var coverHours = []float64{6, 12, 18, 24, 36, 48, 72, 96}

// resistances a remedy may ask for when what is at hand does not do.
var hiredRM2KW = []float64{0.35, 0.70, 1.06, 1.41, 2.11, 2.82}

// placed reports whether the concrete lies already: then nothing but its
// protection can be changed.
func (j *job) placed() bool { return j.c.AssessedAt.After(j.c.Pour.StartsAt) }

// remedy finds for each finding the least that lifts it, runs it, and keeps it
// when it passes.
func (j *job) remedy(findings []Finding) error {
	for i := range findings {
		f := &findings[i]
		if f.Remedy != nil {
			continue
		}
		var err error
		switch f.Rule {
		case "ground.frozen":
			f.Remedy, err = j.thaw(f)
		case "slab.freezes_early":
			f.Remedy, err = j.againstFreezing()
		case "slab.below_maintain_temp":
			f.Remedy = j.keepWarm()
		case "finish.after_dusk":
			f.Remedy, err = j.finishSooner(func(d *daylong) bool { return !d.afterDusk() })
			if f.Remedy == nil && err == nil {
				f.Remedy = &Remedy{Kind: "lights", Passes: true, Sentence: fmt.Sprintf("Have lights for the surface from %s.", j.say().clock(j.day.dusk))}
			}
		case "finish.after_hours":
			f.Remedy, err = j.finishSooner(func(d *daylong) bool { return !d.afterHours() })
		}
		if err != nil {
			return err
		}
	}
	return j.moveTo(findings)
}

// againstFreezing is the cheapest way to keep the concrete from freezing early:
// the planned blankets, blankets at hand, an accelerator, both, blankets not at
// hand.
func (j *job) againstFreezing() (*Remedy, error) {
	s := &j.shield
	if s.needed && len(s.layers) > 0 && !s.run.failsFreezing(j.guard()) {
		r := j.blanketRemedy(s.layers)
		r.AtHand = true
		r.Passes = !(s.freezes >= j.limits.value("chance.act"))
		if s.chosen == nil && j.chance != nil {
			r.Passes = j.chance.FreezesEarly < j.limits.value("chance.act")
		}
		if r.Passes {
			return r, nil
		}
	}
	if r, err := j.acceleratorAgainstFreezing(); r != nil || err != nil {
		return r, err
	}
	return j.hiredBlankets()
}

func (j *job) guard() float64 { return j.limits.value("freeze.guard_c") }

// blanketRemedy words the layers that have to lie.
func (j *job) blanketRemedy(layers []Protection) *Remedy {
	say, s := j.say(), &j.shield
	total, on := 0.0, layers[0].OnAt
	for _, l := range layers {
		total += l.RM2KW
		on = earlier(on, l.OnAt)
	}
	r := &Remedy{Kind: "blankets", RM2KW: &total, By: &on}
	count := "blankets"
	if n := len(layers); n > 1 {
		count = fmt.Sprintf("blankets in %d layers", n)
	}
	r.Sentence = fmt.Sprintf("Cover with %s of %s together by %s", count, say.rvalue(total), say.clock(on))
	if len(layers) == 1 {
		r.Sentence = fmt.Sprintf("Cover with %s blankets by %s", say.rvalue(total), say.clock(on))
	}
	if s.onBy.After(on) {
		r.By = &s.onBy
		r.Sentence += fmt.Sprintf(", at the latest %s", say.clock(s.onBy))
	}
	if !s.ends.IsZero() {
		r.Sentence += fmt.Sprintf(", and keep them on until %s", say.clock(s.ends))
	}
	r.Sentence += "."
	if !math.IsNaN(s.freezes) {
		r.Sentence += fmt.Sprintf(" Then the chance that it freezes early is %s.", say.percent(s.freezes))
	}
	return r
}

// hiredBlankets finds what resistance would do when nothing at hand does.
func (j *job) hiredBlankets() (*Remedy, error) {
	on := j.coverableFrom()
	if on.IsZero() {
		return nil, nil
	}
	tries := make([]pour, len(hiredRM2KW))
	layers := make([][]Protection, len(hiredRM2KW))
	for i, r := range hiredRM2KW {
		layers[i] = append(slices.Clone(j.c.Pour.Protection), Protection{RM2KW: r, OnAt: on})
		tries[i] = j.plan
		tries[i].covers = j.pourCovers(layers[i])
	}
	runs, err := j.followAll(tries, proof)
	if err != nil {
		return nil, err
	}
	for i := range runs {
		if runs[i].failsFreezing(j.guard()) || !runs[i].decided() {
			continue
		}
		say := j.say()
		return &Remedy{Kind: "blankets", RM2KW: &hiredRM2KW[i], By: &on, Passes: true,
			Sentence: fmt.Sprintf("Blankets of %s on by %s would keep it from freezing; none are listed as at hand.", say.rvalue(hiredRM2KW[i]), say.clock(on))}, nil
	}
	return nil, nil
}

// canAccelerate reports whether the plant can still dose an accelerator that the
// mix does not have.
func (j *job) canAccelerate() bool {
	if j.placed() || !*j.c.Pour.Plant.AcceleratorOK {
		return false
	}
	return !slices.ContainsFunc(j.c.Pour.Mix.Admixtures, func(a Admixture) bool { return a.Kind != "water_reducer" })
}

// accelerated is the effect of the standard dose.
func accelerated() concrete.Accelerator { return concrete.NonChloride(standardAccelerator.DosePct) }

// quicker is the pour with the standard accelerator.
func (j *job) quicker() (pour, error) {
	p := j.plan
	var err error
	p.model, err = j.c.mixModel(standardAccelerator)
	return p, err
}

func (j *job) acceleratorAgainstFreezing() (*Remedy, error) {
	if !j.canAccelerate() {
		return nil, nil
	}
	p, err := j.quicker()
	if err != nil {
		return nil, err
	}
	run, err := j.follow(&p, proof)
	if err != nil {
		return nil, err
	}
	day := j.dayOf(&p, &run)
	words := "Order a non-chloride accelerator (%s of product by mass of cement)"
	sentence := fmt.Sprintf(words, percentOf(standardAccelerator.DosePct))
	if !run.failsFreezing(j.guard()) && run.decided() {
		return &Remedy{Kind: "accelerator", AtHand: true, Passes: true,
			Sentence: sentence + fmt.Sprintf(": it then has %s by %s and does not freeze.", j.critical(), j.say().clock(run.critical))}, nil
	}
	best, on := j.c.Pour.warmest(), day.coverableAt()
	if best == nil || on.IsZero() {
		return nil, nil
	}
	p.covers = j.pourCovers(best.lay(j.c.Pour.Protection, on))
	if run, err = j.follow(&p, proof); err != nil || run.failsFreezing(j.guard()) || !run.decided() {
		return nil, err
	}
	r := best.rM2KW()
	return &Remedy{Kind: "accelerator", AtHand: true, Passes: true, RM2KW: &r, By: &on,
		Sentence: sentence + fmt.Sprintf(" and cover with %s blankets by %s.", j.say().rvalue(r), j.say().clock(on))}, nil
}

// keepWarm is what the shield offers against falling below the maintained
// temperature; where even that stays colder, the longer time it has to lie.
func (j *job) keepWarm() *Remedy {
	s := &j.shield
	if len(s.layers) == 0 || !s.holds {
		return nil
	}
	r := j.blanketRemedy(s.layers)
	r.AtHand = true
	u := j.underMaintained(&s.run)
	r.Passes = u.lengthH == 0 || !s.ends.IsZero()
	if u.lengthH > 0 && !s.ends.IsZero() {
		r.Sentence += " The concrete stays colder than published under them too, so they stay on longer."
	}
	return r
}

// thaw finds how many hours of cover, else of heat, make the base fit.
func (j *job) thaw(f *Finding) (*Remedy, error) {
	lead := j.c.Pour.StartsAt.Sub(j.c.AssessedAt).Hours()
	if lead < coverHours[0] || !j.base.knows(j.wx.clock(j.c.AssessedAt)) || j.ground.From == fromObserved {
		return nil, nil
	}
	fit := func(state string) bool {
		return state == baseThawed || (f.Effect == EffectMove && state == baseNear)
	}
	say := j.say()
	if best := j.c.Pour.warmest(); best != nil {
		h, err := j.leastCover(lead, best.rM2KW(), 0, fit)
		if err != nil {
			return nil, err
		}
		if h > 0 {
			by, r := j.c.Pour.StartsAt.Add(-hours(h)), best.rM2KW()
			j.ground.ThawHours = &h
			return &Remedy{Kind: "cover_ground", Hours: &h, By: &by, RM2KW: &r, AtHand: true, Passes: true,
				Sentence: fmt.Sprintf("Cover the base with %s blankets from %s on, %s before placing, and check it by hand at first light.", say.rvalue(r), say.clock(by), say.hours(h))}, nil
		}
	}
	r := hiredRM2KW[1]
	h, err := j.leastCover(lead, r, heatUnderCoverWm2, fit)
	if err != nil || h == 0 {
		return nil, err
	}
	by := j.c.Pour.StartsAt.Add(-hours(h))
	heated := slices.ContainsFunc(j.c.Pour.GroundCover, func(g GroundCover) bool { return g.Kind == "heated" })
	return &Remedy{Kind: "heat_ground", Hours: &h, By: &by, RM2KW: &r, AtHand: heated, Passes: true,
		Sentence: fmt.Sprintf("Heat the base under %s blankets from %s on, %s before placing.", say.rvalue(r), say.clock(by), say.hours(h))}, nil
}

// leastCover is the least hours of cover before the start that make the base
// fit, 0 when none within the lead does.
func (j *job) leastCover(leadH, rM2KW, heatWm2 float64, fit func(state string) bool) (float64, error) {
	now, start := j.wx.clock(j.c.AssessedAt), j.wx.clock(j.c.Pour.StartsAt)
	state := j.base.track.StateAt(now)
	var lanes []slab.GroundLane
	for _, h := range coverHours {
		if h > leadH {
			break
		}
		covers := append(slices.Clone(j.groundCovers()), slab.Cover{Kind: slab.Blanket, FromH: start - h, ToH: slab.Forever, RM2KW: rM2KW, HeatWm2: heatWm2})
		lanes = append(lanes, slab.GroundLane{Forcing: j.base.forcing, Start: state, Covers: covers, SnowUntilH: start - h})
	}
	s := borrowSolver()
	defer returnSolver(s)
	tracks, err := s.RunGround(slab.GroundRun{Ground: j.base.model, Site: j.c.slabSite(), FromH: now, ToH: start, KeepFromH: slab.Forever, Lanes: lanes})
	if err != nil {
		return 0, fmt.Errorf("run the covered ground: %w", err)
	}
	for i := range tracks {
		sample := tracks[i].At(start)
		if fit(j.stateOf(&sample)) {
			return coverHours[i], nil
		}
	}
	return 0, nil
}

// coveredGround is the ground as it would be under the best blankets at hand from
// now on; nil when there are none or the past of the ground is not known.
func (j *job) coveredGround() (*groundCourse, error) {
	best := j.c.Pour.warmest()
	if best == nil || j.placed() || !j.base.knows(j.wx.clock(j.c.AssessedAt)) {
		return nil, nil
	}
	g := j.base
	covers := append(slices.Clone(j.groundCovers()), slab.Cover{Kind: slab.Blanket, FromH: j.wx.clock(j.c.AssessedAt), ToH: slab.Forever, RM2KW: best.rM2KW()})
	var err error
	g.track, err = j.groundTrack(j.base.track.StateAt(j.wx.clock(j.c.AssessedAt)), j.c.AssessedAt, covers, slab.Factors{})
	return &g, err
}

// finishSooner finds the least change with which finishing ends in time: warmer
// concrete, an accelerator, both, or an earlier start.
func (j *job) finishSooner(inTime func(*daylong) bool) (*Remedy, error) {
	if j.placed() {
		return nil, nil
	}
	say := j.say()
	type change struct {
		kind, words string
		p           pour
		value       *float64
	}
	var changes []change
	warm := j.warmestPlacedC()
	warmer := func(p pour) pour { p.placedC = warm; return p }
	if warm > j.plan.placedC+1 {
		changes = append(changes, change{"hotter_water", fmt.Sprintf("Order the concrete at %s", say.temp(warm)), warmer(j.plan), &warm})
	}
	if j.canAccelerate() {
		p, err := j.quicker()
		if err != nil {
			return nil, err
		}
		words := fmt.Sprintf("Order a non-chloride accelerator (%s of product by mass of cement)", percentOf(standardAccelerator.DosePct))
		changes = append(changes, change{"accelerator", words, p, nil})
		if warm > j.plan.placedC+1 {
			changes = append(changes, change{"accelerator", words + fmt.Sprintf(" and the concrete at %s", say.temp(warm)), warmer(p), &warm})
		}
	}
	for i := range changes {
		c := &changes[i]
		run, err := j.follow(&c.p, proof)
		if err != nil {
			return nil, err
		}
		day := j.dayOf(&c.p, &run)
		if day.finishingEnds.IsZero() || !inTime(&day) {
			continue
		}
		return &Remedy{Kind: c.kind, ValueC: c.value, AtHand: true, Passes: true,
			Sentence: fmt.Sprintf("%s: finishing then ends about %s.", c.words, say.clock(day.finishingEnds))}, nil
	}
	return nil, nil
}

// moveTo looks for another start when something remains that nothing at hand
// lifts: the cheapest start that passes, run in full.
func (j *job) moveTo(findings []Finding) error {
	w := worst(findings)
	if w == nil || w.remaining() != EffectMove || j.placed() {
		return nil
	}
	tried := j.tried
	if len(tried) == 0 {
		var err error
		if tried, err = j.attempts(j.otherStarts()); err != nil {
			return err
		}
	}
	for _, a := range cheapest(tried, j.c.AssessedAt) {
		ok, err := a.confirm()
		if err != nil {
			return err
		}
		if !ok {
			continue
		}
		r := j.startRemedy(a.j.c.Pour.StartsAt)
		for i := range findings {
			if f := &findings[i]; f.remaining() == EffectMove && (f.Remedy == nil || !f.Remedy.Passes) {
				f.Remedy = r
			}
		}
		return nil
	}
	return nil
}

// mostConfirmed is how many starts are run in full before a move is left without
// a proposal.
const mostConfirmed = 4

// cheapest is the attempts that need not move, cheapest first, from now on.
func cheapest(tried []attempt, now time.Time) []*attempt {
	var good []*attempt
	for i := range tried {
		a := &tried[i]
		if (a.verdict == Place || a.verdict == Protect) && a.j.c.Pour.StartsAt.After(now) {
			good = append(good, a)
		}
	}
	slices.SortStableFunc(good, func(a, b *attempt) int {
		switch {
		case a.cost < b.cost:
			return -1
		case a.cost > b.cost:
			return 1
		default:
			return a.j.c.Pour.StartsAt.Compare(b.j.c.Pour.StartsAt)
		}
	})
	return good[:min(len(good), mostConfirmed)]
}

// confirm runs an attempt in full and reports whether it need not move.
func (a *attempt) confirm() (bool, error) {
	w := a.j
	var err error
	if w.run, err = w.follow(&w.plan, central); err != nil {
		return false, err
	}
	w.day = w.dayOf(&w.plan, &w.run)
	w.shield = shield{}
	if err = w.planProtection(); err != nil {
		return false, err
	}
	findings := w.judge()
	for i := range findings {
		f := &findings[i]
		if f.Effect != EffectMove || f.Remedy != nil {
			continue
		}
		switch f.Rule {
		case "slab.freezes_early":
			f.Remedy, err = w.againstFreezing()
		case "finish.after_dusk":
			f.Remedy, err = w.finishSooner(func(d *daylong) bool { return !d.afterDusk() })
		case "ground.frozen":
			f.Remedy, err = w.thaw(f)
		}
		if err != nil {
			return false, err
		}
	}
	v, _ := w.verdict(findings)
	return v == Place || v == Protect, nil
}

// otherStarts are the starts a move may go to: some hours off on the same day, and
// near the same hour on the coming days, as far as the weather reaches.
func (j *job) otherStarts() []time.Time {
	start := j.c.Pour.StartsAt.In(j.zone)
	var starts []time.Time
	add := func(t time.Time) {
		if t.After(j.c.AssessedAt) && j.wx.covers(t, t.Add(windowNeedsH*time.Hour)) {
			starts = append(starts, t)
		}
	}
	for _, h := range []float64{-3, -2, -1, 1, 2, 3, 4} {
		if t := start.Add(hours(h)); dayNumber(t) == dayNumber(start) && t.Hour() >= earliestHour {
			add(t)
		}
	}
	for d := 1; d <= 7; d++ {
		for _, h := range []float64{0, 3} {
			add(start.AddDate(0, 0, d).Add(hours(h)))
		}
	}
	return starts
}

// earliestHour is the local hour before which no start is proposed.
const earliestHour = 6

func (j *job) startRemedy(at time.Time) *Remedy {
	kind := "another_day"
	planned := j.c.Pour.StartsAt.In(j.zone)
	if dayNumber(at.In(j.zone)) == dayNumber(planned) {
		kind = "later_start"
		if at.Before(planned) {
			kind = "earlier_start"
		}
	}
	return &Remedy{Kind: kind, StartsAt: &at, Passes: true, Sentence: fmt.Sprintf("The next start that works is %s.", j.say().day(at))}
}
