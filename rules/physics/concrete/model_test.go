package concrete_test

import (
	"math"
	"testing"

	"frostgate/rules/physics/concrete"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// The demo mix of the reference: 560 lb/yd3 type I/II, w/cm 0.48, 2340 kg/m3,
// 4000 psi.
const (
	lbPerYd3   = 0.593276
	demoCement = 560 * lbPerYd3
	demoWater  = 0.48 * demoCement
	demoMPa    = 4000 / concrete.PSIPerMPa
)

// model resolves a mix; what x leaves out is the demo mix with straight set times.
func model(t testing.TB, x concrete.Mix) *concrete.Model {
	t.Helper()
	if x.Cement == "" {
		x.Cement = concrete.TypeIAndII
	}
	if x.CementKgM3 == 0 {
		x.CementKgM3 = demoCement
	}
	if x.WaterKgM3 == 0 {
		x.WaterKgM3 = demoWater
	}
	if x.AggregateKgM3 == 0 {
		x.AggregateKgM3 = 2340 - demoCement - demoWater
	}
	if x.StrengthMPa == 0 {
		x.StrengthMPa = demoMPa
	}
	if x.SetFactor == 0 {
		x.SetFactor = 1
	}
	m, err := concrete.New(x)
	require.NoError(t, err)
	return m
}

func fromF(f float64) float64 { return (f - 32) * 5 / 9 }

// The head of the whole-model demo: parameters of the demo mix with 2 % flake.
func TestDemoParameters(t *testing.T) {
	m := model(t, concrete.Mix{Accelerator: concrete.CalciumChloride(2, concrete.Flake)})
	require.InDelta(t, 332.2, m.CementitiousKgM3, .05)
	require.InDelta(t, .7342, m.Hydration.UltimateDegree, 5e-5)
	require.InDelta(t, 9.714, m.Hydration.TauH, 5e-4)
	require.InDelta(t, .85, m.Hydration.Beta, 0)
	require.InDelta(t, 40000, m.HeatQK*concrete.GasConstant, 1e-6)
	require.InDelta(t, 473.8, m.HeatJKg/1000, .05)
	require.InDelta(t, 2.471, m.InitialSetH, 5e-4)
	require.InDelta(t, 3.706, m.FinalSetH, 5e-4)
	require.InDelta(t, 8.943, m.StrengthAgeH(concrete.CriticalMPa), 5e-4)
	require.InDelta(t, 27.7, m.FreezingPointC*9/5+32, .05)
}

func TestNewRefuses(t *testing.T) {
	good := concrete.Mix{Cement: concrete.TypeI, CementKgM3: 330, WaterKgM3: 160, AggregateKgM3: 1850, StrengthMPa: 28}
	_, err := concrete.New(good)
	require.NoError(t, err)
	for name, spoil := range map[string]func(*concrete.Mix){
		"cement type": func(x *concrete.Mix) { x.Cement = "IV" },
		"no cement":   func(x *concrete.Mix) { x.CementKgM3 = 0 },
		"no water":    func(x *concrete.Mix) { x.WaterKgM3 = 0 },
		"NaN water":   func(x *concrete.Mix) { x.WaterKgM3 = math.NaN() },
		"slag":        func(x *concrete.Mix) { x.SlagKgM3 = -1 },
		"strength":    func(x *concrete.Mix) { x.StrengthMPa = math.NaN() },
		"set factor":  func(x *concrete.Mix) { x.SetFactor = -1 },
	} {
		x := good
		spoil(&x)
		_, err := concrete.New(x)
		require.ErrorIs(t, err, concrete.ErrMix, name)
	}
}

// Calibration works as defined: set factor on set times, strength factor on rate.
func TestCalibration(t *testing.T) {
	plain := model(t, concrete.Mix{})
	byDefault, err := concrete.New(concrete.Mix{
		Cement: concrete.TypeIAndII, CementKgM3: demoCement, WaterKgM3: demoWater, AggregateKgM3: 1800, StrengthMPa: demoMPa,
	})
	require.NoError(t, err)
	require.InDelta(t, 1.2, byDefault.FinalSetH/plain.FinalSetH, 1e-12, "default field factor")
	fast := model(t, concrete.Mix{StrengthFactor: 2})
	require.InDelta(t, plain.StrengthAgeH(5)/2, fast.StrengthAgeH(5), 1e-9)
}

// drawMix is any mix a case may describe.
func drawMix(t *rapid.T) concrete.Mix {
	cm := rapid.Float64Range(150, 600).Draw(t, "cementitious")
	ash := rapid.Float64Range(0, .4).Draw(t, "ash")
	slag := rapid.Float64Range(0, .5).Draw(t, "slag")
	return concrete.Mix{
		Cement:     rapid.SampledFrom([]concrete.CementType{"I", "I/II", "II", "III"}).Draw(t, "cement"),
		CementKgM3: cm * (1 - ash - slag), FlyAshKgM3: cm * ash, SlagKgM3: cm * slag,
		WaterKgM3:     cm * rapid.Float64Range(.3, .8).Draw(t, "w/cm"),
		AggregateKgM3: rapid.Float64Range(1400, 2100).Draw(t, "aggregate"),
		StrengthMPa:   rapid.Float64Range(10, 70).Draw(t, "strength"),
		Accelerator:   concrete.CalciumChloride(rapid.Float64Range(0, 3).Draw(t, "chloride"), concrete.Flake),
	}
}

// Laws: strength and hydration only grow, stay within their ends, and the strength
// at 28 days is the specified one without an accelerator.
func TestGrowthLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := drawMix(t)
		m, err := concrete.New(x)
		require.NoError(t, err)
		a := rapid.Float64Range(0, 2000).Draw(t, "age")
		b := a + rapid.Float64Range(0, 500).Draw(t, "later")
		require.GreaterOrEqual(t, m.StrengthMPa(b), m.StrengthMPa(a))
		require.GreaterOrEqual(t, m.Degree(b), m.Degree(a))
		require.LessOrEqual(t, m.StrengthMPa(b), m.UltimateMPa)
		require.LessOrEqual(t, m.Degree(b), 1.0)
		require.GreaterOrEqual(t, m.StrengthMPa(672), x.StrengthMPa*(1-1e-9), "an accelerator never takes from 28 days")
		require.Greater(t, m.FinalSetH, m.InitialSetH)
		require.GreaterOrEqual(t, m.FreezableWaterKgM3(m.Degree(b)), 0.0)

		x.Accelerator = concrete.NoAccelerator
		plain, err := concrete.New(x)
		require.NoError(t, err)
		require.InEpsilon(t, x.StrengthMPa, plain.StrengthMPa(672), 1e-9)
		require.LessOrEqual(t, m.InitialSetH, plain.InitialSetH)
		require.GreaterOrEqual(t, m.StrengthMPa(a), plain.StrengthMPa(a))
	})
}

// The inverses undo the curves.
func TestInverses(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m, err := concrete.New(drawMix(t))
		require.NoError(t, err)
		te := rapid.Float64Range(2, 1500).Draw(t, "age")
		require.InEpsilon(t, te, m.StrengthAgeH(m.StrengthMPa(te)), 1e-6)
		require.InEpsilon(t, te, m.Hydration.AgeAt(m.Degree(te)), 1e-6)
	})
	m := model(t, concrete.Mix{})
	require.True(t, math.IsInf(m.StrengthAgeH(2*demoMPa), 1))
	require.Zero(t, m.StrengthAgeH(0))
	require.Zero(t, m.StrengthMPa(0))
	require.Zero(t, m.Degree(0))
}
