package rules

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

const (
	lbYd3 = 0.593276 // kg/m3
	yd3   = 0.764554857984
)

// basisMix is the mix behind the mixing-water chart of PCA (MEM-H): aggregates
// 3,000 lb, moisture 60 lb, added water 240 lb, cement 564 lb per cubic yard.
func basisMix(solidsF float64) func(*Case) {
	return func(c *Case) {
		p := &c.Pour
		p.Mix = Mix{CementType: "I", CementKgM3: 564 * lbYd3, WaterKgM3: 300 * lbYd3, AggregateKgM3: 3000 * lbYd3, StrengthMPa: 27.6}
		p.PlacedTempC = nil
		p.Plant = Plant{
			AggregateTempC: new(celsius(solidsF)), CementTempC: new(celsius(solidsF)), AggregateMoisturePct: new(2.0), WaterMaxC: new(100.0),
		}
	}
}

// ordered is the batching of a case in air of airF, with haul in hours.
func ordered(c Case, airF, haulH float64) (batching, Batch) {
	c.Pour.BatchedAt = c.Pour.StartsAt.Add(-hours(haulH))
	c, _ = c.withDefaults()
	l, _ := c.limits()
	return c.batching(l, celsius(airF), celsius(airF)), c.orderBatch(l, celsius(airF), celsius(airF))
}

// TestWaterForTarget are the worked examples of the as-mixed formula (ACI 306R,
// PCA) on the basis mix: 40 F materials need water of 152.9 F for 65 F as mixed,
// 107.8 F for 55 F; 36 F materials 144.4 F for 60 F. The target follows from
// section and air, with nothing lost on the road.
func TestWaterForTarget(t *testing.T) {
	for _, x := range []struct{ solidsF, inches, airF, targetF, waterF float64 }{
		{40, 4, 25, 65, 152.9},  // line 3, under 12 in
		{40, 48, 25, 55, 107.8}, // line 3, 36 to 72 in
		{36, 16, -5, 65, 167.0}, // line 4, 12 to 36 in: chart of the same mix
		{36, 24, 20, 60, 144.4}, // line 3, 12 to 36 in
		{50, 4, 35, 60, 95.2},   // line 2, under 12 in: same chart
		{50, 100, 20, 50, 50},   // line 3, over 72 in: everything at the target
	} {
		c := with(demoCase(), basisMix(x.solidsF))
		c.Pour.ThicknessMM = x.inches * inchMM
		b, out := ordered(c, x.airF, 0)
		require.InDelta(t, x.targetF, fahrenheit(b.targetC), 1e-6)
		require.Equal(t, "table", out.Governs)
		require.InDelta(t, x.waterF, fahrenheit(*out.WaterTempC), 0.05)
		require.InDelta(t, x.targetF, fahrenheit(out.MixedTempC), 0.01)
		require.False(t, out.WaterCapped)
	}
}

// TestHaul are the worked examples of the delivery rule (306R-88 3.8, coefficients
// MEM-H): what the mixer has to give, and whether haul or table asks for it.
func TestHaul(t *testing.T) {
	for _, x := range []struct {
		truck                   string
		inches, airF, haulH     float64
		placedF, atMixerF, drop float64
		governs                 string
	}{
		{"drum", 24, 20, 1, 50, 60, 8, "table"}, // 57.5 by haul, line 3 asks 60
		{"covered_dump", 24, 20, 1, 50, 60, 60 - (60+.1*20)/1.1, "table"},
		{"drum", 4, 10, 0.75, 55, 65, 65 - (65+.1875*10)/1.1875, "table"}, // 63.4 by haul: 65 governs
		{"drum", 4, 25, 1.5, 55, 66.25, 11.25, "haul"},
	} {
		c := with(demoCase(), basisMix(45))
		c.Pour.ThicknessMM, c.Pour.Plant.Truck = x.inches*inchMM, x.truck
		b, out := ordered(c, x.airF, x.haulH)
		require.InDelta(t, x.placedF, fahrenheit(out.PlacingMinC), 1e-6)
		require.InDelta(t, x.atMixerF, fahrenheit(b.targetC), 1e-6)
		require.InDelta(t, x.atMixerF, fahrenheit(out.MixedTempC), 0.01)
		require.InDelta(t, x.drop, out.HaulDropC*1.8, 0.01)
		require.Equal(t, x.governs, out.Governs)
		require.GreaterOrEqual(t, out.PlacedTempC, out.PlacingMinC-1e-9)
	}
}

// TestOrderedTemperature: 50 F asked for at placing after 1 h of drum in 20 F air
// leaves the mixer at 57.5 F, in a covered dump at 53.0, in an open one at 56.0
// (306R example, rounded to 58 there).
func TestOrderedTemperature(t *testing.T) {
	for truck, want := range map[string]float64{"drum": 57.5, "covered_dump": 53, "open_dump": 56} {
		c := with(demoCase(), basisMix(45))
		c.Pour.PlacedTempC, c.Pour.Plant.Truck = new(celsius(50)), truck
		_, out := ordered(c, 20, 1)
		require.InDelta(t, want, fahrenheit(out.MixedTempC), 0.01)
		require.InDelta(t, 50, fahrenheit(out.PlacedTempC), 0.01)
		require.Equal(t, "haul", out.Governs)
	}
}

// TestFrozenMoisture: aggregates at 20 F with 60 lb of frozen moisture, cement at
// 40 F and water at 180 F give 50.1 F; 55 F would take 202.3 F, so that the
// aggregates have to be heated.
func TestFrozenMoisture(t *testing.T) {
	c := with(demoCase(), basisMix(20))
	c.Pour.Plant.CementTempC, c.Pour.Plant.WaterMaxC = new(celsius(40)), new(100.0)
	c.Pour.ThicknessMM = 48 * inchMM // 55 F as mixed in air of 25 F
	b, out := ordered(c, 25, 0)
	require.InDelta(t, 55, fahrenheit(b.targetC), 1e-6)
	require.InDelta(t, 202.3, fahrenheit(b.heat.WaterNeededC), 0.3) // printed with 128 for 128.0
	require.True(t, out.WaterCapped)
	require.InDelta(t, 82, *out.WaterTempC, 1e-9, "the published ceiling caps a plant that could do more")
	require.InDelta(t, 50.1, fahrenheit(out.MixedTempC), 0.3) // 180 F is 82.2 C
	require.Zero(t, b.heat.AggregatesC, "thawed is warm enough")
	c.Pour.BatchedAt = c.Pour.StartsAt
	c.Weather = dryHours(100, steady(25))
	r := jobOf(t, c).batchWaterTooHot()[0].Remedy
	require.True(t, r.Passes)
	require.Equal(t, "Heat the aggregates to 36 °F besides water at 180 °F.", r.Sentence)
}

// TestDeliveredNear70 is a trade fact (common practice, no source): hot water near
// 160 F gives delivered concrete near 70 to 75 F with near-freezing aggregates.
// The formula comes near it with cement as warm as it leaves a silo.
func TestDeliveredNear70(t *testing.T) {
	c := with(demoCase(), basisMix(34))
	c.Pour.Plant.CementTempC, c.Pour.Plant.WaterMaxC = new(celsius(120)), new(celsius(160))
	c.Pour.PlacedTempC = new(celsius(75))
	_, out := ordered(c, 30, 0.5)
	t.Logf("water 160 F, aggregates 34 F, cement 120 F: %.0f F as mixed, %.0f F at placing", fahrenheit(out.MixedTempC), fahrenheit(out.PlacedTempC))
	require.InDelta(t, 72, fahrenheit(out.MixedTempC), 5)
}

// TestOrderVolume are worked examples of quantities: 20 x 30 ft x 4 in is 7.41
// yd3 and 8.25 with 10 % in quarter yards; a footing of 100 ft x 16 x 8 in is 3.29;
// a wall of 100 x 8 ft x 8 in is 19.75 and takes three trucks of 9 yd3 with 2 %; 6 x
// 9 m x 100 mm is 5.40 m3.
func TestOrderVolume(t *testing.T) {
	const ft = 304.8
	for name, x := range map[string]struct {
		change          func(*Case)
		net, order, per float64
		trucks          int
	}{
		"slab": {func(c *Case) {
			c.Pour.AreaM2, c.Pour.ThicknessMM, c.Pour.WastePct = 600*m2PerFt2, 4*inchMM, new(10.0)
		}, 7.41, 8.25, yd3, 1},
		"footing": {func(c *Case) {
			c.Pour.Element, c.Pour.LengthMM, c.Pour.WidthMM, c.Pour.ThicknessMM = Footing, 100*ft, 16*inchMM, 8*inchMM
			c.Pour.WastePct = new(5.0)
		}, 3.29, 3.50, yd3, 1},
		"wall": {func(c *Case) {
			c.Pour.Element, c.Pour.LengthMM, c.Pour.HeightMM, c.Pour.ThicknessMM = Wall, 100*ft, 8*ft, 8*inchMM
			c.Pour.WastePct, c.Pour.Plant.TruckM3 = new(2.0), 9*yd3
		}, 19.75, 20.25, yd3, 3},
		"metric": {func(c *Case) {
			c.Firm.Units, c.Pour.AreaM2, c.Pour.ThicknessMM, c.Pour.WastePct = UnitsSI, 54, 100, new(5.0)
		}, 5.40, 5.75, 1, 1},
		"as drawn": {func(c *Case) {
			c.Firm.Units, c.Pour.VolumeM3, c.Pour.WastePct = UnitsSI, new(20.0), new(0.0)
		}, 20, 20, 1, 3},
	} {
		_, out := ordered(with(demoCase(), x.change), 30, 0.75)
		require.InDelta(t, x.net, out.VolumeM3/x.per, 0.01, name)
		require.InDelta(t, x.order, out.OrderM3/x.per, 1e-9, name)
		require.Equal(t, x.trucks, out.Trucks, name)
		if x.trucks > 1 {
			require.Greater(t, out.TruckSpacingMin, 0.0)
		} else {
			require.Zero(t, out.TruckSpacingMin)
		}
	}
}

// TestDoses: 2 % calcium chloride on 564 lb of cement is 11.28 lb per yd3; flake
// comes in bags of 50 lb, solutions by the litre.
func TestDoses(t *testing.T) {
	c := with(demoCase(), basisMix(50))
	c.Pour.VolumeM3, c.Pour.WastePct = new(10*yd3), new(0.0)
	c.Pour.Mix.Admixtures = []Admixture{
		{Kind: calciumChloride, DosePct: 2},
		{Kind: nonchloride, DosePct: 1},
		{Kind: waterReducer, DosePct: .3},
		{Kind: calciumChloride, DosePct: 1, Product: "liquid"},
	}
	_, out := ordered(c, 30, 0.75)
	require.Len(t, out.Accelerators, 3)
	require.InDelta(t, 112.8, out.Accelerators[0].MassKg/kgPerLb, 0.01)
	require.Equal(t, 3, *out.Accelerators[0].Bags)
	require.Nil(t, out.Accelerators[0].Litres)
	require.Nil(t, out.Accelerators[1].Bags)
	require.InDelta(t, 5640*kgPerLb*.01/1.35, *out.Accelerators[1].Litres, 0.1)
	require.NotNil(t, out.Accelerators[2].Litres)
}

// TestChlorideByExposure: 2 % of 77 % flake brings 0.98 % chloride: C0 (1.00)
// passes, C1 (0.30), C2 (0.15) and prestressed (0.06) do not (ACI 318-19 Table
// 19.3.2.1). The largest doses of anhydrous are 0.47, 0.23 and 0.09 %.
func TestChlorideByExposure(t *testing.T) {
	for exposure, passes := range map[Exposure]bool{ExposureC0: true, ExposureC1: false, ExposureC2: false, ExposurePrestressed: false, "": true} {
		c := with(demoCase(), func(c *Case) { c.Pour.Exposure, c.Pour.Reinforced = exposure, false })
		j := jobOf(t, c)
		require.InDelta(t, 0.98, j.batch.ChlorideIonPct, 0.005)
		require.Equal(t, exposure == "", j.batch.ChlorideLimitPct == nil)
		f := j.batchChlorideLimit()
		require.Equal(t, passes, len(f) == 0, exposure)
		if !passes {
			require.Equal(t, EffectProtect, f[0].Effect)
			require.Equal(t, "nonchloride_accelerator", f[0].Remedy.Kind)
			require.InDelta(t, -(j.batch.ChlorideIonPct - *j.batch.ChlorideLimitPct), *f[0].Margin, 1e-12)
		}
	}
	for exposure, most := range map[Exposure]float64{ExposureC1: 0.47, ExposureC2: 0.23, ExposurePrestressed: 0.09} {
		dose := func(pct float64) []Finding {
			return jobOf(t, with(demoCase(), func(c *Case) {
				c.Pour.Exposure = exposure
				c.Pour.Mix.Admixtures = []Admixture{{Kind: calciumChloride, Product: "anhydrous", DosePct: pct}}
			})).batchChlorideLimit()
		}
		require.Empty(t, dose(most-0.005), exposure)
		require.Len(t, dose(most+0.01), 1, exposure)
	}
}

func TestReinforcedIsC1(t *testing.T) {
	j := jobOf(t, with(demoCase(), func(c *Case) { c.Pour.Exposure = "" }))
	require.InDelta(t, 0.30, *j.batch.ChlorideLimitPct, 1e-12)
	require.Equal(t, "The accelerator brings chloride of 0.98 % of cement, over the 0.3 % for moist reinforced (C1) concrete.", j.batchChlorideLimit()[0].Sentence)
	require.Equal(t, "Order a non-chloride accelerator (2.64 % of product by mass of cement) instead, or at most 0.6 % flake.", j.batchChlorideLimit()[0].Remedy.Sentence)
}

// TestTooMuchCalciumChloride: 2 % by mass of cement at most (ACI).
func TestTooMuchCalciumChloride(t *testing.T) {
	f := jobOf(t, with(demoCase(), func(c *Case) {
		c.Pour.Reinforced, c.Pour.Exposure = false, ""
		c.Pour.Mix.Admixtures = []Admixture{{Kind: calciumChloride, DosePct: 1.5}, {Kind: calciumChloride, DosePct: 1}}
	})).batchChlorideLimit()
	require.Len(t, f, 1)
	require.InDelta(t, -0.5, *f[0].Margin, 1e-12)
	require.Equal(t, "A10-01", f[0].Source.ID)
}

// plantOf is a plant that says what it has and can do.
func plantOf(aggregateF, waterMaxF float64) func(*Case) {
	return func(c *Case) {
		c.Weather = dryHours(200, steady(20))
		c.Pour.PlacedTempC = nil
		c.Pour.Plant = Plant{AggregateTempC: new(celsius(aggregateF)), WaterMaxC: new(celsius(waterMaxF)), CementTempC: new(celsius(50))}
	}
}

// TestHotWaterIsCharged: above 140 F coarse aggregate and water go first and cement
// last (ACI 306R-16 5.3).
func TestHotWaterIsCharged(t *testing.T) {
	j := jobOf(t, with(demoCase(), plantOf(45, 180)))
	f := j.batchWaterTooHot()
	require.Len(t, f, 1)
	require.Equal(t, Note, f[0].Effect)
	require.Equal(t, "A7-01", f[0].Source.ID)
	require.Greater(t, *f[0].Observed, 60.0)
	require.Less(t, *f[0].Observed, 82.0)
	require.Equal(t, "charge_order", f[0].Remedy.Kind)
	require.Empty(t, j.batchPlacingTempLow())

	require.Empty(t, jobOf(t, with(demoCase(), plantOf(60, 180))).batchWaterTooHot())
}

// TestPlantAtItsLimit: a plant that says what it has and reaches too little moves
// the pour; the same with stockpiles that are only assumed asks to heat them.
func TestPlantAtItsLimit(t *testing.T) {
	stated := jobOf(t, with(demoCase(), plantOf(34, 140)))
	require.Empty(t, stated.batchWaterTooHot(), "one finding speaks")
	cold := stated.batchPlacingTempLow()
	require.Len(t, cold, 1)
	require.Equal(t, "Mixing water at its limit of 140 °F gives 50 °F at placing, below the 55 °F for concrete 5 in thick.", cold[0].Sentence)
	require.Equal(t, EffectMove, cold[0].Effect)
	require.Equal(t, "heat_aggregates", cold[0].Remedy.Kind)
	require.False(t, cold[0].Remedy.AtHand)
	require.True(t, cold[0].Remedy.Passes)

	ordered := jobOf(t, with(with(demoCase(), plantOf(34, 140)), func(c *Case) { c.Pour.PlacedTempC = new(20.0) }))
	water := ordered.batchWaterTooHot()
	require.Len(t, water, 1)
	require.Equal(t, EffectProtect, water[0].Effect, "the assessment rests on what does not come")
	require.Empty(t, ordered.batchPlacingTempLow())

	assumed := jobOf(t, with(with(demoCase(), plantOf(34, 140)), func(c *Case) { c.Pour.Plant.AggregateTempC = nil }))
	require.Equal(t, EffectProtect, assumed.batchPlacingTempLow()[0].Effect)
	require.True(t, assumed.batchPlacingTempLow()[0].Remedy.AtHand)
}

// TestRemediesReachTheirTarget: what a remedy orders passes in the batch itself.
func TestRemediesReachTheirTarget(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		c := with(demoCase(), plantOf(rapid.Float64Range(10, 60).Draw(rt, "aggregates"), rapid.Float64Range(60, 180).Draw(rt, "water")))
		c.Weather = dryHours(60, steady(rapid.Float64Range(-20, 45).Draw(rt, "air")))
		c.Pour.ThicknessMM = rapid.Float64Range(75, 2500).Draw(rt, "mm")
		if rapid.Bool().Draw(rt, "ordered") {
			c.Pour.PlacedTempC = new(rapid.Float64Range(0, 12).Draw(rt, "placed"))
		}
		j := jobOf(t, c)
		for _, f := range j.batchPlacingTempLow() {
			if f.Remedy == nil {
				continue
			}
			cured := j.c
			switch cured.Pour.PlacedTempC = nil; f.Remedy.Kind {
			case "hotter_water":
				require.LessOrEqual(rt, *f.Remedy.ValueC, *cured.Pour.Plant.WaterMaxC+1e-9)
			case "heat_aggregates":
				cured.Pour.Plant.AggregateTempC = new(*f.Remedy.ValueC + 1e-6)
			}
			if !f.Remedy.Passes {
				continue
			}
			again := jobOf(t, cured)
			require.GreaterOrEqual(rt, again.batch.PlacedTempC, again.batch.PlacingMinC-slackC)
			require.Empty(rt, again.batchPlacingTempLow())
		}
	})
}

// TestOrderedColderThanTheTable: 50 F for a 5 in slab is under the 55 F of ACI
// 306R; hotter water lifts it.
func TestOrderedColderThanTheTable(t *testing.T) {
	c := with(demoCase(), plantOf(50, 180))
	c.Pour.PlacedTempC = new(celsius(50))
	f := jobOf(t, c).batchPlacingTempLow()
	require.Len(t, f, 1)
	require.Equal(t, EffectProtect, f[0].Effect)
	require.Equal(t, "hotter_water", f[0].Remedy.Kind)
	require.Equal(t, "Concrete is 50 °F at placing, below the 55 °F for concrete 5 in thick.", f[0].Sentence)

	c.Pour.Observations = []Observation{{Kind: "concrete_temp", At: c.Pour.StartsAt, Value: celsius(52)}}
	f = jobOf(t, c).batchPlacingTempLow()
	require.Nil(t, f[0].Remedy, "what has been measured cannot be ordered again")
	require.InDelta(t, 52, fahrenheit(*f[0].Observed), 1e-9)
}

// TestTooWarm: over the range by 20 F (306R-88 3.1) is a note in cold weather and
// nothing in summer; over 90 F (ASTM C94-15a 12.11) more than that.
func TestTooWarm(t *testing.T) {
	at := func(placedF, airF float64) []Finding {
		c := under(steady(airF))
		c.Pour.PlacedTempC = new(celsius(placedF))
		return jobOf(t, c).batchPlacingTempHigh()
	}
	require.Empty(t, at(75, 30))
	require.Equal(t, Note, at(76, 30)[0].Effect)
	require.Equal(t, EffectProtect, at(92, 30)[0].Effect)
	require.Equal(t, "A7-13", at(92, 30)[0].Source.ID)
	require.Empty(t, at(76, 60))
}

// cold55 is a plain mix ordered at 55 F in air of 50 F, for which no water has to
// be hot.
func cold55(c *Case) {
	c.Pour.Mix.Admixtures, c.Pour.PlacedTempC = nil, new(celsius(55))
	c.Weather = dryHours(200, steady(50))
}

// TestDischarge: 90 min to the end of discharge (ASTM C94, 2013 to 2020), 75 with
// an accelerator (common practice, no source).
func TestDischarge(t *testing.T) {
	after := func(haulMin float64, change func(*Case)) (*job, []Finding) {
		c := with(demoCase(), change)
		c.Pour.BatchedAt = c.Pour.StartsAt.Add(-hours(haulMin / 60))
		c.Pour.Plant.TruckM3, c.Pour.Crew.PlaceM3H = 7.5, 15 // 30 min to unload
		j := jobOf(t, c)
		return j, j.haulDischargeTime()
	}
	plain := cold55
	_, f := after(60, plain)
	require.Empty(t, f)
	_, f = after(61, plain)
	require.Len(t, f, 1)
	require.Equal(t, EffectProtect, f[0].Effect)
	require.Equal(t, "smaller_loads", f[0].Remedy.Kind)
	require.True(t, f[0].Remedy.Passes)
	require.Equal(t, demoStart.Add(29*time.Minute), f[0].FirstAt.UTC())
	_, f = after(100, plain)
	require.Equal(t, "ticket_limit", f[0].Remedy.Kind)
	require.False(t, f[0].Remedy.Passes)

	j, f := after(50, func(*Case) {})
	require.Equal(t, Note, f[0].Effect)
	require.Equal(t, standingPractice, f[0].Source.Standing)
	require.InDelta(t, 90, j.dischargeMin(), 0, "ASTM C94 rules")
	require.InDelta(t, 75, j.dischargeBestMin(), 0, "practice asks for less")
}

// TestDischargeBy: the time of the code rules, or that on the ticket, or the
// authority's where it is sooner; practice's shorter one stands beside it.
func TestDischargeBy(t *testing.T) {
	by := func(change func(*Case)) (limit, best float64) {
		c := with(demoCase(), change)
		tl := Assess(c, Options{}).Timeline
		after := func(at *time.Time) float64 {
			if at == nil {
				return 0
			}
			return at.Sub(c.Pour.BatchedAt).Minutes()
		}
		return after(tl.DischargeBy), after(tl.DischargeBestBy)
	}
	for _, x := range []struct {
		name        string
		change      func(*Case)
		limit, best float64
	}{
		{"accelerated, ASTM C94", func(*Case) {}, 90, 75},
		{"no accelerator, cool water", func(c *Case) { cold55(c); noAccelerator(c) }, 90, 0},
		{"ticket", func(c *Case) {
			c.Firm.Limits = []LimitChange{{Limit: "haul.discharge_min", Value: 120, Override: true, Reason: "ticket (C94-21)"}}
		}, 120, 75},
		{"authority", func(c *Case) {
			c.Site.LocalRules = []LocalRule{{Name: "Town", Kind: localDischarge, Value: 60}}
		}, 60, 0},
		{"BS 8500", byCode(CodeEN), 120, 75},
		{"DIN 1045-2", byCode(CodeDIN), 90, 75},
	} {
		limit, best := by(x.change)
		require.InDelta(t, x.limit, limit, 0.02, x.name)
		require.InDelta(t, x.best, best, 0.02, x.name)
	}
}

// TestAggregatesFollowTheAirButThaw: stockpiles are at the mean of the day before,
// not below 2 °C unless the plant says so.
func TestAggregatesFollowTheAirButThaw(t *testing.T) {
	for airF, want := range map[float64]float64{50: 10, 20: 2} {
		c := with(under(steady(airF)), func(c *Case) { c.Pour.PlacedTempC = nil })
		j := jobOf(t, c)
		require.InDelta(t, want, j.batching().materials.Aggregates[0].TempC, 1e-9)
		n := len(j.assumed)
		j.assumeBatch()
		require.Equal(t, "/pour/plant/aggregate_temp_c", j.assumed[n].Pointer)
		require.InDelta(t, want, j.assumed[n].Value, 1e-9)
		require.Equal(t, "/pour/placed_temp_c", j.assumed[n+1].Pointer)
	}
	frozen := with(under(steady(20)), func(c *Case) { c.Pour.Plant.AggregateTempC = new(-5.0) })
	require.InDelta(t, -5, jobOf(t, frozen).batching().materials.Aggregates[0].TempC, 1e-12)
}

// TestWarmestPlaced is within the table's range and never under what is ordered.
func TestWarmestPlaced(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		c := with(demoCase(), plantOf(rapid.Float64Range(10, 80).Draw(rt, "aggregates"), rapid.Float64Range(60, 180).Draw(rt, "water")))
		j := jobOf(t, c)
		warmest := j.warmestPlacedC()
		require.GreaterOrEqual(rt, warmest, j.batch.PlacedTempC)
		require.LessOrEqual(rt, warmest, max(j.batch.PlacingMaxC, j.batch.PlacedTempC))
	})
}

// TestBatchIsAlwaysANumber: any accepted plant and mix, in any air.
func TestBatchIsAlwaysANumber(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		c := demoCase()
		c.Pour.PlacedTempC = nil
		c.Pour.Mix.WaterKgM3 = rapid.Float64Range(90, 250).Draw(rt, "water")
		c.Pour.Plant = Plant{
			AggregateTempC: new(rapid.Float64Range(-50, 60).Draw(rt, "aggregate")), CementTempC: new(rapid.Float64Range(-40, 90).Draw(rt, "cement")),
			AggregateMoisturePct: new(rapid.Float64Range(0, 20).Draw(rt, "moisture")), WaterMaxC: new(rapid.Float64Range(0, 100).Draw(rt, "waterMax")),
			TruckM3: rapid.Float64Range(0.5, 20).Draw(rt, "truck"), Truck: rapid.SampledFrom([]string{"", "drum", "covered_dump", "open_dump"}).Draw(rt, "kind"),
		}
		require.Empty(rt, c.Pour.Violations())
		b, out := ordered(c, rapid.Float64Range(-60, 100).Draw(rt, "air"), rapid.Float64Range(0, 4).Draw(rt, "haul"))
		for _, v := range []float64{b.targetC, b.heat.WaterNeededC, b.heat.AggregatesC, out.MixedTempC, out.PlacedTempC, out.HaulDropC, out.OrderM3, out.TruckSpacingMin} {
			require.False(rt, v != v || v > 1e6 || v < -1e6, "%+v", out)
		}
		require.GreaterOrEqual(rt, out.OrderM3, out.VolumeM3)
		require.LessOrEqual(rt, b.heat.WaterC, b.capC+1e-9)
	})
}

// TestPlantDemand: the basis mix of PCA's chart takes 240 lb of added water per
// cubic yard, at 152.9 F for 65 F as mixed; to heat 1 kg of water by 1 K takes
// 4.186 kJ (15 C calorie, NIST SP 811). 2 % calcium chloride of 564 lb is 11.28 lb.
func TestPlantDemand(t *testing.T) {
	c := with(demoCase(), basisMix(40))
	c.Pour.ThicknessMM, c.Pour.WastePct, c.Pour.VolumeM3 = 4*inchMM, new(0.0), new(10*yd3)
	c.Pour.Mix.Admixtures = []Admixture{{Kind: calciumChloride, DosePct: 2}}
	_, out := ordered(c, 25, 0)
	require.InDelta(t, 10*yd3, out.OrderM3, 1e-9)
	waterKg := 2400 * kgPerLb
	require.InDelta(t, waterKg, *out.HotWaterL, 0.5)
	require.InDelta(t, waterKg*4.186e-3*(celsius(152.9)-defaultColdWaterC), *out.WaterHeatMJ, 1)
	require.InDelta(t, 112.8*kgPerLb, out.AcceleratorKg, 0.05)

	warm := with(c, basisMix(60))
	warm.Pour.PlacedTempC = new(8.0)
	_, out = ordered(warm, 25, 0)
	require.Nil(t, out.WaterTempC, "nothing to heat")
	require.Nil(t, out.HotWaterL)
	require.Nil(t, out.WaterHeatMJ)

	c.Pour.VolumeM3, c.Pour.WastePct = nil, new(10.0)
	drawn, withWaste := c.Pour.Volumes()
	require.InDelta(t, 70*0.1016, drawn, 1e-9, "area by thickness")
	require.InDelta(t, 70*0.1016*1.1, withWaste, 1e-9)
}
