package soil_test

import (
	"math"
	"testing"

	"frostgate/rules/physics/soil"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

const day = 86400.0

// Case 10: Neumann's one-phase problem, independent computation, and its ratio to
// Stefan's depth.
func TestOnePhase(t *testing.T) {
	for _, c := range []struct{ stefan, root, ratio float64 }{
		{.05, .156821, .991823}, {.1, .220016, .983943}, {.2, .306424, .968997}, {.5, .464786, .929572},
	} {
		g := soil.OnePhaseRoot(c.stefan)
		require.InDelta(t, c.root, g, 1e-6)
		require.InDelta(t, c.ratio, g*math.Sqrt(2/c.stefan), 1e-5)
		require.InDelta(t, c.ratio, soil.BerggrenLambda(c.stefan, 0), 1e-5, "E36 holds the one-phase case")
	}
}

// Cases 11 and 12: fronts of the one- and two-phase problem, independent
// computation.
func TestFronts(t *testing.T) {
	one := soil.Neumann{
		FrozenWmK: 2, FrozenJM3K: 1.9e6, UnfrozenWmK: 1.5, UnfrozenJM3K: 2.5e6, LatentJM3: 80e6, SurfaceC: -10,
	}
	require.InDelta(t, .332075, one.Root(), 1e-6)
	require.InDelta(t, .332075, soil.OnePhaseRoot(1.9e6*10/80e6), 1e-6)
	for days, want := range map[float64]float64{1: .200291, 10: .633376, 30: 1.097039} {
		require.InDelta(t, want, one.FrontM(days*day), 1e-6)
	}
	require.InDelta(t, .657267, soil.StefanM(2, 80e6, 100), 1e-6)

	two := one
	two.InitialC = 5
	require.InDelta(t, .289694, two.Root(), 1e-6)
	require.InDelta(t, .552540, two.FrontM(10*day), 1e-6)
	require.InDelta(t, -8.141118, two.TempC(.10, 10*day), 1e-6)
	require.InDelta(t, .269707, two.TempC(.60, 10*day), 1e-6)
}

// Cases 16 and 17: worked example of TM 5-852-6 (inputs from memory), homogeneous
// sandy silt: the manual finds 5.8 ft.
func TestManualExample(t *testing.T) {
	rd, w := 100*kgM3PerPCF, 15.0
	k := .76 * wmKPerBtu
	c, l := soil.CorpsCapacityJM3K(rd, w), soil.CorpsLatentJM3(rd, w)
	require.InEpsilon(t, 28.25, c/jm3KPerBtuF, 1e-4)
	require.InEpsilon(t, 2160, l/jm3PerBtu, 1e-4)
	frozen := soil.KerstenWmK(rd, w, soil.Fine, true)
	unfrozen := soil.KerstenWmK(rd, w, soil.Fine, false)
	require.InDelta(t, .76, (frozen+unfrozen)/2/wmKPerBtu, .005)

	winter := soil.Winter{SurfaceIndexCD: 2500 * coldPerF, DurationD: 160, MeanAnnualC: 5.2 * coldPerF}
	depth := soil.BerggrenM(k, c, l, winter) / mPerFt
	require.InDelta(t, 5.8, depth, .1)
	require.InDelta(t, 5.819416, depth, .001)
	require.InDelta(t, 6.497863, soil.StefanM(k, l, 2500*coldPerF)/mPerFt, .001)
	mu, alpha := 28.25*15.625/2160, 5.2/15.625
	require.InDelta(t, .895589, soil.BerggrenLambda(mu, alpha), 1e-5)
	require.InDelta(t, .924427, soil.BerggrenBound(mu, alpha), 1e-5)
}

// Case 18: lambda at six points, independent computation.
func TestLambda(t *testing.T) {
	for _, c := range []struct{ mu, alpha, want float64 }{
		{.1, 0, .983943}, {.1, 1, .845831}, {.2, .33, .897617}, {.5, 1, .649248}, {1, 2, .381905}, {.2, 3, .538215},
	} {
		require.InDelta(t, c.want, soil.BerggrenLambda(c.mu, c.alpha), 1e-5)
	}
	require.InDelta(t, 1, soil.BerggrenLambda(0, 1), 0)
}

// Case 19: pavement over gravel over clay (E37), reference computation.
func TestLayered(t *testing.T) {
	layers := []soil.FrostLayer{
		{ThicknessM: 6 * inchM, ConductivityWmK: 1.0 * wmKPerBtu, CapacityJM3K: 24.65 * jm3KPerBtuF},
		{ThicknessM: 12 * inchM, ConductivityWmK: 1.6 * wmKPerBtu, CapacityJM3K: 27.0 * jm3KPerBtuF, LatentJM3: 777.6 * jm3PerBtu},
		{ThicknessM: 1, ConductivityWmK: .85 * wmKPerBtu, CapacityJM3K: 29.66 * jm3KPerBtuF, LatentJM3: 2268 * jm3PerBtu},
	}
	concrete, _ := soil.NFactorOf("concrete")
	winter := soil.Winter{SurfaceIndexCD: concrete.Freezing * 1000 * coldPerF, DurationD: 100, MeanAnnualC: 13 * coldPerF}
	depth, used := soil.LayeredFrostM(layers, winter)
	require.InEpsilon(t, 3.198118, depth/mPerFt, .005)
	require.Len(t, used, 2)
	require.InEpsilon(t, 4.25, used[0]/coldPerF, .005)
	require.InEpsilon(t, 80.43, used[1]/coldPerF, .005)
}

// Case 20: surface index and mean temperatures of the footing page of TM 5-852-4:
// thaw index 2900 F d over 150 d with n 1.0 and MAAT 23 F.
func TestFootingInputs(t *testing.T) {
	snow, _ := soil.NFactorOf("snow")
	index := snow.Freezing * 2900
	require.InDelta(t, 19.333, index/150, .001)
	require.InDelta(t, 9, 32-23, 0)
}

// A single layer gives the plain formula; deeper frost follows from a colder winter,
// never deeper than Stefan; no frost without an index.
func TestFrostLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := rapid.Float64Range(.5, 3).Draw(t, "k")
		c := rapid.Float64Range(1e6, 3e6).Draw(t, "c")
		l := rapid.Float64Range(1e7, 2e8).Draw(t, "l")
		w := soil.Winter{
			SurfaceIndexCD: rapid.Float64Range(1, 2000).Draw(t, "index"),
			DurationD:      rapid.Float64Range(10, 200).Draw(t, "days"),
			MeanAnnualC:    rapid.Float64Range(-5, 15).Draw(t, "mean"),
		}
		depth := soil.BerggrenM(k, c, l, w)
		require.Greater(t, depth, 0.0)
		require.LessOrEqual(t, depth, soil.StefanM(k, l, w.SurfaceIndexCD))
		layered, _ := soil.LayeredFrostM([]soil.FrostLayer{{ThicknessM: 1, ConductivityWmK: k, CapacityJM3K: c, LatentJM3: l}}, w)
		require.InEpsilon(t, depth, layered, 1e-6)
		colder := w
		colder.SurfaceIndexCD *= 1.1
		require.GreaterOrEqual(t, soil.BerggrenM(k, c, l, colder), depth)
	})
	require.Zero(t, soil.BerggrenM(1, 2e6, 8e7, soil.Winter{DurationD: 100}))
	depth, _ := soil.LayeredFrostM(nil, soil.Winter{})
	require.Zero(t, depth)
}
