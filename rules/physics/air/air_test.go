package air_test

import (
	"math"
	"testing"

	"frostgate/rules/physics/air"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

const (
	msPerMPH     = 0.44704
	kgM2PerLbFt2 = 4.88243
)

func fromF(f float64) float64 { return (f - 32) * 5 / 9 }

// Case 32, last part: Magnus and dew point, independent computation.
func TestVapour(t *testing.T) {
	for temp, want := range map[float64]float64{-5: .421908, 0: .610940, 10: 1.226021, 20: 2.333441, 30: 4.236650} {
		require.InDelta(t, want, air.SaturationPressureKPa(temp), 1e-6)
		slope := (air.SaturationPressureKPa(temp+.001) - air.SaturationPressureKPa(temp-.001)) / .002
		require.InDelta(t, slope, air.SaturationSlopeKPaK(temp, want), 1e-6)
	}
	require.InDelta(t, -9.626386, air.DewPointC(-5, .70), 1e-6)
	// Tetens at 20 C: 0.61 exp(346/257.3).
	require.InDelta(t, .61*math.Exp(346/257.3), air.TetensKPa(20), 1e-12)
	require.InDelta(t, 1, air.RelHumidity(5, 9), 0, "dew point above the air counts as saturated")
}

func TestDewPointInverse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		temp := rapid.Float64Range(-50, 50).Draw(t, "temp")
		rh := rapid.Float64Range(.01, 1).Draw(t, "rh")
		dew := air.DewPointC(temp, rh)
		require.LessOrEqual(t, dew, temp+1e-9)
		require.InEpsilon(t, rh, air.RelHumidity(temp, dew), 1e-9)
	})
	require.False(t, math.IsNaN(air.DewPointC(0, 0)), "dry air stays finite")
}

// Case 27: convection.
func TestConvection(t *testing.T) {
	for v, want := range map[float64]float64{0: 5.6, 2: 13.6, 5: 25.6, 8: 36.453790} {
		require.InDelta(t, want, air.ConvectionWm2K(v), 1e-6)
	}
	require.InDelta(t, 5.6, air.ConvectionWm2K(-1), 0)
	require.InDelta(t, 27.179098, air.BarberWm2K(10*msPerMPH), 1e-5)
}

// E21: 10 m to 0.5 m over an open site is a factor of 0.518; the 1/7 power law gives
// about 0.65 (C1-12).
func TestWindProfile(t *testing.T) {
	require.InDelta(t, .518, air.WindAtHeight(1, air.SurfaceWindHeightM, air.RoughnessOpenM), 5e-4)
	require.InDelta(t, 1, air.WindAtHeight(1, air.StandardWindHeightM, air.RoughnessBuiltM), 1e-12)
	require.Less(t, air.WindAtHeight(1, .5, air.RoughnessBuiltM), air.WindAtHeight(1, .5, air.RoughnessOpenM))
	require.Zero(t, air.WindAtHeight(5, .01, .02))
}

// Cases 28 to 30: sky emissivity, longwave down and net. Case 29 is a value a public
// energy program prints, 341.2 W/m2, with 5.6697e-8 for the constant.
func TestSky(t *testing.T) {
	for _, c := range []struct{ cloud, emissivity, down, net float64 }{
		{0, .758925, 222.495747, -107.563529},
		{.5, .804081, 235.734244, -95.384112},
		{1, .875799, 256.760092, -76.040332},
	} {
		require.InDelta(t, c.emissivity, air.SkyEmissivity(-10, c.cloud), 1e-6)
		down := air.LongwaveDownWm2(-5, -10, c.cloud)
		require.InDelta(t, c.down, down, 1e-5)
		require.InDelta(t, c.net, air.NetLongwaveWm2(.92, down, 5), 1e-5)
	}
	require.InDelta(t, 341.2, air.LongwaveDownWm2(20, 10, 0)*5.6697e-8/air.StefanBoltzmann, .05)
	require.InDelta(t, 1, air.SkyEmissivity(30, 1), 0, "at most 1")
}

// Case 33: steady flux out of a 10 C surface, bare and under blankets. The skin is
// solved here by bisection on the balance of E19.
func TestSurfaceBalance(t *testing.T) {
	const surface, temp, dew, cloud, wind = 10.0, -8.0, -12.0, .5, 2.0
	h, down := air.ConvectionWm2K(wind), air.LongwaveDownWm2(temp, dew, cloud)
	out := func(skin, sun float64) float64 {
		return h*(skin-temp) - air.NetLongwaveWm2(air.EmissivityConcrete, down, skin) - air.AbsorptanceDarkBlanket*sun
	}
	require.InDelta(t, 374.386, out(surface, 0), 1e-3)

	for _, c := range []struct{ rUS, sun, skin, flux float64 }{
		{4, 0, -9.40668, 27.55066},
		{8, 0, -10.16685, 14.31491},
		{4, 300, 3.13915, 9.73999},
	} {
		r := c.rUS * .1761
		lo, hi := -60.0, 60.0
		for range 100 {
			if mid := (lo + hi) / 2; (surface-mid)/r > out(mid, c.sun) {
				lo = mid
			} else {
				hi = mid
			}
		}
		require.InDelta(t, c.skin, lo, 1e-3)
		require.InDelta(t, c.flux, (surface-lo)/r, 1e-3)
	}

	e := air.MenzelKgM2H(surface, temp, .73, wind)
	require.InDelta(t, .211726, e, 1e-6)
	latent := e / 3600 * air.LatentHeatJKg
	require.InDelta(t, 147.032, latent, 1e-3)
	require.InDelta(t, 521.417, out(surface, 0)+latent, 2e-3)
}
