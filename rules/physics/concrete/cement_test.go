package concrete_test

import (
	"testing"

	"frostgate/rules/physics/concrete"

	"github.com/stretchr/testify/require"
)

// within asserts a relative tolerance.
func within(t *testing.T, want, got, relative float64, name string) {
	t.Helper()
	require.InEpsilon(t, want, got, relative, name)
}

// Case 34: independent computation of the published equations on the
// representative compositions; printed figures, 1e-4 relative.
func TestParametersFromComposition(t *testing.T) {
	type row struct{ tau, beta, ea float64 }
	for _, c := range []struct {
		cement     concrete.CementType
		heat       float64
		sf, riding row
	}{
		{concrete.TypeI, 478.32, row{14.791, .6563, 45642}, row{22.119, .8546, 38846}},
		{concrete.TypeIAndII, 473.78, row{15.498, .6190, 44961}, row{19.887, .7983, 38853}},
		{concrete.TypeII, 459.17, row{17.788, .5817, 42240}, row{20.191, .7585, 38477}},
		{concrete.TypeIII, 489.24, row{9.433, .6010, 51948}, row{21.787, .8546, 36924}},
	} {
		t.Run(string(c.cement), func(t *testing.T) {
			composition, ok := concrete.Typical(c.cement)
			require.True(t, ok)
			within(t, c.heat, composition.HeatJG(), 1e-4, "heat")
			sf := concrete.SchindlerFolliard(composition, 0.48, concrete.SCM{})
			riding := concrete.Riding(composition, 0.48, concrete.SCM{}, concrete.RidingAdmixtures{})
			within(t, c.sf.tau, sf.TauH, 1e-4, "tau")
			within(t, c.sf.beta, sf.Beta, 1e-4, "beta")
			within(t, c.sf.ea, sf.ActivationEnergyJMol, 1e-4, "Ea")
			within(t, c.riding.tau, riding.TauH, 1e-4, "Riding tau")
			within(t, c.riding.beta, riding.Beta, 1e-4, "Riding beta")
			within(t, c.riding.ea, riding.ActivationEnergyJMol, 1e-4, "Riding Ea")
		})
	}
}

// Mills 1966 at three ratios, independent computation.
func TestUltimateDegree(t *testing.T) {
	for wcm, want := range map[float64]float64{.48: .73424, .40: .69428, .58: .77258} {
		require.InDelta(t, want, concrete.UltimateDegree(wcm, concrete.SCM{}), 5e-6)
	}
	require.InDelta(t, 1, concrete.UltimateDegree(.60, concrete.SCM{FlyAsh: .5, Slag: .3}), 0, "never above 1")
}

// Riding 2012: 1 % solids of a type C accelerator gives tau x 0.892.
func TestRidingAccelerator(t *testing.T) {
	composition, _ := concrete.Typical(concrete.TypeI)
	plain := concrete.Riding(composition, 0.48, concrete.SCM{}, concrete.RidingAdmixtures{})
	dosed := concrete.Riding(composition, 0.48, concrete.SCM{}, concrete.RidingAdmixtures{Accelerator: .01})
	require.InDelta(t, 0.892, dosed.TauH/plain.TauH, 5e-4)
}

// Supplementary materials. Heat by Schindler and Folliard 2005 by hand: 35 % slag
// with type I is 0.65 x 478.32 + 0.35 x 461.
func TestSupplementaryMaterials(t *testing.T) {
	composition, _ := concrete.Typical(concrete.TypeI)
	require.InDelta(t, 472.258, concrete.SCM{Slag: .35}.HeatJG(composition.HeatJG()), 1e-3)
	require.InDelta(t, .8*478.32+1800*.06*.2, concrete.SCM{FlyAsh: .2, FlyAshCaO: .06}.HeatJG(composition.HeatJG()), 1e-3)

	// 20 % class F ash: setting x 1.25 to 1.4; 35 % slag: x 1.2 to 1.4 (trade range).
	plain := model(t, concrete.Mix{})
	ash := model(t, concrete.Mix{CementKgM3: .8 * demoCement, FlyAshKgM3: .2 * demoCement})
	slag := model(t, concrete.Mix{CementKgM3: .65 * demoCement, SlagKgM3: .35 * demoCement})
	for name, m := range map[string]*concrete.Model{"ash": ash, "slag": slag} {
		require.GreaterOrEqual(t, m.FinalSetH/plain.FinalSetH, 1.25, name)
		require.LessOrEqual(t, m.FinalSetH/plain.FinalSetH, 1.4, name)
	}
}
