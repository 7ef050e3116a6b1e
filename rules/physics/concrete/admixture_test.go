package concrete_test

import (
	"testing"

	"frostgate/rules/physics/concrete"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Table of the reference, doses as named there.
func TestAcceleratorTable(t *testing.T) {
	for name, c := range map[string]struct{ want, got concrete.Accelerator }{
		"none":            {concrete.NoAccelerator, concrete.CalciumChloride(0, concrete.Flake)},
		"1 % flake":       {concrete.Accelerator{Set: 1.35, Heat: 1.35, Strength: 1.30, FreezeShiftC: -.7}, concrete.CalciumChloride(1, concrete.Flake)},
		"2 % flake":       {concrete.Accelerator{Set: 1.70, Heat: 1.75, Strength: 1.60, FreezeShiftC: -1.4}, concrete.CalciumChloride(2, "")},
		"more than 2 %":   {concrete.CalciumChloride(2, concrete.Flake), concrete.CalciumChloride(5, concrete.Flake)},
		"non-chloride":    {concrete.Accelerator{Set: 1.35, Heat: 1.20, Strength: 1.20, FreezeShiftC: -1.0}, concrete.NonChloride(1.41)},
		"high":            {concrete.Accelerator{Set: 1.60, Heat: 1.35, Strength: 1.35, FreezeShiftC: -1.8}, concrete.NonChloride(4)},
		"joined":          {concrete.Accelerator{Set: 1.35, Heat: 1.35, Strength: 1.30, FreezeShiftC: -1.8}, concrete.CalciumChloride(1, concrete.Flake).And(concrete.Accelerator{Set: 1, Heat: 1, Strength: 1, FreezeShiftC: -1.8})},
		"negative dose":   {concrete.NoAccelerator, concrete.NonChloride(-1)},
		"unknown product": {concrete.CalciumChloride(1, concrete.Flake), concrete.CalciumChloride(1, "powder")},
	} {
		require.InDelta(t, c.want.Set, c.got.Set, 1e-12, name)
		require.InDelta(t, c.want.Heat, c.got.Heat, 1e-12, name)
		require.InDelta(t, c.want.Strength, c.got.Strength, 1e-12, name)
		require.InDelta(t, c.want.FreezeShiftC, c.got.FreezeShiftC, 1e-12, name)
	}
}

// The same calcium chloride acts alike in every product.
func TestProductBasis(t *testing.T) {
	for _, p := range []concrete.Product{concrete.Flake, concrete.Pellet, concrete.Anhydrous, concrete.Liquid} {
		share, ok := concrete.CalciumChlorideShare(p)
		require.True(t, ok)
		got := concrete.CalciumChloride(1.0/share, p)
		require.InDelta(t, concrete.CalciumChloride(1, concrete.Anhydrous).Set, got.Set, 1e-12, p)
	}
	_, ok := concrete.CalciumChlorideShare("powder")
	require.False(t, ok)
}

// Freezing shift of 2 % of 77 % flake at w/c 0.48: 0.289 mol/kg x 1.858 K kg/mol x
// 2.5 gives 1.34 C (cryoscopic constant of water).
func TestFreezingShift(t *testing.T) {
	molPerKg := .02 * .77 / .48 / .11098
	require.InDelta(t, molPerKg*1.858*2.5, -concrete.CalciumChloride(2, concrete.Flake).FreezeShiftC, .1)
}

// Neville: 1 % hardens as if 6.1 C warmer, 1.42 at 20 C and 1.45 at 10 C; the value
// in use stays below it.
func TestOnePercentAgainstNeville(t *testing.T) {
	at := func(c float64) float64 { return concrete.Arr(c+6.1, 5000) / concrete.Arr(c, 5000) }
	require.InDelta(t, 1.42, at(20), .005)
	require.InDelta(t, 1.45, at(10), .005)
	require.Less(t, concrete.CalciumChloride(1, concrete.Flake).Strength, at(20))
}

func TestWaterReducer(t *testing.T) {
	require.InDelta(t, 1, concrete.WaterReducerSetFactor(0), 0)
	rapid.Check(t, func(t *rapid.T) {
		a := rapid.Float64Range(.01, 3).Draw(t, "dose")
		b := a + rapid.Float64Range(0, 3).Draw(t, "more")
		require.GreaterOrEqual(t, concrete.WaterReducerSetFactor(a), 1.05) // published 1.05 to 1.2
		require.LessOrEqual(t, concrete.WaterReducerSetFactor(b), 1.2+1e-12)
		require.LessOrEqual(t, concrete.WaterReducerSetFactor(a), concrete.WaterReducerSetFactor(b))
	})
	plain, ordinary, strong := model(t, concrete.Mix{}), model(t, concrete.Mix{WaterReducerPct: .25}), model(t, concrete.Mix{WaterReducerPct: .5})
	require.InDelta(t, plain.FinalSetH, ordinary.FinalSetH, 1e-12, "the field factor holds the ordinary dose")
	require.Greater(t, strong.FinalSetH, ordinary.FinalSetH)
}

// More accelerator never slows anything.
func TestDoseLaw(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := rapid.Float64Range(0, 4).Draw(t, "dose")
		b := a + rapid.Float64Range(0, 2).Draw(t, "more")
		for _, effect := range []func(float64) concrete.Accelerator{
			concrete.NonChloride,
			func(d float64) concrete.Accelerator { return concrete.CalciumChloride(d, concrete.Liquid) },
		} {
			lo, hi := effect(a), effect(b)
			require.LessOrEqual(t, lo.Set, hi.Set)
			require.LessOrEqual(t, lo.Heat, hi.Heat)
			require.LessOrEqual(t, lo.Strength, hi.Strength)
			require.GreaterOrEqual(t, lo.FreezeShiftC, hi.FreezeShiftC)
		}
	})
}
