package rules

import (
	"math"
	"time"

	"frostgate/rules/physics/concrete"
	"frostgate/rules/physics/mix"
)

// quarterM3 is the step of ordering in SI; in US units it is a quarter yard.
const quarterM3 = 0.25

// mostMoisture is the most of a mix's water that may come with its aggregates.
// CAL: some has to be left to heat.
const mostMoisture = 0.8

// waterHeatMJKgK is the specific heat of water.
const waterHeatMJKgK = 4.186e-3

// A batching is how the concrete of a pour is batched and hauled in one air.
type batching struct {
	materials mix.Batch
	truck     mix.Truck
	haulH     float64
	airC      float64 // at batching
	limits    placing
	orderedC  float64 // at placing: as ordered, else the least
	targetC   float64 // as mixed
	byHaul    bool    // the haul, not the table, asks for targetC
	heat      mix.Heating
	capC      float64 // hottest water
}

// batching works out the water for a pour. airAtBatchC is the air at the plant,
// dayBeforeMeanC what unheated stockpiles follow.
func (c *Case) batching(l limitSet, airAtBatchC, dayBeforeMeanC float64) batching {
	p := &c.Pour.Plant
	b := batching{
		materials: c.materials(dayBeforeMeanC),
		truck:     mix.Truck(p.Truck),
		haulH:     math.Max(0, c.Pour.StartsAt.Sub(c.Pour.BatchedAt).Hours()),
		airC:      airAtBatchC,
		limits:    l.placing(section{c.Pour.ThicknessMM, airAtBatchC, c.Pour.Mix.CementKgM3}),
		capC:      math.Min(value(p.WaterMaxC, defaultWaterMaxC), l.value("batch.water_max_c")),
	}
	b.orderedC = b.limits.placeMinC
	leastMixedC := b.limits.mixMinC
	if t := c.Pour.PlacedTempC; t != nil {
		b.orderedC, leastMixedC = *t, *t
	}
	b.aim(b.orderedC, leastMixedC)
	return b
}

// aim sets the target as mixed and the water for it.
func (b *batching) aim(placedC, leastMixedC float64) {
	b.targetC, b.byHaul = mix.AtMixerC(b.truck, b.haulH, placedC, b.airC, leastMixedC)
	b.heat = b.materials.Heat(b.targetC, math.Min(defaultColdWaterC, b.capC), b.capC)
}

// heated reports whether the water has to be heated.
func (b *batching) heated() bool { return b.heat.WaterC > defaultColdWaterC }

// placedC is the temperature concrete arrives at when it is mixed at mixedC.
func (b *batching) placedC(mixedC float64) float64 {
	return mix.DeliveredC(b.truck, b.haulH, mixedC, b.airC)
}

// materials are the materials of a cubic metre.
func (c *Case) materials(dayBeforeMeanC float64) mix.Batch {
	m, p := &c.Pour.Mix, &c.Pour.Plant
	moisture := m.AggregateKgM3 * value(p.AggregateMoisturePct, defaultMoisturePct) / 100
	moisture = math.Min(moisture, mostMoisture*m.WaterKgM3)
	return mix.Batch{
		Aggregates: []mix.Aggregate{{
			MassKg: m.AggregateKgM3, MoistureKg: moisture, TempC: c.aggregateTempC(dayBeforeMeanC),
		}},
		CementKg: m.cementitiousKgM3(),
		CementC:  value(p.CementTempC, defaultCementC),
		WaterKg:  m.WaterKgM3 - moisture,
	}
}

// aggregateTempC is the plant's own value, else the mean air of the day before:
// but no lower than just thawed, since frozen lumps may not be batched and a plant
// that works in frost thaws what it batches.
func (c *Case) aggregateTempC(dayBeforeMeanC float64) float64 {
	return value(c.Pour.Plant.AggregateTempC, math.Max(thawedAggregateC, dayBeforeMeanC))
}

// orderBatch is what to order for a pour and how warm it arrives.
func (c *Case) orderBatch(l limitSet, airAtBatchC, dayBeforeMeanC float64) Batch {
	b := c.batching(l, airAtBatchC, dayBeforeMeanC)
	out := Batch{
		PlacingMinC: b.limits.placeMinC, PlacingMaxC: b.limits.placeMaxC,
		MixedMinC: b.limits.mixMinC, MixedMaxC: b.limits.mixMaxC,
		Governs:     "table",
		WaterCapped: b.heat.Limited,
		MixedTempC:  b.heat.MixedC,
		PlacedTempC: b.placedC(b.heat.MixedC),
	}
	out.HaulDropC = out.MixedTempC - out.PlacedTempC
	if b.byHaul {
		out.Governs = "haul"
	}
	c.orderVolume(&out)
	if b.heated() {
		litres := b.materials.WaterKg * out.OrderM3
		out.WaterTempC, out.HotWaterL = &b.heat.WaterC, &litres
		out.WaterHeatMJ = new(litres * waterHeatMJKgK * (b.heat.WaterC - defaultColdWaterC))
	}
	c.orderAdmixtures(&out)
	if c.Pour.Exposure != "" {
		out.ChlorideLimitPct = new(l.value(chlorideName(c.Pour.Exposure)))
	}
	return out
}

// volumeM3 is the volume as drawn; 0 when the dimensions do not tell.
func (p *Pour) volumeM3() float64 {
	if p.VolumeM3 != nil {
		return *p.VolumeM3
	}
	area := p.AreaM2
	switch {
	case p.Element == Footing && p.LengthMM > 0:
		area = p.LengthMM * p.WidthMM / 1e6
	case p.Element == Wall && p.LengthMM > 0 && p.HeightMM > 0:
		area = p.LengthMM * p.HeightMM / 1e6
	}
	return mix.VolumeM3(area, p.ThicknessMM)
}

// Volumes is the volume of a pour as drawn, and with its waste before the plant's
// rounding. Both are 0 when the dimensions do not tell.
func (p Pour) Volumes() (drawnM3, withWasteM3 float64) {
	drawnM3 = p.volumeM3()
	return drawnM3, drawnM3 * (1 + value(p.WastePct, defaultWastePct)/100)
}

func (c *Case) orderVolume(out *Batch) {
	step := quarterM3
	if c.Firm.Units.us() {
		step = mix.QuarterYardM3
	}
	truck := c.Pour.Plant.TruckM3
	o := mix.NewOrder(c.Pour.volumeM3(), value(c.Pour.WastePct, defaultWastePct), step, truck)
	out.VolumeM3, out.OrderM3, out.Trucks = o.NetM3, o.OrderM3, o.Trucks
	if o.Trucks > 1 {
		out.TruckSpacingMin = 60 * truck / c.Pour.Crew.PlaceM3H
	}
}

// orderAdmixtures are the accelerators of the order and the chloride they bring.
func (c *Case) orderAdmixtures(out *Batch) {
	for _, a := range c.Pour.Mix.Admixtures {
		if a.Kind == waterReducer || a.DosePct == 0 {
			continue
		}
		d := Dose{Kind: a.Kind, DosePct: a.DosePct, MassKg: mix.AdmixtureKg(a.DosePct, c.Pour.Mix.CementKgM3, out.OrderM3)}
		switch {
		case a.Kind == nonchloride:
			d.Litres = new(mix.Litres(d.MassKg, mix.NonChlorideKgL))
		case concrete.Product(a.Product) == concrete.Liquid:
			d.Litres = new(mix.Litres(d.MassKg, mix.LiquidChlorideKgL))
		default:
			d.Bags = new(mix.Bags(d.MassKg, mix.FlakeBagKg))
		}
		out.Accelerators, out.AcceleratorKg = append(out.Accelerators, d), out.AcceleratorKg+d.MassKg
		if a.Kind == calciumChloride {
			out.ChlorideIonPct += mix.ChloridePct(a.DosePct, product(a))
		}
	}
}

// product is the form a calcium chloride is dosed in, flake when not given.
func product(a Admixture) concrete.Product {
	if a.Product == "" {
		return concrete.Flake
	}
	return concrete.Product(a.Product)
}

// batching is the batching of the job's start.
func (j *job) batching() batching {
	start := j.c.Pour.StartsAt
	haul := start.Sub(j.c.Pour.BatchedAt)
	return j.c.batching(j.limits, j.wx.at(start.Add(-haul)).airC, j.wx.meanAirC(start.Add(-24*time.Hour), start))
}

// warmestPlacedC is the warmest concrete the plant can deliver at the job's start
// with its water and within the published maxima.
func (j *job) warmestPlacedC() float64 {
	b := j.batching()
	b.materials.WaterC = b.capC
	mixedC := math.Min(b.materials.TempC(), math.Min(b.limits.mixMaxC, j.limits.value("batch.concrete_max_c")))
	warmest := j.c.Firm.Units.wholeBelow(math.Min(b.placedC(mixedC), b.limits.placeMaxC))
	return math.Max(warmest, j.batch.PlacedTempC)
}

// assumeBatch notes what stood in for temperatures that were not given.
func (j *job) assumeBatch() {
	if j.c.Pour.Plant.AggregateTempC == nil {
		b := j.batching()
		j.assumed = append(j.assumed, Assumption{
			Pointer: "/pour/plant/aggregate_temp_c", Value: tenth(b.materials.Aggregates[0].TempC),
			Reason: "mean air of the day before, not below 2 °C: stockpiles follow the air, and frozen lumps may not be batched",
		})
	}
	if j.c.Pour.PlacedTempC == nil {
		j.assumed = append(j.assumed, Assumption{
			Pointer: "/pour/placed_temp_c", Value: tenth(j.batch.PlacedTempC), Reason: "what the plant delivers",
		})
	}
}

// tenth is x to one decimal.
func tenth(x float64) float64 { return math.Round(x*10) / 10 }
