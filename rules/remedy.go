package rules

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"frostgate/rules/physics/concrete"
)

// acceleratorDoses are the doses a remedy proposes, the lesser first: the middle
// and the high dose of a non-chloride product, fit for any exposure.
var acceleratorDoses = []Admixture{
	{Kind: nonchloride, DosePct: 1.41},
	{Kind: nonchloride, DosePct: 2.64},
}

// resistances a remedy may ask for when what is at hand does not do.
var hiredRM2KW = []float64{0.35, 0.70, 1.06, 1.41, 2.11, 2.82}

// moreRM2KW is the factor from which more resistance than is at hand is worth hiring.
const moreRM2KW = 1.25

// placed reports whether the concrete lies already: then nothing but its
// protection can be changed.
func (j *job) placed() bool { return j.c.AssessedAt.After(j.c.Pour.StartsAt) }

// remedy finds for each finding the least that lifts it, runs it, and keeps it
// when it passes.
func (j *job) remedy(findings []Finding) ([]Finding, error) {
	for i := range findings {
		f := &findings[i]
		if err := j.proveWindbreak(f); err != nil {
			return nil, err
		}
		if f.Remedy != nil || f.Effect == Note {
			continue
		}
		var err error
		if f.Remedy, err = j.remedyOf(f); err != nil {
			return nil, err
		}
	}
	j.settleCover(findings)
	if err := j.settleDose(findings); err != nil {
		return nil, err
	}
	findings, err := j.carryOut(findings)
	if err != nil {
		return nil, err
	}
	j.tellStillLate(findings)
	return findings, j.moveTo(findings)
}

func (j *job) remedyOf(f *Finding) (*Remedy, error) {
	switch f.Rule {
	case "ground.frozen":
		return j.fitRemedy(), nil
	case "slab.freezes_early":
		return j.againstFreezing()
	case "slab.below_maintain_temp":
		return j.keepWarm(), nil
	case "finish.after_dusk":
		r, err := j.finishSooner(func(d *daylong) bool { return !d.afterDusk() })
		if r == nil && err == nil {
			from := later(j.day.dusk, j.c.Pour.StartsAt)
			r = &Remedy{Kind: "lights", By: &from, Passes: true, Sentence: fmt.Sprintf("Have lights for the surface from %s.", j.say().clock(from))}
		}
		return r, err
	case "finish.blankets_early":
		on := firstOn(j.c.Pour.Protection)
		return j.finishSooner(func(d *daylong) bool { return !d.coverableAt().After(on.Add(onStep)) })
	case "finish.after_hours":
		return j.finishSooner(func(d *daylong) bool { return !d.afterHours() })
	default:
		return nil, nil
	}
}

// settleCover lets the remedy of the base name the cover that others count on.
func (j *job) settleCover(findings []Finding) {
	for i := range findings {
		if f := &findings[i]; f.Rule == "ground.frozen" && f.Remedy != nil {
			f.Remedy = j.fitRemedy()
		}
	}
}

// settleDose lets all remedies with an accelerator propose the one dose that
// lifts each of them: the truck brings one mix.
func (j *job) settleDose(findings []Finding) error {
	most := 0.0
	for i := range findings {
		if r := findings[i].Remedy; r != nil && r.DosePct != nil {
			most = math.Max(most, *r.DosePct)
		}
	}
	j.dose = 0
	for j.dose < len(acceleratorDoses)-1 && acceleratorDoses[j.dose].DosePct < most {
		j.dose++
	}
	for i := range findings {
		f := &findings[i]
		if f.Remedy == nil || f.Remedy.DosePct == nil || *f.Remedy.DosePct == most {
			continue
		}
		r, err := j.remedyOf(f)
		if err != nil {
			return err
		}
		if r != nil && r.Passes && r.AtHand {
			f.Remedy = r
		}
	}
	return nil
}

// againstFreezing is the cheapest way to keep the concrete from freezing early:
// the planned blankets, a base made fit, blankets at hand, an accelerator, both,
// blankets not at hand.
func (j *job) againstFreezing() (*Remedy, error) {
	s := &j.shield
	if j.hasFrozen(&j.run) {
		return j.recovery(), nil
	}
	var r *Remedy
	if s.needed && s.holds {
		if r = j.fitRemedy(); len(s.layers) > 0 {
			r = j.blanketRemedy(s.layers)
		}
		chance := s.freezes
		if math.IsNaN(chance) && j.chance != nil {
			chance = j.chance.FreezesEarly
		}
		if r.AtHand = true; !j.likely(chance) {
			return r, nil
		}
	}
	if more, err := j.acceleratorAgainstFreezing(j.keeps); more != nil || err != nil {
		return more, err
	}
	if r != nil {
		return r, nil // the best there is: in the forecast as it is it does
	}
	for _, does := range []proves{j.keeps, j.keepsAsForecast} {
		if r, err := j.acceleratorAgainstFreezing(does); r != nil || err != nil {
			return r, err
		}
		if r, err := j.hiredBlankets(does); r != nil || err != nil {
			return r, err
		}
	}
	if j.placed() {
		return j.recovery(), nil
	}
	return nil, nil
}

// A proves reports whether a trial under layers is kept from freezing early.
type proves func(p *pour, layers []Protection, run *course) (bool, error)

func (j *job) guard() float64 { return j.limits.value("freeze.guard_c") }

// blanketRemedy words the layers that have to lie.
func (j *job) blanketRemedy(layers []Protection) *Remedy {
	say, s := j.say(), &j.shield
	total, on := 0.0, firstOn(layers)
	for _, l := range layers {
		total += l.RM2KW
	}
	r := &Remedy{Kind: "blankets", RM2KW: &total, By: &on, Passes: true}
	r.Sentence = fmt.Sprintf("Cover with blankets of %s by %s", say.rvalue(total), say.clock(on))
	if n := len(layers); n > 1 {
		r.Sentence = fmt.Sprintf("Cover with %d layers of blankets, %s together, by %s", n, say.rvalue(total), say.clock(on))
	}
	if layers[len(layers)-1].OnAt.Before(j.c.AssessedAt) && on.Before(j.c.AssessedAt) && j.placed() { // they lie already
		r.Sentence = fmt.Sprintf("Keep the blankets of %s on", say.rvalue(total))
		r.By = timeOrNil(s.keptUntil())
		if end := s.keptUntil(); !end.IsZero() {
			r.Sentence += " until " + say.clock(end)
		}
		return r.withChance(s.freezes)
	}
	if s.onBy.After(on) {
		r.By = &s.onBy
		r.Sentence += fmt.Sprintf(", at the latest %s", say.clock(s.onBy))
	}
	if end := s.keptUntil(); !end.IsZero() {
		r.Sentence += fmt.Sprintf(", and keep them on until %s", say.clock(end))
	}
	return r.withChance(s.freezes)
}

// withChance ends the sentence of blankets with what chance of freezing is left;
// NaN when none was drawn.
func (r *Remedy) withChance(freezes float64) *Remedy {
	r.Sentence += "."
	if !math.IsNaN(freezes) {
		r.Sentence += fmt.Sprintf(" Then the chance that it freezes early is %s.", Percent(freezes))
	}
	return r
}

// hiredBlankets finds what resistance would do when nothing at hand does.
func (j *job) hiredBlankets(does proves) (*Remedy, error) {
	on := j.coverableFrom(&j.shield.basis)
	if on.IsZero() {
		return nil, nil
	}
	hired := hiredRM2KW
	if best := j.c.Pour.warmest(); best != nil { // that has been tried
		hired = slices.DeleteFunc(slices.Clone(hired), func(r float64) bool { return r < moreRM2KW*best.rM2KW() })
	}
	tries := make([]pour, len(hired))
	layers := make([][]Protection, len(hired))
	for i, r := range hired {
		layers[i] = append(slices.Clone(j.shield.planned), Protection{RM2KW: r, OnAt: on})
		tries[i] = j.readied()
		tries[i].covers = j.pourCovers(layers[i])
	}
	if len(tries) == 0 {
		return nil, nil
	}
	runs, err := j.followAll(tries, proof)
	if err != nil {
		return nil, err
	}
	for i := range runs {
		if safe, err := does(&tries[i], layers[i], &runs[i]); err != nil {
			return nil, err
		} else if !safe {
			continue
		}
		say := j.say()
		return &Remedy{
			Kind: "blankets", RM2KW: &hired[i], By: &on, Passes: true,
			Sentence: fmt.Sprintf("Blankets of %s on by %s would keep it from freezing; none like that are listed as at hand.", say.rvalue(hired[i]), say.clock(on)),
		}, nil
	}
	return nil, nil
}

// keeps reports whether a trial is kept from freezing early, in the forecast as it is
// and within its error.
func (j *job) keeps(p *pour, layers []Protection, run *course) (bool, error) {
	if safe, _ := j.keepsAsForecast(p, layers, run); !safe {
		return false, nil
	}
	chance, err := j.chanceOfFreezing(p, layers)
	return !j.likely(chance), err
}

// keepsAsForecast reports whether a trial is kept from freezing early in the forecast
// as it is.
func (j *job) keepsAsForecast(_ *pour, _ []Protection, run *course) (bool, error) {
	return run.decided() && !run.failsFreezing(j.guard()), nil
}

// canAccelerate reports whether the plant can still dose an accelerator that the
// mix does not have.
func (j *job) canAccelerate() bool {
	if j.placed() || !*j.c.Pour.Plant.AcceleratorOK {
		return false
	}
	return !slices.ContainsFunc(j.c.Pour.Mix.Admixtures, func(a Admixture) bool { return a.Kind != "water_reducer" })
}

// mostGain is the factor by which the highest dose shortens setting.
func mostGain() float64 {
	return concrete.NonChloride(acceleratorDoses[len(acceleratorDoses)-1].DosePct).Set
}

// A quicker is the pour with one dose of accelerator.
type quicker struct {
	pour
	dosePct float64
	words   string // how to order it
}

// quickened are the ways to order the pour with an accelerator, the lesser dose
// first; none when the plant cannot dose one or the mix has one.
func (j *job) quickened() ([]quicker, error) {
	if !j.canAccelerate() {
		return nil, nil
	}
	doses := acceleratorDoses[j.dose:]
	all := make([]quicker, len(doses))
	for i, dose := range doses {
		model, err := j.c.mixModel(dose)
		if err != nil {
			return nil, err
		}
		all[i] = quicker{j.readied(), dose.DosePct, "Order " + acceleratorWords(dose.DosePct)}
		all[i].model = model
	}
	return all, nil
}

// acceleratorAgainstFreezing tries an accelerator alone, then with the best
// blankets at hand.
func (j *job) acceleratorAgainstFreezing(does proves) (*Remedy, error) {
	quickened, err := j.quickened()
	if err != nil {
		return nil, err
	}
	for i := range quickened {
		q := &quickened[i]
		r, err := j.accelerated(q, does)
		if r != nil || err != nil {
			return r, err
		}
	}
	return nil, nil
}

// accelerated is one dose as a remedy, alone or with the best blankets at hand; nil
// when that does not do.
func (j *job) accelerated(q *quicker, does proves) (*Remedy, error) {
	run, layers, err := j.underPlanned(&q.pour)
	if err != nil {
		return nil, err
	}
	safe, err := does(&q.pour, layers, &run)
	if err != nil {
		return nil, err
	}
	r := &Remedy{Kind: "accelerator", DosePct: &q.dosePct, By: j.orderBy(), AtHand: true, Passes: true}
	if safe {
		r.Sentence = fmt.Sprintf("%s: it then has %s by %s and does not freeze.", q.words, j.critical(), j.say().clock(run.critical))
		return r, nil
	}
	day := j.dayOf(&q.pour, &run)
	best, on := j.c.Pour.warmest(), day.coverableAt()
	if best == nil || on.IsZero() {
		return nil, nil
	}
	layers = best.lay(layers, on)
	q.covers = j.pourCovers(layers)
	if run, err = j.follow(&q.pour, proof); err != nil {
		return nil, err
	}
	if safe, err = does(&q.pour, layers, &run); err != nil || !safe {
		return nil, err
	}
	dose, rM2KW := *r, best.rM2KW()
	dose.Sentence = q.words + "."
	cover := fmt.Sprintf("cover with blankets of %s by %s.", j.say().rvalue(rM2KW), j.say().clock(on))
	r.Sentence = q.words + " and " + cover
	r.Steps = []Remedy{dose, {Kind: "blankets", RM2KW: &rM2KW, By: &on, AtHand: true, Passes: true, Sentence: upperFirst(cover)}}
	return r, nil
}

// underPlanned runs a trial under the planned blankets, laid no sooner than its own
// finishing ends.
func (j *job) underPlanned(p *pour) (run course, layers []Protection, err error) {
	layers = j.shield.planned
	if j.laid != nil {
		p.covers = j.pourCovers(nil)
		if run, err = j.follow(p, proof); err != nil {
			return run, nil, err
		}
		if on := j.coverableFrom(&run); !on.IsZero() {
			layers, _ = laidFrom(j.c.Pour.Protection, on)
		}
		p.covers = j.pourCovers(layers)
	}
	run, err = j.follow(p, proof)
	return run, layers, err
}

// orderBy is until when the mix can still be changed: the order can be cancelled,
// or else it is batched.
func (j *job) orderBy() *time.Time {
	by := j.plan.batched
	if !j.c.Pour.CancelBy.IsZero() {
		by = earlier(by, j.c.Pour.CancelBy)
	}
	return &by
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
	if u := j.underMaintained(&s.run); u.lengthH > 0 {
		r.Sentence += " Under them it stays colder than published and does not freeze, so they lie longer."
		r.Passes = !s.ends.IsZero()
	}
	return r
}

// finishOnFitBase is the base made fit, where finishing ends in time on it and
// nothing else has to change: by the least cover, else by the longest, which is
// then asked for throughout.
func (j *job) finishOnFitBase(inTime func(*daylong) bool) (*Remedy, error) {
	least := j.fit
	for fit := least; fit != nil; fit = fit.longest {
		j.fit = fit
		p := j.readied()
		run, err := j.follow(&p, proof)
		if err != nil {
			return nil, err
		}
		if day := j.dayOf(&p, &run); !day.finishingEnds.IsZero() && inTime(&day) {
			r := j.fitRemedy()
			r.Sentence += fmt.Sprintf(" On it finishing ends about %s.", j.say().clock(day.finishingEnds))
			return r, nil
		}
	}
	j.fit = least
	return nil, nil
}

// finishSooner finds the least change with which finishing ends in time: the base
// made fit, warmer concrete, an accelerator, or both.
func (j *job) finishSooner(inTime func(*daylong) bool) (*Remedy, error) {
	if j.placed() {
		return nil, nil
	}
	if r, err := j.finishOnFitBase(inTime); r != nil || err != nil {
		return r, err
	}
	say := j.say()
	type way struct {
		kind, words string
		p           pour
		value, dose *float64
	}
	warm := j.warmestPlacedC()
	warmer := func(p pour) pour { p.placedC = warm; return p }
	canWarm := warm > j.plan.placedC+1
	var ways []way
	if canWarm {
		ways = append(ways, way{"warmer_concrete", fmt.Sprintf("Order the concrete at %s", say.temp(warm)), warmer(j.readied()), &warm, nil})
	}
	quickened, err := j.quickened()
	if err != nil {
		return nil, err
	}
	for _, q := range quickened {
		ways = append(ways, way{"accelerator", q.words, q.pour, nil, &q.dosePct})
		if canWarm {
			ways = append(ways, way{"accelerator", fmt.Sprintf("%s and the concrete at %s", q.words, say.temp(warm)), warmer(q.pour), &warm, &q.dosePct})
		}
	}
	for i := range ways {
		c := &ways[i]
		run, _, err := j.underPlanned(&c.p)
		if err != nil {
			return nil, err
		}
		day := j.dayOf(&c.p, &run)
		if day.finishingEnds.IsZero() || !inTime(&day) {
			continue
		}
		return &Remedy{
			Kind: c.kind, ValueC: c.value, PlacedC: c.value, DosePct: c.dose, By: j.orderBy(), AtHand: true, Passes: true,
			Sentence: fmt.Sprintf("%s: finishing then ends about %s.", c.words, say.clock(day.finishingEnds)),
		}, nil
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
		if tried, err = j.attempts(j.candidates()); err != nil {
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
		j.next = r
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
	w.shield, w.fit, w.hired = shield{}, nil, nil
	if err = w.makeBaseFit(); err != nil {
		return false, err
	}
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
			f.Remedy = w.fitRemedy()
		}
		if err != nil {
			return false, err
		}
	}
	v, _ := w.verdict(findings)
	return v == Place || v == Protect, nil
}

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

func upperFirst(s string) string { return strings.ToUpper(s[:1]) + s[1:] }
