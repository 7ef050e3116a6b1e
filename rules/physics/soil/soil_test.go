package soil_test

import (
	"testing"

	"frostgate/rules/physics/soil"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

const (
	kgM3PerPCF   = 16.01846
	wmKPerBtu    = 1.730735 // Btu/h ft F
	jm3PerBtu    = 37258.9  // Btu/ft3
	jm3KPerBtuF  = 67066.0  // Btu/ft3 F
	mPerFt       = 0.3048
	coldPerF     = 5.0 / 9 // C deg per F deg
	inchM        = 0.0254  // m
	rPerUS       = 0.17611 // m2K/W
	gravelKgM3   = 1900.0
	siltClayKgM3 = 1650.0
)

// Cases 22 and 23: Kersten 1949 and Johansen 1975, independent computation.
func TestConductivity(t *testing.T) {
	require.InDelta(t, 1.818685, soil.KerstenWmK(gravelKgM3, 4, soil.Coarse, false), 1e-5)
	require.InDelta(t, 1.377228, soil.KerstenWmK(gravelKgM3, 4, soil.Coarse, true), 1e-5)
	require.InDelta(t, 1.365902, soil.KerstenWmK(siltClayKgM3, 16, soil.Fine, false), 1e-5)
	require.InDelta(t, 1.574274, soil.KerstenWmK(siltClayKgM3, 16, soil.Fine, true), 1e-5)
	require.InDelta(t, 1.446670, soil.JohansenWmK(gravelKgM3, 4, .5, soil.Coarse, false), 1e-5)
	require.InDelta(t, 1.113104, soil.JohansenWmK(gravelKgM3, 4, .5, soil.Coarse, true), 1e-5)
	require.InDelta(t, 1.349788, soil.JohansenWmK(siltClayKgM3, 16, .3, soil.Fine, false), 1e-5)
	require.InDelta(t, 1.885172, soil.JohansenWmK(siltClayKgM3, 16, .3, soil.Fine, true), 1e-5)
}

// Cases 24 and 25: readings of Kersten's charts printed by pavementinteractive.org, in
// Btu/h ft F.
func TestConductivityAgainstCharts(t *testing.T) {
	base := 135 * kgM3PerPCF
	require.InEpsilon(t, 1.65, soil.KerstenWmK(base, 5, soil.Coarse, false)/wmKPerBtu, .02)
	require.InEpsilon(t, 1.8, soil.KerstenWmK(base, 5, soil.Coarse, true)/wmKPerBtu, .12)
	require.InEpsilon(t, .80, soil.KerstenWmK(100*kgM3PerPCF, 15, soil.Fine, true)/wmKPerBtu, .01)
	require.InDelta(t, .7154, soil.KerstenWmK(100*kgM3PerPCF, 15, soil.Fine, false)/wmKPerBtu, 1e-4)
}

// Case 26: a published example, 130 lb/ft3 dry with 5 % water weighs 136.5 lb/ft3.
func TestWaterInSoil(t *testing.T) {
	dry := 130 * kgM3PerPCF
	require.InDelta(t, 136.5, (dry+soil.LatentJM3(dry, 5)/soil.FusionJKg)/kgM3PerPCF, 1e-6)
}

// Rows of the reference's table of layers; heat capacities by E33.
func TestMaterials(t *testing.T) {
	gravel := at(t, "gravel", 4)
	require.InDelta(t, 1.82, gravel.UnfrozenWmK, .005)
	require.InDelta(t, 1.38, gravel.FrozenWmK, .005)
	require.InDelta(t, 1.667e6, gravel.UnfrozenJM3K, 1e3)
	require.InDelta(t, 1.508e6, gravel.FrozenJM3K, 1e3)
	silt := at(t, "silt_clay", 16)
	require.InDelta(t, 2.277e6, silt.UnfrozenJM3K, 1e3)
	require.InDelta(t, 1.723e6, silt.FrozenJM3K, 1e3)
	require.InDelta(t, 1650*.16*334e3, silt.LatentJM3, 1)
	require.InDelta(t, 2.09e6, soil.WetGravel().UnfrozenJM3K, 1e4)
	_, known := soil.MaterialOf("peat")
	require.False(t, known)

	soaked := at(t, "gravel", 99)
	require.InDelta(t, at(t, "gravel", soil.SaturationPct(1900)).LatentJM3, soaked.LatentJM3, 1e-6, "held at saturation")
}

func at(t *testing.T, name string, moisture float64) soil.Layer {
	t.Helper()
	m, known := soil.MaterialOf(name)
	require.True(t, known)
	return m.At(moisture)
}

// Layers stay physical at any moisture, and water always adds heat to be taken out.
func TestLayerLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m, _ := soil.MaterialOf(rapid.SampledFrom([]string{"gravel", "sand", "silt_clay"}).Draw(t, "material"))
		w := rapid.Float64Range(0, 60).Draw(t, "moisture")
		l := m.At(w)
		for _, k := range []float64{l.UnfrozenWmK, l.FrozenWmK} {
			require.True(t, k > .2 && k < 5, "k %v", k)
		}
		require.True(t, l.UnfrozenJM3K >= l.FrozenJM3K && l.FrozenJM3K > 1e6)
		require.GreaterOrEqual(t, m.At(w+1).LatentJM3, l.LatentJM3)
		require.True(t, l.FreezingWidthC > 0 && l.FreezingC <= 0)
		require.InDelta(t, l.FrozenWmK, l.ConductivityWmK(1), 1e-12)
	})
}

// Sturm et al. 1997 at three densities, independent computation; handbook snow is
// 0.104 loose and 0.346 W/mK compact, and 4 in of loose at 0.06 W/mK are US R 9.6.
func TestSnow(t *testing.T) {
	for rho, want := range map[float64]float64{100: .0464, 200: .0653, 300: .1260} {
		require.InDelta(t, want, soil.SnowConductivityWmK(rho), 5e-5)
	}
	require.InDelta(t, 9.6, .1016/.06/rPerUS, .05)
	require.InDelta(t, .1/.0653, soil.SnowResistanceM2KW(.1, 200), 2e-3)
	require.InDelta(t, 4.18e5, soil.SnowCapacityJM3K(200), 1)
}

// n-factors of TM 5-852-4 Table 4-1.
func TestNFactors(t *testing.T) {
	for surface, freezing := range map[string]float64{
		"snow": 1, "concrete": .75, "bituminous": .7, "bare": .7, "shaded": .9, "turf": .5, "trees": .3,
	} {
		n, known := soil.NFactorOf(surface)
		require.True(t, known)
		require.InDelta(t, freezing, n.Freezing, 0, surface)
	}
}

// Cases 6 and 7: damping of waves and the yearly wave of Kusuda and Achenbach 1965.
func TestWaves(t *testing.T) {
	const a = 7.5e-7
	day := soil.DampingDepthM(a, soil.DayS)
	require.InDelta(t, .143619, day, 1e-6)
	require.InDelta(t, 2.743841, soil.DampingDepthM(a, soil.YearS), 1e-6)
	require.InDelta(t, 5.319230, .20/day*24/(2*3.141592653589793), 1e-4, "lag of the daily wave at 0.20 m, h")

	year := soil.Year{MeanC: 9, AmplitudeC: 14, ColdestDay: 20, DiffusivityM2S: a}
	for depth, want := range map[float64]float64{0: -5, .5: -2.474591, 1: -.085388, 2: 3.962077, 3: 6.844342} {
		require.InDelta(t, want, year.TempC(depth, 20), 1e-5)
	}
	turf, known := soil.NFactorOf("turf") // 0.5 freezing, 0.8 thawing: TM 5-852-4 Table 4-1
	require.True(t, known)
	require.InDelta(t, 9-.65*14, year.Under(turf).TempC(0, 20), 1e-9)
}

// Cases 1 to 5: closed forms of conduction (Carslaw and Jaeger 1959), independent
// computation.
func TestConduction(t *testing.T) {
	const a, h = 7.5e-7, 3600.0
	require.InDelta(t, -1.570294, soil.StepChangeC(a, 10, -10, .10, 6*h), 1e-5)
	require.InDelta(t, -1.113796, soil.StepChangeC(a, 10, -10, .30, 48*h), 1e-5)
	require.InDelta(t, -3.124330, soil.ConstantFluxC(a, 1.5, 5, -60, 0, 12*h), 1e-5)
	require.InDelta(t, .256732, soil.ConstantFluxC(a, 1.5, 5, -60, .10, 12*h), 1e-5)
	for depth, want := range map[float64]float64{0: 2.512947, .05: 8.229709, .125: 14.417223} {
		require.InDelta(t, want, soil.ConvectiveC(a, 1.5, 15, 20, -10, depth, 4*h), 1e-5)
	}
	require.InDelta(t, 9.018049, soil.PlateC(.127, 7.8e-7, 1.9, 10, 20, -5, 0, 3*h), 1e-5)
	require.InDelta(t, 6.966781, soil.PlateC(.127, 7.8e-7, 1.9, 10, 20, -5, .0635, 3*h), 1e-5)
	require.InDelta(t, 12.366488, soil.ContactC(2.0, 2.45e6, 20, 1.3, 1.7e6, 1), 1e-6)
}
