package rules

import (
	"cmp"
	"slices"
	"time"

	"frostgate/rules/physics/slab"
)

// takeBlanketsSeen lets what was seen of the blankets take the place of the plan:
// the first planned layers go on, or off, when they did.
func (j *job) takeBlanketsSeen() {
	p := &j.c.Pour
	if !slices.ContainsFunc(p.Observations, func(o Observation) bool { return o.Kind == "blanket_on" || o.Kind == "blanket_off" }) {
		return
	}
	layers := slices.Clone(p.Protection)
	seen := slices.Clone(p.Observations)
	slices.SortStableFunc(seen, func(a, b Observation) int { return a.At.Compare(b.At) })
	taken := 0 // layers that have been seen on
	for _, o := range seen {
		switch o.Kind {
		case "blanket_on":
			if taken == len(layers) {
				layers = append(layers, Protection{RM2KW: p.usualRM2KW()})
			}
			layers[taken].OnAt = o.At
			taken++
		case "blanket_off":
			for i := range layers {
				if off := o.At; layers[i].OnAt.Before(off) {
					layers[i].OffAt = &off
				}
			}
		}
	}
	p.Protection = layers
}

// usualBlanketRM2KW is the label of the blanket most crews have, R-4. CAL.
const usualBlanketRM2KW = 0.70

// usualRM2KW is the resistance of a blanket nobody described: the first kind at
// hand, else the usual one.
func (p *Pour) usualRM2KW() float64 {
	if len(p.AtHand) > 0 {
		return p.AtHand[0].RM2KW
	}
	return usualBlanketRM2KW
}

// fitRounds is how often a factor is fitted to what was seen; each round closes
// most of the rest.
const fitRounds = 3

// fitObserved turns what was measured on the concrete into factors of this pour:
// an observed set into one on setting times, a cylinder into one on the time of
// strength gain. Factors stay within the range a firm may calibrate.
func (j *job) fitObserved() error {
	for _, o := range j.c.Pour.Observations {
		var err error
		switch o.Kind {
		case "initial_set":
			err = j.fitFactor(o.At, &j.plan.factors.SetTime, func(c *course) time.Time { return c.initialSet })
		case "final_set":
			err = j.fitFactor(o.At, &j.plan.factors.SetTime, func(c *course) time.Time { return c.finalSet })
		case "cylinder_strength":
			mpa := o.Value
			err = j.fitFactor(o.At, &j.plan.factors.StrengthTime, func(c *course) time.Time { return c.reaches(mpa) })
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// fitFactor scales a factor on time until the run reaches an event when it was
// seen. A run that does not reach it at all is left alone.
func (j *job) fitFactor(seen time.Time, factor *float64, event func(*course) time.Time) error {
	if !seen.After(j.plan.batched) {
		return nil
	}
	if *factor == 0 {
		*factor = 1
	}
	for range fitRounds {
		run, err := j.follow(&j.plan, central)
		if err != nil {
			return err
		}
		at := event(&run)
		if at.IsZero() {
			return nil
		}
		ratio := seen.Sub(j.plan.batched).Hours() / at.Sub(j.plan.batched).Hours()
		*factor = min(2, max(0.5, *factor*ratio))
	}
	return nil
}

// reaches is when the mean strength reaches a value, linear between the hours;
// zero when it does not.
func (c *course) reaches(mpa float64) time.Time {
	for i := 1; i < len(c.rows); i++ {
		a, b := &c.rows[i-1], &c.rows[i]
		if a.meanMPa < mpa && b.meanMPa >= mpa {
			return a.at.Add(hours((mpa - a.meanMPa) / (b.meanMPa - a.meanMPa)))
		}
	}
	return time.Time{}
}

// measuredTemps is what was measured in the concrete, in order of time, for the
// run to take over.
func (j *job) measuredTemps() []slab.Nudge {
	var list []slab.Nudge
	for _, o := range j.c.Pour.Observations {
		if o.Kind == "slab_temp" && o.At.After(j.c.Pour.StartsAt) {
			list = append(list, slab.Nudge{AtH: j.wx.clock(o.At), MeasuredC: o.Value, DepthM: o.DepthMM / 1000})
		}
	}
	slices.SortStableFunc(list, func(a, b slab.Nudge) int { return cmp.Compare(a.AtH, b.AtH) })
	return list
}
