package concrete_test

import (
	"testing"

	"frostgate/rules/physics/concrete"

	"github.com/stretchr/testify/require"
)

// Case 37: arr by independent computation of the Arrhenius form.
func TestArr(t *testing.T) {
	temps := []float64{-5, 0, 5, 10, 23, 35}
	for q, want := range map[float64][]float64{
		5000: {.203892, .286836, .398600, .547512, 1.188603, 2.293893},
		4200: {.262964, .350277, .461797, .602908, 1.156194, 2.008545},
	} {
		for i, temp := range temps {
			require.InDelta(t, want[i], concrete.Arr(temp, q), 1e-6, "Q %v at %v C", q, temp)
		}
	}
	require.InDelta(t, 1, concrete.Arr(20, 5000), 1e-12)
}

// Case 35: heat of the default I/II cement and its degree of hydration, independent
// computation; 12.5 kJ/kg is where NT BUILD 476 puts initial set.
func TestHeatCurve(t *testing.T) {
	m := model(t, concrete.Mix{})
	for te, want := range map[float64]float64{3: 4.41, 4: 11.37, 6: 30.82, 12: 90.67, 24: 164.99, 72: 259.47, 168: 301.61} {
		require.InDelta(t, want, m.HeatJM3(0, m.Degree(te))/m.CementitiousKgM3/1000, .005, "kJ/kg at %v h", te)
	}
	for te, want := range map[float64]float64{6: .065058, 12: .191385, 24: .348244, 72: .547658, 168: .636611} {
		require.InDelta(t, want, m.Degree(te), 1e-6, "degree at %v h", te)
	}
	require.InDelta(t, 4.134364, m.Hydration.AgeAt(12.5e3/m.HeatJKg), 1e-6)

	rate := func(te float64) float64 {
		const h = 1e-4
		return m.HeatJM3(m.Degree(te-h), m.Degree(te+h)) / (2 * h * 3600)
	}
	require.InDelta(t, 976.65, rate(6), .5)
	require.InDelta(t, 796.96, rate(12), .5)
}

// Case 36: adiabatic rise of the demo mix from 20 C, reference solver, step 0.02 h.
func TestAdiabatic(t *testing.T) {
	m := model(t, concrete.Mix{})
	const dt = .02
	temp, te := 20.0, 0.0
	at := map[int]float64{}
	for i := 1; i <= 72/dt; i++ {
		before := m.Degree(te)
		te += m.HeatRate(temp) * dt
		after := m.Degree(te)
		temp += m.HeatJM3(before, after) / m.HeatCapacityJM3K(after, temp)
		at[i] = temp
	}
	require.InDelta(t, 54.000, at[24/dt], .1)
	require.InDelta(t, 63.519, at[72/dt], .1)
}

// Case 38: a constructed temperature history, and case 39: Freiesleben Hansen and
// Pedersen's rate; independent computation.
func TestEquivalentAge(t *testing.T) {
	var te, datum0, datum10 float64
	for _, spell := range []struct{ hours, temp float64 }{{2, 18}, {4, 12}, {6, 8}, {12, 15}, {24, 10}} {
		te += concrete.Arr(spell.temp, 5000) * spell.hours
		datum0 += concrete.NurseSaul(spell.temp, 0, spell.hours)
		datum10 += concrete.NurseSaul(spell.temp, -10, spell.hours)
	}
	require.InDelta(t, 29.221081, te, 1e-6)
	require.InDelta(t, 552, datum0, 1e-9)
	require.InDelta(t, 1032, datum10, 1e-9)
	require.Zero(t, concrete.NurseSaul(-12, -10, 5), "nothing below the datum")

	require.InDelta(t, 2.010540, concrete.FHPRate(20)/concrete.FHPRate(10), 1e-6)
	require.InDelta(t, 3.290809, concrete.FHPRate(10)/concrete.FHPRate(0), 1e-6)
}

func TestPlowman(t *testing.T) {
	// Plowman's form by hand: a + b log10 1000.
	require.InDelta(t, 5+3*2, concrete.Plowman(5, 2, 1000), 1e-12)
}
