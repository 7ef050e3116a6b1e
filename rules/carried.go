package rules

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"frostgate/rules/physics/concrete"
)

// A change is what remedies at hand change before the concrete lies.
type change struct {
	dosePct     float64  // of a non-chloride accelerator; 0: none
	instead     bool     // of calcium chloride
	placedC     *float64 // the concrete at placing
	aggregatesC *float64 // heated at the plant
	windbreak   bool
}

// changeOf is what the remedies of findings change; what is only noted is left as
// planned.
func changeOf(findings []Finding) change {
	var c change
	for i := range findings {
		f := &findings[i]
		r := f.Remedy
		if f.Effect == Note || r == nil || !r.AtHand || !r.Passes || r.StartsAt != nil {
			continue
		}
		if r.DosePct != nil {
			c.dosePct = math.Max(c.dosePct, *r.DosePct)
			c.instead = c.instead || r.Kind == insteadOfChloride
		}
		if r.PlacedC != nil && (c.placedC == nil || *c.placedC < *r.PlacedC) {
			c.placedC = r.PlacedC
		}
		if r.Kind == "heat_aggregates" {
			c.aggregatesC = r.ValueC
		}
		c.windbreak = c.windbreak || r.Kind == "windbreak"
	}
	return c
}

// last is the job as it will be once all that it asks for is done.
func (j *job) last() *job {
	if j.done != nil {
		return j.done
	}
	return j
}

// toCome is the run that will happen once all that is asked for is done.
func (j *job) toCome() *course {
	w := j.last()
	if w.differs() && len(w.shield.run.rows) > 0 {
		return &w.shield.run
	}
	return &w.run
}

// chanceToCome is the chance once all that is asked for is done; nil when none was
// drawn.
func (j *job) chanceToCome() *Chance {
	w := j.last()
	if w.differs() && w.shield.chance != nil {
		return w.shield.chance
	}
	return w.chance
}

// tellStillLate adds to a remedy against finishing after dusk what chance of that it
// leaves.
func (j *job) tellStillLate(findings []Finding) {
	c := j.chanceToCome()
	if c == nil || c.FinishAfterDusk < likelyLate {
		return
	}
	for i := range findings {
		f := &findings[i]
		if r := f.Remedy; f.Rule == "finish.after_dusk" && r != nil && r.Passes && r.AtHand && r.StartsAt == nil {
			told := *r
			told.Sentence += fmt.Sprintf(" Within the error of the forecast it goes on after dusk all the same with a chance of %s: have lights ready.",
				j.say().percent(c.FinishAfterDusk))
			f.Remedy = &told
		}
	}
}

// carryOut runs the job once more with all that its remedies change before the
// concrete lies: blankets are then chosen after those hours, and what rests on the
// hours that people act by is judged by them. What a change makes worse has remedies
// of its own, which are carried out with it.
func (j *job) carryOut(findings []Finding) ([]Finding, error) {
	ch := changeOf(findings)
	if ch == (change{}) || j.placed() {
		return findings, nil
	}
	w, theirs, err := j.tryChange(&ch)
	if err != nil {
		return nil, err
	}
	findings = withWorse(findings, theirs)
	if all := changeOf(findings); !all.same(&ch) {
		ch = all
		if w, theirs, err = j.tryChange(&ch); err != nil {
			return nil, err
		}
		findings = withWorse(findings, theirs)
	}
	j.done = w
	j.takeCover(findings, theirs, &ch)
	return takeHours(findings, theirs), nil
}

// tryChange is the job with a change made, and its findings with their remedies.
func (j *job) tryChange(ch *change) (*job, []Finding, error) {
	w, err := j.changed(ch)
	if err != nil {
		return nil, nil, err
	}
	theirs := w.judge()
	for i := range theirs {
		if f := &theirs[i]; f.Remedy == nil && f.Effect != Note {
			if f.Remedy, err = w.remedyOf(f); err != nil {
				return nil, nil, err
			}
		}
	}
	return w, theirs, nil
}

// same reports whether two changes come to the same.
func (c *change) same(d *change) bool {
	return c.dosePct == d.dosePct && c.instead == d.instead && c.windbreak == d.windbreak && value(c.placedC, 0) == value(d.placedC, 0) &&
		value(c.aggregatesC, 0) == value(d.aggregatesC, 0)
}

// withWorse adds what a change makes worse, and leaves no remedy where it no longer
// does.
func withWorse(findings, theirs []Finding) []Finding {
	all := slices.Clone(findings)
	for _, g := range theirs {
		if hangsOnCover(g.Rule) || slices.Contains(byHours, g.Rule) {
			continue
		}
		i := strongest(all, g.Rule)
		switch {
		case i < 0 || g.Effect.rank() > all[i].Effect.rank():
			g.Sentence = "With what is asked for above: " + g.afterColon()
			if i < 0 {
				all = append(all, g)
			} else {
				all[i] = g
			}
		case g.remaining() == EffectMove && all[i].remaining() != EffectMove:
			all[i].Remedy = g.Remedy
		}
	}
	return all
}

// hangsOnCover reports whether blankets are the first remedy of a rule.
func hangsOnCover(rule string) bool {
	return rule == "slab.freezes_early" || rule == "slab.below_maintain_temp" || rule == "finish.blankets_early"
}

// changed is the job with a change made and its base made fit.
func (j *job) changed(ch *change) (*job, error) {
	w := *j
	w.carried = true
	w.shield, w.laid, w.chance, w.drawn, w.colder, w.tried, w.assumed, w.dose = shield{}, nil, nil, nil, nil, nil, nil, 0
	p := &w.c.Pour
	if ch.instead {
		p.Mix.Admixtures = slices.DeleteFunc(slices.Clone(p.Mix.Admixtures), func(a Admixture) bool { return a.Kind == calciumChloride })
	}
	if ch.dosePct > 0 {
		p.Mix.Admixtures = append(slices.Clone(p.Mix.Admixtures), Admixture{Kind: nonchloride, DosePct: ch.dosePct})
	}
	if ch.placedC != nil {
		p.PlacedTempC = ch.placedC
	}
	if ch.aggregatesC != nil {
		p.Plant.AggregateTempC = ch.aggregatesC
	}
	p.WindbreakUp = p.WindbreakUp || ch.windbreak
	w.batch = w.order(p.StartsAt)
	plan, err := w.planned()
	if err != nil {
		return nil, err
	}
	plan.factors = j.plan.factors
	w.plan = plan
	w.plan = w.readied()
	return &w, w.followPlan()
}

// takeCover lets remedies by blankets be those of the job carried out: later or
// earlier, fewer, or none where the change alone is enough.
func (j *job) takeCover(findings, theirs []Finding, ch *change) {
	for i := range findings {
		f := &findings[i]
		if !hangsOnCover(f.Rule) || f.Effect == Note {
			continue
		}
		k := slices.IndexFunc(theirs, func(g Finding) bool { return g.Rule == f.Rule && g.Effect != Note })
		switch {
		case k < 0:
			f.Remedy = j.enough(f, ch)
		case theirs[k].Remedy != nil:
			ordered := f.Remedy != nil && f.Remedy.DosePct != nil || f.Rule == "finish.blankets_early" && f.Effect == EffectMove // blankets alone do not do
			if f.Remedy = theirs[k].Remedy; ordered && f.Remedy.DosePct == nil {
				f.Remedy = j.together(f.Remedy, ch)
			}
		}
	}
}

// enough is the change as the remedy of what it lifts alone.
func (j *job) enough(f *Finding, ch *change) *Remedy {
	r := j.ordering(ch)
	run, say := &j.done.run, j.say()
	if f.Rule == "slab.freezes_early" {
		r.Sentence += fmt.Sprintf(": it then has %s by %s and does not freeze.", j.critical(), say.clock(run.critical))
		return r
	}
	if f.Rule == "finish.blankets_early" {
		r.Sentence += fmt.Sprintf(": finishing then ends about %s.", say.clock(j.done.day.finishingEnds))
		return r
	}
	limit, _ := j.maintainMinC()
	r.Sentence += fmt.Sprintf(": it then keeps at least %s without more blankets.", say.temp(limit))
	return r
}

// together is the change and what lies on the concrete then, two steps of one remedy.
func (j *job) together(cover *Remedy, ch *change) *Remedy {
	first := j.ordering(ch)
	r := *first
	r.Sentence += ". " + cover.Sentence
	first.Sentence += "."
	r.AtHand, r.Passes = cover.AtHand, cover.Passes
	r.Steps = []Remedy{*first, *cover}
	return &r
}

// ordering is the change as something to order, its sentence still open.
func (j *job) ordering(ch *change) *Remedy {
	r := &Remedy{Kind: "accelerator", PlacedC: ch.placedC, By: j.orderBy(), AtHand: true, Passes: true}
	var words []string
	if ch.dosePct > 0 {
		r.DosePct = &ch.dosePct
		words = append(words, acceleratorWords(ch.dosePct))
		if ch.instead {
			r.Kind = insteadOfChloride
		}
	}
	if ch.placedC != nil {
		r.ValueC = ch.placedC
		if len(words) == 0 {
			r.Kind = "warmer_concrete"
		}
		words = append(words, "the concrete at "+j.say().temp(*ch.placedC))
	}
	if len(words) == 0 {
		r.Kind, r.By, r.Sentence = "windbreak", nil, "Set up windbreaks"
		return r
	}
	r.Sentence = "Order " + strings.Join(words, " and ")
	return r
}

// acceleratorWords is a dose of accelerator as it is ordered.
func acceleratorWords(dosePct float64) string {
	return fmt.Sprintf("a non-chloride accelerator (%s of product by mass of cement)", percentOf(dosePct))
}

// byHours are the rules that judge the hours that people act by.
var byHours = []string{"protection.not_required", "forms.strip", "wind.blankets", "saw.next_day"}

// strongest is the finding of a rule with the strongest effect; -1 without one.
func strongest(findings []Finding, rule string) int {
	best := -1
	for i := range findings {
		if f := &findings[i]; f.Rule == rule && (best < 0 || f.Effect.rank() > findings[best].Effect.rank()) {
			best = i
		}
	}
	return best
}

// takeHours lets what hangs on the hours be judged by those of the job carried out,
// and puts all findings in the order of the rules.
func takeHours(findings, theirs []Finding) []Finding {
	all := make([]Finding, 0, len(findings))
	for i := range ruleTable {
		id, from := ruleTable[i].id, findings
		if slices.Contains(byHours, id) {
			from = theirs
		}
		for k := range from {
			if from[k].Rule == id {
				all = append(all, from[k])
			}
		}
	}
	return all
}

// protected is what the hours come to with all that is asked for; nil where that is
// no more than the plan's.
func (j *job) protected() *Protected {
	w := j.last()
	run := j.toCome()
	if run == &j.run || len(run.rows) == 0 {
		return nil
	}
	day := w.dayOf(&w.plan, run)
	p := &Protected{
		Timeline: w.timeline(&day, run), Chance: j.chanceToCome(), MinTempBeforeCriticalC: new(run.minBeforeC),
		Temperatures: w.temperatures(run), Strength: run.strengths(),
	}
	if j.done != nil {
		p.Batch = w.batch
	}
	if run.decided() {
		p.FreezesBeforeCritical = new(run.frozeEarly)
	}
	return p
}

// insteadOfChloride is the kind of a remedy that takes another accelerator in place
// of calcium chloride.
const insteadOfChloride = "nonchloride_accelerator"

// likeChloride is the dose of a non-chloride product that sets concrete as soon as
// its calcium chloride does, or the highest.
func (c *Case) likeChloride() float64 {
	var as concrete.Accelerator
	for _, a := range c.Pour.Mix.Admixtures {
		if a.Kind == calciumChloride {
			as = as.And(concrete.CalciumChloride(a.DosePct, product(a)))
		}
	}
	return math.Ceil(100*concrete.NonChlorideLike(as.Set)) / 100
}
