package concrete_test

import (
	"testing"

	"frostgate/rules/physics/concrete"

	"github.com/stretchr/testify/require"
)

// E11 to E13 on the demo mix, independent computation.
func TestThermalProperties(t *testing.T) {
	m := model(t, concrete.Mix{})
	require.InDelta(t, 2.394, m.ConductivityWmK(0), 5e-4)
	require.InDelta(t, 2.097, m.ConductivityWmK(.5), 5e-4)
	require.InDelta(t, 2.49935e6, m.HeatCapacityJM3K(0, 15), 20)
	require.InDelta(t, 2.44404e6, m.HeatCapacityJM3K(.5, 20), 20)
	for degree, want := range map[float64]float64{0: 159.47, .2: 131.56, .5: 89.70} {
		require.InDelta(t, want, m.FreezableWaterKgM3(degree), .01)
	}
	require.Zero(t, model(t, concrete.Mix{WaterKgM3: 60}).FreezableWaterKgM3(.6), "never below zero")

	// Ice in place of water: 4187 less 2090 J/kg K; fusion 334 kJ/kg.
	require.InDelta(t, m.HeatCapacityJM3K(.2, 0)-131.56*(4187-2090), m.FrozenHeatCapacityJM3K(.2, 0), 20)
	require.InDelta(t, 131.56*334e3, m.LatentJM3(.2), 4e3)
}

// E14: the freezing point with accelerators, and the share that stays liquid.
func TestFreezingPoint(t *testing.T) {
	plain := model(t, concrete.Mix{})
	require.InDelta(t, -1, plain.FreezingPointC, 0)
	require.InDelta(t, 1, plain.UnfrozenShare(-.99), 0)
	require.InDelta(t, .5, plain.UnfrozenShare(-2), 1e-12)
	high := model(t, concrete.Mix{Accelerator: concrete.NonChloride(2.64)})
	require.InDelta(t, -2.8, high.FreezingPointC, 1e-12)
}
