package concrete_test

import (
	"math"
	"testing"

	"frostgate/rules/physics/concrete"

	"github.com/stretchr/testify/require"
)

// Case 48 and E43: scaling with the water-cementitious ratio.
func TestSetTimes(t *testing.T) {
	for _, c := range []struct{ wcm, initial, final float64 }{{.40, 3.953, 5.810}, {.48, 4.200, 6.300}, {.58, 4.505, 6.932}} {
		initial, final := concrete.SetTimesH(concrete.TypeIAndII, c.wcm)
		require.InDelta(t, c.initial, initial, 5e-4, "w/cm %v", c.wcm)
		require.InDelta(t, c.final, final, 5e-4, "w/cm %v", c.wcm)
	}
	dosed := model(t, concrete.Mix{Accelerator: concrete.CalciumChloride(2, concrete.Flake)})
	require.InDelta(t, 2.470588, dosed.InitialSetH, 1e-6)
	require.InDelta(t, 3.705882, dosed.FinalSetH, 1e-6)

	// E43 on Schindler and Folliard's curve supports the defaults (Schindler 2004).
	composition, _ := concrete.Typical(concrete.TypeIAndII)
	sf := concrete.SchindlerFolliard(composition, .48, concrete.SCM{})
	require.InDelta(t, 3.789, sf.AgeAt(.14*.48), 1e-3)
	require.InDelta(t, 6.149, sf.AgeAt(.26*.48), 1e-3)
}

// Case 40: set against constant temperature. The trade rule and the trade table for
// 6 h at 70 F, 6 % between 60 and 30 F; the model's figures to the last digit shown.
func TestSetAgainstTemperature(t *testing.T) {
	m := model(t, concrete.Mix{})
	at70 := m.SetRate(fromF(70))
	for _, c := range []struct{ f, rule, table, model float64 }{
		{60, 8.0, 8, 7.90},
		{50, 10.7, 11, 10.50},
		{40, 14.2, 14, 14.14},
		{30, 19.0, 19, 19.25},
		{80, 0, 0, 4.61}, // warm side: known to differ from the trade table
		{90, 0, 0, 3.57},
		{100, 0, 0, 2.79},
	} {
		got := 6 * at70 / m.SetRate(fromF(c.f))
		require.InDelta(t, c.model, got, .005, "%v F", c.f)
		if c.rule != 0 {
			require.InEpsilon(t, c.rule, got, .06, "%v F", c.f)
			require.InEpsilon(t, c.table, got, .06, "%v F", c.f)
		}
	}
}

// Case 40, second part: initial and final set at constant temperature.
func TestSetWithAccelerator(t *testing.T) {
	for _, c := range []struct {
		flake          float64
		initial, final [4]float64 // at 70, 60, 50, 40 F
	}{
		{0, [4]float64{3.98, 5.24, 6.97, 9.37}, [4]float64{5.97, 7.85, 10.45, 14.06}},
		{1, [4]float64{2.95, 3.88, 5.16, 6.94}, [4]float64{4.42, 5.82, 7.74, 10.42}},
		{2, [4]float64{2.34, 3.08, 4.10, 5.51}, [4]float64{3.51, 4.62, 6.15, 8.27}},
	} {
		m := model(t, concrete.Mix{Accelerator: concrete.CalciumChloride(c.flake, concrete.Flake)})
		for i, f := range []float64{70, 60, 50, 40} {
			require.InDelta(t, c.initial[i], m.InitialSetH/m.SetRate(fromF(f)), .006, "%v %% at %v F", c.flake, f)
			require.InDelta(t, c.final[i], m.FinalSetH/m.SetRate(fromF(f)), .006, "%v %% at %v F", c.flake, f)
		}
	}
}

// and the growth in D-2: published rules for setting.
func TestTradeRules(t *testing.T) {
	c70 := fromF(70)
	require.InDelta(t, 10.67, concrete.OneThirdRuleH(6, c70, fromF(50)), .005)
	require.InDelta(t, 14.22, concrete.OneThirdRuleH(6, c70, fromF(40)), .005)
	require.InDelta(t, 12.0, concrete.DoublingRuleH(6, c70, fromF(50)), .05)
	require.InDelta(t, 16.97, concrete.DoublingRuleH(6, c70, fromF(40)), .005)
	require.InDelta(t, 3.42, concrete.SurveyWaitH(fromF(60)), .005)
	for f, want := range map[float64]float64{90: 1.75, 70: 2.75, 50: 4.25} { // ASCC Position Statement 15
		require.InDelta(t, want, concrete.SurveyWaitH(fromF(f)), 1e-9)
	}
	require.InDelta(t, 6, 4*concrete.NorwegianRule(10), 1e-9)
	require.InDelta(t, 10, 4*concrete.NorwegianRule(0), 1e-9)
}

// The set-time table (D-2) and the one-third rule column beside it; the printed
// table rounds to thirds of an hour.
func TestSetBand(t *testing.T) {
	for f, want := range map[float64]float64{
		100: 5.0 / 3, 90: 8.0 / 3, 80: 4, 70: 6, // table
		60: 8.0, 50: 10.7, 40: 14.2, 30: 19.0, // one-third rule, within a third of an hour of the table
	} {
		band := concrete.SetBandAt(6, fromF(f))
		require.InDelta(t, want, band.CentreH, .05, "%v F", f)
		require.LessOrEqual(t, band.LowH, band.CentreH, "%v F", f)
		require.GreaterOrEqual(t, band.HighH, band.CentreH, "%v F", f)
	}
	require.True(t, math.IsInf(concrete.SetBandAt(6, fromF(20)).LowH, 1), "20 F: does not set")
}
