package mix_test

import (
	"testing"

	"frostgate/rules/physics/mix"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func c(f float64) float64 { return (f - 32) * 5 / 9 }
func f(c float64) float64 { return c*9/5 + 32 }

// basis is the mix behind the mixing-water chart of PCA, in lb: aggregates 3000,
// moisture 60, water 240, cement 564 (from memory). Only ratios count.
func basis(aggregateF, cementF, waterF float64) mix.Batch {
	return mix.Batch{
		Aggregates: []mix.Aggregate{{MassKg: 3000, MoistureKg: 60, TempC: c(aggregateF)}},
		CementKg:   564, CementC: c(cementF),
		WaterKg: 240, WaterC: c(waterF),
	}
}

// worked examples of the as-mixed temperature, F.
func TestAsMixed(t *testing.T) {
	require.InDelta(t, 62.1, f(basis(40, 40, 140).TempC()), .05, "X-01")
	require.InDelta(t, 40, f(basis(40, 40, 40).TempC()), 1e-9, "X-02")
	require.InDelta(t, 50.1, f(basis(20, 40, 180).TempC()), .05, "X-06")

	split := mix.Batch{
		Aggregates: []mix.Aggregate{
			{MassKg: 1250, MoistureKg: 62.5, TempC: c(60)},
			{MassKg: 1800, MoistureKg: 17.5, TempC: c(25)},
		},
		CementKg: 564, CementC: c(50), WaterKg: 220, WaterC: c(150),
	}
	// X-10 prints 61.9 F, which counts the frozen moisture twice, as water and as ice.
	// By the form itself: (0.22 x 148,200 + 3,750 - 17.5 x 115.5 + 33,000) / 1,095.08.
	require.InDelta(t, 61.49, f(split.TempC()), .005, "X-10")

	quick := basis(40, 40, 140)
	quick.SolidsHeat = .20
	require.InDelta(t, 63.7, f(quick.TempC()), .05, "X-11")

	base := f(basis(40, 40, 140).TempC())
	require.InDelta(t, 2.2, f(basis(40, 40, 150).TempC())-base, .05, "X-12, water")
	require.InDelta(t, 6.6, f(basis(50, 40, 140).TempC())-base, .05, "X-12, aggregates")
	require.InDelta(t, 1.1, f(basis(40, 50, 140).TempC())-base, .05, "X-12, cement")
}

// worked examples in metric units.
func TestAsMixedMetric(t *testing.T) {
	b := mix.Batch{
		Aggregates: []mix.Aggregate{{MassKg: 1360, MoistureKg: 27, TempC: 5}},
		CementKg:   256, CementC: 5, WaterKg: 108, WaterC: 60,
	}
	require.InDelta(t, 17.1, b.TempC(), .05)
	b.Aggregates[0].TempC, b.WaterC = -5, 80
	require.InDelta(t, 10.6, b.TempC(), .05)
}

// The US form with its own constants, frozen moisture Wm (0.50 Tm - 128) and ice
// 32 - 144 = -112 (ACI 306R and 305R; from memory), by hand.
func TestAsMixedAgainstUSForm(t *testing.T) {
	const ice = 40
	num := .22*(20*3000+40*564) + 180*240 + 60*(.5*20-128) - 112*ice
	den := .22*(3000+564) + 240 + 60 + ice
	b := basis(20, 40, 180)
	b.IceKg = ice
	require.InDelta(t, num/den, f(b.TempC()), 1e-9)
}

// and A6-11 to A6-13: water temperature for a target, F.
func TestWaterForTarget(t *testing.T) {
	for _, e := range []struct{ solids, target, want float64 }{
		{36, 55, 121.8},
		{36, 60, 144.4},
		{36, 65, 167.0},
		{36, 70, 189.6},
		{40, 55, 107.8},
		{40, 60, 130.3},
		{40, 65, 152.9},
		{40, 70, 175.5},
		{50, 55, 72.6},
		{50, 60, 95.2},
		{50, 65, 117.8},
		{50, 70, 140.3},
	} {
		require.InDelta(t, e.want, f(basis(e.solids, e.solids, 0).WaterForC(c(e.target))), .06, "%v", e)
	}
	require.InDelta(t, 202.3, f(basis(20, 40, 0).WaterForC(c(55))), .05, "X-07")
}

// X-07 as an answer: water at the 180 F ceiling gives 50.1 F, so heat aggregates;
// thawed ones are enough.
func TestHeat(t *testing.T) {
	h := basis(20, 40, 0).Heat(c(55), c(40), c(180))
	require.True(t, h.Limited)
	require.InDelta(t, 202.3, f(h.WaterNeededC), .05)
	require.InDelta(t, 180, f(h.WaterC), 1e-9)
	require.InDelta(t, 50.1, f(h.MixedC), .05)
	require.Zero(t, h.AggregatesC)
	require.Greater(t, f(basis(32, 40, 180).TempC()), 55.0)

	hot := basis(35, 40, 0).Heat(c(75), c(40), c(140))
	require.True(t, hot.Limited)
	require.InDelta(t, 75, f(basis(f(hot.AggregatesC), 40, 140).TempC()), 1e-9, "aggregates as named reach the target")

	easy := basis(40, 40, 0).Heat(c(55), c(40), c(140))
	require.False(t, easy.Limited)
	require.InDelta(t, 107.8, f(easy.WaterC), .06)
	require.InDelta(t, 55, f(easy.MixedC), 1e-9)

	warm := basis(70, 70, 0).Heat(c(55), c(50), c(140))
	require.InDelta(t, 50, f(warm.WaterC), 1e-9, "water is not chilled")
	require.Greater(t, f(warm.MixedC), 55.0)
}

// Aggregates so wet that no water is added: water can't heat the batch.
func TestHeatWithoutWater(t *testing.T) {
	wet := basis(40, 40, 0)
	wet.WaterKg = 0
	h := wet.Heat(c(60), c(40), c(140))
	require.True(t, h.Limited)
	require.InDelta(t, 40, f(h.MixedC), 1e-9)
	wet.Aggregates[0].TempC = h.AggregatesC
	require.InDelta(t, 60, f(wet.TempC()), 1e-9)
	require.False(t, wet.Heat(c(50), c(40), c(140)).Limited)
}

// drawBatch is any batch of a plant.
func drawBatch(t *rapid.T) mix.Batch {
	mass := rapid.Float64Range(300, 1500)
	temp := rapid.Float64Range(-25, 40)
	share := rapid.Float64Range(0, .08)
	b := mix.Batch{
		CementKg: rapid.Float64Range(150, 600).Draw(t, "cement"), CementC: temp.Draw(t, "cement temp"),
		WaterKg: rapid.Float64Range(40, 220).Draw(t, "water"), WaterC: rapid.Float64Range(1, 95).Draw(t, "water temp"),
	}
	for range rapid.IntRange(1, 3).Draw(t, "aggregates") {
		a := mix.Aggregate{MassKg: mass.Draw(t, "mass"), TempC: temp.Draw(t, "temp")}
		a.MoistureKg = a.MassKg * share.Draw(t, "moisture")
		b.Aggregates = append(b.Aggregates, a)
	}
	return b
}

// The inverse undoes the form, warmer parts make warmer concrete, and a limited
// answer names aggregates that reach the target.
func TestBatchLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := drawBatch(t)
		require.InDelta(t, b.WaterC, b.WaterForC(b.TempC()), 1e-6)

		warmer := b
		warmer.Aggregates = append([]mix.Aggregate(nil), b.Aggregates...)
		warmer.Aggregates[0].TempC += 5
		require.Greater(t, warmer.TempC(), b.TempC())

		target := rapid.Float64Range(5, 25).Draw(t, "target")
		h := b.Heat(target, 5, 60)
		require.True(t, h.WaterC >= 5 && h.WaterC <= 60)
		if !h.Limited {
			require.GreaterOrEqual(t, h.MixedC, target-1e-9)
			return
		}
		require.Less(t, h.MixedC, target)
		heated := b
		heated.WaterC = 60
		heated.Aggregates = nil
		for _, a := range b.Aggregates {
			a.TempC = h.AggregatesC
			heated.Aggregates = append(heated.Aggregates, a)
		}
		require.GreaterOrEqual(t, heated.TempC(), target-1e-6)
	})
}
