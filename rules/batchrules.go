package rules

import (
	"math"
	"time"

	"frostgate/rules/physics/concrete"
	"frostgate/rules/physics/mix"
)

// slackC is how far under a limit a computed temperature still meets it.
const slackC = 0.05

// batchWaterTooHot judges the mixing water. Beyond what can be batched an ordered
// temperature is not reached; what is too cold for the table besides is for
// batchPlacingTempLow to say. Hotter than usual the concrete may flash set.
func (j *job) batchWaterTooHot() []Finding {
	b, say := j.batching(), j.say()
	short := b.placedC(b.heat.MixedC) < b.limits.placeMinC-slackC
	misses := b.heat.MixedC < b.targetC-slackC
	if b.heat.Limited && misses && (j.c.Pour.PlacedTempC != nil || !short) {
		return []Finding{j.limitedHeat(&b)}
	}
	usual := j.limits.value("batch.water_sequence_c")
	if !b.heated() || b.heat.WaterC <= usual {
		return nil
	}
	f := j.finding("batch.water_too_hot", Note, "batch.water_sequence_c")
	f.measure("degC", b.heat.WaterC, usual, usual-b.heat.WaterC)
	hot, limit := say.temps(b.heat.WaterC, usual)
	f.Sentence = sentence("Mixing water has to be %s, hotter than %s: cement that meets it may flash set.", hot, limit)
	f.Remedy = &Remedy{
		Kind: "charge_order", AtHand: true, Passes: true,
		Sentence: "Charge coarse aggregate and water first and cement last; dose air entrainer when the water has cooled.",
	}
	return []Finding{f}
}

// limitedHeat is the finding where the water that is needed cannot be batched. It
// asks for protect where the assessment rests on warmer concrete than the plant
// says it can send: the order has to change. Where the stockpiles are only
// assumed, a temperature that was ordered is taken to come, with a note of what it
// takes.
func (j *job) limitedHeat(b *batching) Finding {
	effect, say := Note, j.say()
	if j.c.Pour.PlacedTempC != nil && j.c.Pour.Plant.AggregateTempC != nil && !j.measuredAtPlacing() {
		effect = EffectProtect
	}
	needed := b.heat.WaterNeededC
	f := j.finding("batch.water_too_hot", effect, "batch.water_max_c")
	f.measure("degC", needed, b.capC, b.capC-needed)
	is, should := say.temps(b.placedC(b.heat.MixedC), b.orderedC)
	f.Sentence = sentence("Mixing water at its limit of %s gives %s as mixed and %s at placing, where %s is needed.",
		say.temp(b.capC), say.temp(b.heat.MixedC), is, should)
	if b.placedC(b.heat.MixedC) >= b.orderedC-slackC { // the table asks for more as mixed
		is, should = say.temps(b.heat.MixedC, b.targetC)
		f.Sentence = sentence("Mixing water at its limit of %s gives %s as mixed, where %s is recommended.", say.temp(b.capC), is, should)
	}
	f.Remedy = j.heatAggregates(b)
	return f
}

// heatAggregates is the way out where water alone is not enough. A plant of which
// no aggregate temperature is known is taken to be able to: those that work in
// frost are.
func (j *job) heatAggregates(b *batching) *Remedy {
	to, say := math.Max(b.heat.AggregatesC, thawedAggregateC), j.say()
	warmed := b.materials
	warmed.WaterC = b.capC
	warmed.Aggregates = []mix.Aggregate{warmed.Aggregates[0]}
	warmed.Aggregates[0].TempC = to
	r := &Remedy{
		Kind: "heat_aggregates", ValueC: &to, PlacedC: new(b.placedC(b.targetC)), AtHand: j.c.Pour.Plant.AggregateTempC == nil,
		Passes:   to <= mix.AggregateMeanC && warmed.TempC() >= b.targetC-slackC,
		Sentence: sentence("Heat the aggregates to %s besides water at %s.", say.temp(to), say.temp(b.capC)),
	}
	if hottest := j.limits.value("batch.water_max_c"); b.heat.WaterNeededC <= hottest {
		r.Sentence = sentence("Heat the aggregates to %s besides water at %s, or batch water at %s.",
			say.temp(to), say.temp(b.capC), say.temp(b.heat.WaterNeededC))
	}
	return r
}

// batchPlacingTempLow judges the concrete at placing. A measured temperature has
// no way back; one that is ordered or expected has hotter water or aggregates.
// Too cold a delivery is a reason to move only where the plant is known not to do
// better.
func (j *job) batchPlacingTempLow() []Finding {
	b, say := j.batching(), j.say()
	placed, least := j.placedTempC(), b.limits.placeMinC
	if placed >= least-slackC {
		return j.mixedTooCold(&b)
	}
	source := j.placingSource(&b)
	f := j.finding("batch.placing_temp_low", EffectProtect, "")
	f.Source, f.FirstAt = source, &j.c.Pour.StartsAt
	f.measure("degC", placed, least, placed-least)
	is, should := say.temps(placed, least)
	if j.measuredAtPlacing() {
		f.Sentence = sentence("Concrete arrived at %s, below the %s for concrete %s thick: cover it early and hold it longer.",
			is, should, say.length(j.c.Pour.ThicknessMM))
		return []Finding{f}
	}
	f.Sentence = sentence("Concrete is %s at placing, below the %s for concrete %s thick.", is, should, say.length(j.c.Pour.ThicknessMM))
	if b.heat.Limited && j.c.Pour.PlacedTempC == nil {
		f.Sentence = sentence("Mixing water at its limit of %s gives %s at placing, below the %s for concrete %s thick.",
			say.temp(b.capC), is, should, say.length(j.c.Pour.ThicknessMM))
	}
	f.Remedy = j.warmer(b)
	if !f.Remedy.AtHand || !f.Remedy.Passes {
		f.Effect = EffectMove
	}
	return []Finding{f}
}

// placingSource is where the least temperature at placing comes from.
func (j *job) placingSource(b *batching) Source {
	_, source := j.limits.maintainMinC(section{j.c.Pour.ThicknessMM, b.airC, j.c.Pour.Mix.CementKgM3})
	return source
}

// measuredAtPlacing reports whether somebody has measured the concrete.
func (j *job) measuredAtPlacing() bool {
	for _, o := range j.c.Pour.Observations {
		if o.Kind == "concrete_temp" {
			return true
		}
	}
	return false
}

// warmer is how the plant reaches the least temperatures.
func (j *job) warmer(b batching) *Remedy {
	b.aim(b.limits.placeMinC, b.limits.mixMinC)
	if b.heat.Limited {
		return j.heatAggregates(&b)
	}
	say, water := j.say(), b.heat.WaterC
	return &Remedy{
		Kind: "hotter_water", ValueC: &water, PlacedC: new(b.placedC(b.heat.MixedC)), AtHand: true, Passes: b.placedC(b.heat.MixedC) >= b.limits.placeMinC-slackC,
		Sentence: sentence("Order water at %s: %s as mixed, %s at placing.", say.temp(water), say.temp(b.heat.MixedC), say.temp(b.placedC(b.heat.MixedC))),
	}
}

// mixedTooCold notes concrete that is warm enough at placing, and colder at the
// mixer than the table asks in this air.
func (j *job) mixedTooCold(b *batching) []Finding {
	mixed, least := b.heat.MixedC, b.limits.mixMinC
	if j.c.Pour.PlacedTempC != nil {
		mixed = b.targetC
	}
	if mixed >= least-slackC || j.measuredAtPlacing() {
		return nil
	}
	say := j.say()
	f := j.finding("batch.placing_temp_low", Note, mixOverName(mix.AirBand(b.airC, mix.US)))
	f.measure("degC", mixed, least, mixed-least)
	is, should := say.temps(mixed, least)
	f.Sentence = sentence("Concrete leaves the mixer at %s; %s is recommended in air of %s.", is, should, say.temp(b.airC))
	return []Finding{f}
}

// batchPlacingTempHigh judges concrete that is warmer than it should be in cold
// weather: no gain, and more shrinkage to come. Only the ceiling on heated
// materials is more than a note.
func (j *job) batchPlacingTempHigh() []Finding {
	if below, known := j.airColdInPeriod(); !known || below.IsZero() {
		return nil
	}
	b, say := j.batching(), j.say()
	placed, most := j.placedTempC(), b.limits.placeMaxC
	effect, limit := Note, b.limits.maxName
	if ceiling := j.limits.value("batch.concrete_max_c"); placed > ceiling+slackC {
		effect, limit, most = EffectProtect, "batch.concrete_max_c", ceiling
	}
	if placed <= most+slackC {
		return nil
	}
	f := j.finding("batch.placing_temp_high", effect, limit)
	f.FirstAt = &j.c.Pour.StartsAt
	f.measure("degC", placed, most, most-placed)
	is, should := say.temps(placed, most)
	f.Sentence = sentence("Concrete is %s at placing, above %s: it gains nothing by it and shrinks more as it cools.", is, should)
	if !j.measuredAtPlacing() {
		cooler := b.limits.placeMaxC
		f.Remedy = &Remedy{
			Kind: "cooler_concrete", ValueC: &cooler, PlacedC: &cooler, By: j.orderBy(), AtHand: true, Passes: true,
			Sentence: sentence("Order the concrete at no more than %s at placing.", say.temp(cooler)),
		}
	}
	return []Finding{f}
}

// batchChlorideLimit judges calcium chloride against its most and its chloride
// against the exposure. Another accelerator lifts both, and no other day does: it
// never moves a pour.
func (j *job) batchChlorideLimit() []Finding {
	var found []Finding
	least := j.limits.value("batch.calcium_chloride_pct") // that meets both
	if limit := j.batch.ChlorideLimitPct; limit != nil {
		least = math.Min(least, mix.MaxDosePct(*limit, 0, j.c.chlorideProduct()))
	}
	if pct, most := j.c.calciumChloridePct(), j.limits.value("batch.calcium_chloride_pct"); pct > most {
		f := j.finding("batch.chloride_limit", EffectProtect, "batch.calcium_chloride_pct")
		f.measure("%", pct, most, most-pct)
		f.Sentence = sentence("Calcium chloride at %s of cement is over the most allowed, %s.", percentOf(pct), percentOf(most))
		f.Remedy = j.lessChloride(least)
		found = append(found, f)
	}
	if limit := j.batch.ChlorideLimitPct; limit != nil && j.batch.ChlorideIonPct > *limit {
		f := j.finding("batch.chloride_limit", EffectProtect, chlorideName(j.c.Pour.Exposure))
		f.measure("%", j.batch.ChlorideIonPct, *limit, *limit-j.batch.ChlorideIonPct)
		f.Sentence = sentence("The accelerator brings chloride of %s of cement, over the %s for %s concrete.",
			percentOf(j.batch.ChlorideIonPct), percentOf(*limit), exposureWords[j.c.Pour.Exposure])
		f.Remedy = j.lessChloride(least)
		found = append(found, f)
	}
	return found
}

var exposureWords = map[Exposure]string{
	ExposureC0: "dry (C0)", ExposureC1: "moist reinforced (C1)", ExposureC2: "reinforced (C2)", ExposurePrestressed: "prestressed",
}

func percentOf(pct float64) string { return trimmed(pct, 2) + " %" }

// lessChloride is the way out: another accelerator, or less of this one.
func (j *job) lessChloride(mostPct float64) *Remedy {
	dosePct := j.c.likeChloride()
	r := &Remedy{
		Kind: insteadOfChloride, DosePct: &dosePct, By: j.orderBy(), AtHand: *j.c.Pour.Plant.AcceleratorOK, Passes: true,
		Sentence: sentence("Order %s instead.", acceleratorWords(dosePct)),
	}
	mostPct = math.Floor(mostPct*20) / 20
	if mostPct > 0 && j.c.Pour.Exposure != ExposurePrestressed {
		r.Sentence = sentence("Order %s instead, or at most %s %s.", acceleratorWords(dosePct), percentOf(mostPct), j.c.chlorideProduct())
	}
	return r
}

// calciumChloridePct is all calcium chloride, product as dosed, of cement.
func (c *Case) calciumChloridePct() float64 {
	var sum float64
	for _, a := range c.Pour.Mix.Admixtures {
		if a.Kind == calciumChloride {
			sum += a.DosePct
		}
	}
	return sum
}

// chlorideProduct is the product of the calcium chloride.
func (c *Case) chlorideProduct() concrete.Product {
	for _, a := range c.Pour.Mix.Admixtures {
		if a.Kind == calciumChloride {
			return product(a)
		}
	}
	return concrete.Flake
}

// haulDischargeTime judges the time from batching to the end of a truck's
// discharge: past the published time as a matter of order, past that of practice
// as a note. No other day is quicker: it never moves a pour.
func (j *job) haulDischargeTime() []Finding {
	haulMin, unloadMin := j.truckMin()
	took, most := math.Round(haulMin+unloadMin), j.limits.value("haul.discharge_min")
	effect, limit := EffectProtect, "haul.discharge_min"
	if took <= most {
		quick := j.limits.value("haul.quick_min")
		if took <= quick || !j.c.quick(j.limits, j.batch) {
			return nil
		}
		effect, limit, most = Note, "haul.quick_min", quick
	}
	f := j.finding("haul.discharge_time", effect, limit)
	f.measure("min", took, most, most-took)
	by := j.c.Pour.BatchedAt.Add(time.Duration(most * float64(time.Minute)))
	f.FirstAt = &by
	f.Sentence = sentence("A truck is empty %.0f minutes after batching (%.0f on the road, %.0f unloading); %.0f are allowed.", took, haulMin, unloadMin, most)
	if effect == Note {
		f.Sentence = sentence("A truck is empty %.0f minutes after batching; with hot water or an accelerator keep it to %.0f.", took, most)
	}
	f.Remedy = j.smallerLoads(haulMin, most)
	return []Finding{f}
}

// truckMin is how long a truck is on the road and unloading, in minutes.
func (j *job) truckMin() (haulMin, unloadMin float64) {
	haulMin = math.Max(0, j.c.Pour.StartsAt.Sub(j.c.Pour.BatchedAt).Minutes())
	load := j.c.Pour.Plant.TruckM3
	if j.batch.OrderM3 > 0 {
		load = math.Min(load, j.batch.OrderM3)
	}
	return haulMin, 60 * load / j.c.Pour.Crew.PlaceM3H
}

// leastLoadM3 is the least load worth a truck.
const leastLoadM3 = 2

// smallerLoads is the load that is out in time. Where the road alone takes too
// long, only a longer limit on the ticket helps.
func (j *job) smallerLoads(haulMin, mostMin float64) *Remedy {
	load := (mostMin - haulMin) / 60 * j.c.Pour.Crew.PlaceM3H
	if load < leastLoadM3 {
		return &Remedy{
			Kind: "ticket_limit", AtHand: true, Passes: false,
			Sentence: "Have the producer state a longer limit on the ticket (ASTM C94 since 2021), or dose the accelerator on site.",
		}
	}
	step := quarterM3
	if j.c.Firm.Units.us() {
		step = mix.QuarterYardM3
	}
	load = math.Floor(load/step) * step
	return &Remedy{
		Kind: "smaller_loads", AtHand: true, Passes: haulMin+60*load/j.c.Pour.Crew.PlaceM3H <= mostMin,
		Sentence: sentence("Order loads of no more than %s.", j.c.Firm.Units.Volume(load)),
	}
}
