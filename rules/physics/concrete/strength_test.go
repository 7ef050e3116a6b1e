package concrete_test

import (
	"testing"

	"frostgate/rules/physics/concrete"

	"github.com/stretchr/testify/require"
)

func psi(mpa float64) float64 { return mpa * concrete.PSIPerMPa }

// Case 42: strength of 4000 psi concrete by equivalent age, independent
// computation.
func TestStrengthCurve(t *testing.T) {
	ages := []float64{12, 24, 48, 72, 168, 336, 672}
	for _, c := range []struct {
		cement   concrete.CementType
		want     []float64
		critical float64
	}{
		{concrete.TypeI, []float64{373.3, 984.4, 1788.1, 2264.5, 3124.6, 3640.7, 4000.0}, 14.309},
		{concrete.TypeIII, []float64{673.1, 1483.4, 2335.2, 2766.9, 3440.7, 3786.1, 4000.0}, 9.966},
	} {
		m := model(t, concrete.Mix{Cement: c.cement})
		for i, te := range ages {
			require.InDelta(t, c.want[i], psi(m.StrengthMPa(te)), .06, "type %s at %v h", c.cement, te)
		}
		require.InDelta(t, c.critical, m.StrengthAgeH(concrete.CriticalMPa), 6e-4)
	}
}

// Case 41: control mix of CRREL SR 96-28 Table 14 (705 lb/yd3, w/c 0.43), measured
// at 20 C, -5 C and -10 C, psi.
func TestStrengthInTheCold(t *testing.T) {
	m := model(t, concrete.Mix{CementKgM3: 705 * lbPerYd3, WaterKgM3: .43 * 705 * lbPerYd3, StrengthMPa: 6104 / concrete.PSIPerMPa})
	strength := func(temp, days float64) float64 {
		share := m.UnfrozenShare(temp)
		s := psi(m.StrengthMPa(m.StrengthRate(temp) * share * 24 * days))
		if share < 1 {
			s *= concrete.EarlyFreezeFactor
		}
		return s
	}
	for _, c := range []struct{ temp, days, measured, model float64 }{
		{20, 7, 4668, 4768},
		{20, 14, 5588, 5556},
		{-5, 7, 101, 85},
		{-5, 14, 415, 356},
		{-5, 28, 606, 862},
		{-10, 7, 0, 1},
		{-10, 14, 111, 30},
		{-10, 28, 177, 186},
	} {
		got := strength(c.temp, c.days)
		require.InDelta(t, c.model, got, .6, "%v C, %v d", c.temp, c.days)
		if c.temp > 0 {
			require.InEpsilon(t, c.measured, got, .05, "%v C, %v d", c.temp, c.days)
			continue
		}
		near := got > c.measured-100 && got < c.measured+100
		factor := got > c.measured/2 && got < 2*c.measured
		require.True(t, near || factor, "%v C, %v d: %v against measured %v", c.temp, c.days, got, c.measured)
	}
	require.InDelta(t, .200, m.UnfrozenShare(-5), 1e-12)
	require.InDelta(t, .100, m.UnfrozenShare(-10), 1e-12)
}

// Case 43: type III over type I at 70 F. Published 1.90, 1.50, 1.20, 1.10 at 1, 3,
// 7, 28 d and "almost 50 %" at 1 d (Concrete Construction); the model with the 28-day
// strength 10 % up lies between the two at 1 d.
func TestTypeIIIOverTypeI(t *testing.T) {
	one, three := model(t, concrete.Mix{Cement: concrete.TypeI}), model(t, concrete.Mix{Cement: concrete.TypeIII})
	ratio := func(days float64) float64 {
		te := 24 * days * one.StrengthRate(fromF(70))
		return 1.1 * three.StrengthMPa(te) / one.StrengthMPa(te)
	}
	require.Greater(t, ratio(1), 1.48)
	require.Less(t, ratio(1), 1.90)
	at20 := func(days float64) float64 { return 1.1 * three.StrengthMPa(24*days) / one.StrengthMPa(24*days) }
	for days, want := range map[float64]float64{1: 1.658, 3: 1.344, 7: 1.211, 28: 1.100} {
		require.InDelta(t, want, at20(days), 6e-4)
	}
}

// Case 47: type I at 1 day is the stronger the warmer it cured, from 25 F to 120 F
// (Klieger 1958). That what cured hot falls behind later no maturity can reproduce.
func TestWarmerIsStrongerAtOneDay(t *testing.T) {
	m := model(t, concrete.Mix{Cement: concrete.TypeI})
	before := 0.0
	for _, f := range []float64{25, 40, 55, 73, 90, 105, 120} {
		mpa := m.StrengthMPa(24 * m.StrengthRate(fromF(f)))
		require.Greater(t, mpa, before, "%v F", f)
		before = mpa
	}
}

// Case 44: hours to 500 psi at constant temperature. Sense check: 24 to 48 h at 50 F
// for plain mixes (The Constructor; ACI 306R-16 as summarised).
func TestHoursToCriticalStrength(t *testing.T) {
	for flake, want := range map[float64][4]float64{
		0: {12.19, 22.01, 26.13, 37.21},
		1: {9.38, 16.93, 20.10, 28.62},
		2: {7.62, 13.76, 16.33, 23.26},
	} {
		m := model(t, concrete.Mix{Accelerator: concrete.CalciumChloride(flake, concrete.Flake)})
		for i, f := range []float64{73, 55, 50, 40} {
			got := m.StrengthAgeH(concrete.CriticalMPa) / m.StrengthRate(fromF(f))
			require.InDelta(t, want[i], got, .006, "%v %% at %v F", flake, f)
			if flake == 0 && f == 50 {
				require.Greater(t, got, 24.0)
				require.Less(t, got, 48.0)
			}
		}
	}
	for flake, want := range map[float64]float64{0: 17.429, 1: 13.407, 2: 10.893} {
		m := model(t, concrete.Mix{
			CementKgM3: 470 * lbPerYd3, WaterKgM3: .58 * 470 * lbPerYd3, StrengthMPa: 3000 / concrete.PSIPerMPa,
			Accelerator: concrete.CalciumChloride(flake, concrete.Flake),
		})
		require.InDelta(t, want, m.StrengthAgeH(concrete.CriticalMPa), 1e-3, "3000 psi, %v %%", flake)
	}
}

// Case 45: Carino's hyperbola.
func TestHyperbolic(t *testing.T) {
	for days, want := range map[float64]float64{1: 770.234, 3: 2023.462, 7: 3065.786, 28: 4163.225} {
		require.InDelta(t, want, concrete.Hyperbolic(4700, .28, .30, days), 1e-3)
	}
	require.Zero(t, concrete.Hyperbolic(4700, .28, .30, .2))
}

// Case 46: ACI 209 ratios, and the model's curve beside them.
func TestACI209(t *testing.T) {
	days := []float64{1, 3, 7, 14, 28}
	for cement, want := range map[concrete.CementType][]float64{
		concrete.TypeI:   {.206186, .458015, .703518, .880503, 1.007194},
		concrete.TypeIII: {.310559, .592885, .800915, .922266, .997862},
	} {
		for i, d := range days {
			require.InDelta(t, want[i], concrete.ACI209Ratio(cement, d), 1e-6)
		}
	}
	m := model(t, concrete.Mix{})
	for i, want := range []float64{.246, .566, .781, .910, 1.000} {
		require.InDelta(t, want, m.StrengthMPa(24*days[i])/demoMPa, 6e-4)
	}
}
