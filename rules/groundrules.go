package rules

import "fmt"

// groundFrozen judges ground.frozen (ACI 306R, 306.1, 301: no concrete on frozen
// ground). The warning errs early: a base predicted in the dead band asks for a
// look by hand.
func (j *job) groundFrozen() []Finding {
	if j.c.Pour.Element == Wall || (j.placed() && j.ground.State != baseFrozen) {
		return nil // once concrete lies on it, a base that was only near freezing can't be checked
	}
	say, g := j.say(), &j.ground
	f := j.finding("ground.frozen", EffectMove, "ground.frozen_c")
	if j.chance != nil {
		f.Probability = new(j.chance.BaseFrozen)
	}
	limit := j.limits.value("ground.frozen_c")
	seen, _ := j.seenBase()
	byHand := seen.Kind == "base_frozen"
	switch {
	case g.State == baseFrozen && byHand:
		f.Sentence = "The base was found frozen by hand. Concrete must not be placed on frozen ground."
	case g.State == baseFrozen && g.SurfaceC < limit:
		f.Sentence = fmt.Sprintf("The base is frozen at the start: surface %s, frost %s deep.", say.temp(g.SurfaceC), say.length(g.FrostDepthMM))
	case g.State == baseFrozen:
		f.Probability = nil // the members' coarse columns place frost at depth no better than a hand's breadth
		f.Sentence = fmt.Sprintf("There is frost down to %s under a thawed skin (surface %s).", say.length(g.FrostDepthMM), say.temp(g.SurfaceC))
	case g.State == baseNear && !byHand:
		f.Effect, limit = EffectProtect, j.limits.value("ground.warn_c")
		f.Sentence = fmt.Sprintf("The base is predicted at %s, within the error of freezing: keep it covered and check it by hand at first light.", say.temp(g.SurfaceC))
	case j.chance != nil && !byHand && j.chance.BaseFrozen >= j.limits.value("chance.act"):
		f.Effect, limit = EffectProtect, j.limits.value("ground.warn_c")
		f.Sentence = fmt.Sprintf("The base is predicted at %s, but freezes within the error of the forecast with a chance of %s: check it by hand at first light.",
			say.temp(g.SurfaceC), say.percent(j.chance.BaseFrozen))
	default:
		return nil
	}
	if f.Effect == EffectMove && j.fit == nil && j.hired == nil && !j.placed() {
		f.Sentence += " No cover or heat thaws it within the weather given."
	}
	f.measure("degC", g.SurfaceC, limit, g.SurfaceC-limit)
	f.FirstAt = new(j.run.start)
	return []Finding{f}
}

// groundCold judges ground.cold: contact surfaces a few degrees above freezing
// and not too far below the concrete. It only notes: the price is a late set at
// the bottom, which the run of the concrete already holds.
func (j *job) groundCold() []Finding {
	g := &j.ground
	if j.c.Pour.Element == Wall || g.State == baseFrozen {
		return nil
	}
	say := j.say()
	gap := j.plan.placedC - g.SurfaceC
	if limit := j.limits.value("ground.min_c"); g.SurfaceC < limit && g.State != baseNear {
		f := j.finding("ground.cold", Note, "ground.min_c")
		f.measure("degC", g.SurfaceC, limit, g.SurfaceC-limit)
		is, should := say.temps(g.SurfaceC, limit)
		f.Sentence = fmt.Sprintf("The base is at %s, below the %s it should have under concrete.", is, should)
		return []Finding{f}
	}
	if limit := j.limits.value("ground.gap_c"); gap > limit {
		f := j.finding("ground.cold", Note, "ground.gap_c")
		f.measure("K", gap, limit, limit-gap)
		is, most := say.tempDiffs(gap, limit)
		f.Sentence = fmt.Sprintf("The base is %s colder than the concrete; more than %s makes the bottom set late.", is, most)
		return []Finding{f}
	}
	return nil
}
