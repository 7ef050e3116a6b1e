package heat_test

import (
	"testing"

	"frostgate/rules/physics/air"
	"frostgate/rules/physics/heat"

	"github.com/stretchr/testify/require"
)

// onFace is a column so thin and heavy that its face stays at 10 C, with no
// resistance of its own.
func onFace(t *testing.T) *heat.Column {
	t.Helper()
	return newColumn(t, heat.Config{
		Cells: []heat.Cell{{ThicknessM: 1e-6, Material: heat.Constant(1e3, 1e18)}}, InitialC: 10, InsulatedBottom: true,
	})
}

// Case 33: steady loss of a 10 C surface at -8 C, dew point -12 C, half cloud, 2 m/s
// near the surface, bare and covered, dry, sunlit and wet; worked with another
// solver from the formulas of McAdams, Clark and Allen, and Menzel.
func TestSurfaceBalance(t *testing.T) {
	const r = 0.17611
	winter := func(coverM2KW, sunWm2, wetness float64) *heat.Surface {
		rh := 0.73
		return &heat.Surface{
			AirC:        heat.All(-8),
			ConvectWm2K: heat.All(air.ConvectionWm2K(2)),
			LongwaveWm2: heat.All(air.LongwaveDownWm2(-8, -12, .5)),
			SunWm2:      heat.All(sunWm2),
			Emissivity:  heat.All(.92),
			CoverM2KW:   heat.All(coverM2KW),
			LatentWm2K:  heat.All(wetness * air.MenzelFromPressure(1, 0, 2) * air.LatentHeatJKg / 3600),
			VapourKPa:   heat.All(air.VapourPressureKPa(-8, rh)),
		}
	}
	for _, c := range []struct {
		name         string
		s            *heat.Surface
		skinC, loss  float64
		latent       float64
		skinMatters  bool
		latentOfWet  bool
		evaporatesKg float64
	}{
		{name: "bare dry", s: winter(0, 0, 0), loss: 374.386},
		{name: "R-4", s: winter(4*r, 0, 0), loss: 27.55066, skinC: -9.40668, skinMatters: true},
		{name: "R-8", s: winter(8*r, 0, 0), loss: 14.31491, skinC: -10.16685, skinMatters: true},
		{name: "R-4 in the sun", s: winter(4*r, 300*.8, 0), loss: 9.73999, skinC: 3.13915, skinMatters: true},
		{name: "bare wet", s: winter(0, 0, 1), loss: 521.417, latent: 147.032, latentOfWet: true, evaporatesKg: .211726},
	} {
		onFace(t).Step(1, c.s)
		require.InEpsilon(t, c.loss, -c.s.FluxWm2[0], 1e-3, c.name)
		if c.skinMatters {
			require.InDelta(t, c.skinC, c.s.SkinC[0], 1e-3, c.name)
		}
		if c.latentOfWet {
			require.InEpsilon(t, c.latent, c.s.LatentWm2[0], 1e-3, c.name)
			require.InEpsilon(t, c.evaporatesKg, c.s.LatentWm2[0]*3600/air.LatentHeatJKg, 1e-3, c.name)
		}
	}
}

// Air moister than the surface brings no heat: dew is left out.
func TestNoCondensation(t *testing.T) {
	s := &heat.Surface{AirC: heat.All(10), ConvectWm2K: heat.All(10), LatentWm2K: heat.All(100), VapourKPa: heat.All(5)}
	onFace(t).Step(1, s)
	require.InDelta(t, 0, s.FluxWm2[0], 1e-6)
	require.Zero(t, s.LatentWm2[0])
}
