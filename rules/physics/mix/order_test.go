package mix_test

import (
	"testing"

	"frostgate/rules/physics/concrete"
	"frostgate/rules/physics/mix"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

const (
	m2PerFt2 = .09290304
	lbKg     = .45359237
)

// volumes, waste and trucks; yd3.
func TestVolumes(t *testing.T) {
	for name, e := range map[string]struct{ ft2, in, waste, net, gross float64 }{
		"X-52 + 4 %":  {20 * 30, 4, 4, 7.41, 7.70},
		"X-52 + 10 %": {20 * 30, 4, 10, 7.41, 8.15},
		"X-53":        {100 * 16.0 / 12, 8, 5, 3.29, 3.46},
		"X-54":        {100 * 8, 8, 2, 19.75, 20.15},
	} {
		net := mix.VolumeM3(e.ft2*m2PerFt2, e.in*25.4)
		o := mix.NewOrder(net, e.waste, mix.QuarterYardM3, 9*mix.CubicYardM3)
		require.InDelta(t, e.net, o.NetM3/mix.CubicYardM3, .0051, name)
		require.InDelta(t, e.gross, o.GrossM3/mix.CubicYardM3, .0051, name)
	}
	order := func(ft2, in, waste float64) mix.Order {
		return mix.NewOrder(mix.VolumeM3(ft2*m2PerFt2, in*25.4), waste, mix.QuarterYardM3, 9*mix.CubicYardM3)
	}
	require.InDelta(t, 8.25, order(600, 4, 10).OrderM3/mix.CubicYardM3, 1e-9, "X-52 in quarter yards")
	require.Equal(t, 3, order(800, 8, 2).Trucks, "X-54")
	require.InDelta(t, 5.40, mix.VolumeM3(6*9, 100), 1e-9, "X-55")
	// E-11: L ft x W ft x T in / 324.
	require.InDelta(t, 20*30*4/324.0, mix.VolumeM3(600*m2PerFt2, 4*25.4)/mix.CubicYardM3, 1e-9)
}

// An order covers the volume with less than one step to spare, and the trucks carry
// it.
func TestOrderLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		net := rapid.Float64Range(.1, 500).Draw(t, "net")
		waste := rapid.Float64Range(0, 20).Draw(t, "waste")
		truck := rapid.Float64Range(2, 10).Draw(t, "truck")
		o := mix.NewOrder(net, waste, .25, truck)
		require.GreaterOrEqual(t, o.OrderM3, o.GrossM3-1e-5)
		require.Less(t, o.OrderM3-o.GrossM3, .25+1e-9)
		require.InDelta(t, o.OrderM3, float64(o.Trucks-1)*truck+o.LastM3, 1e-9)
		require.True(t, o.LastM3 > 0 && o.LastM3 <= truck+1e-5, "%+v", o)
	})
}

// 2 % calcium chloride on 564 lb/yd3 is 11.28 lb per yd3.
func TestAdmixtureAmounts(t *testing.T) {
	perYd3 := mix.AdmixtureKg(2, 564*lbKg/mix.CubicYardM3, mix.CubicYardM3) / lbKg
	require.InDelta(t, 11.28, perYd3, 1e-9)
	require.Equal(t, 3, mix.Bags(2.01*mix.FlakeBagKg, mix.FlakeBagKg))
	require.Equal(t, 2, mix.Bags(2*mix.FlakeBagKg, mix.FlakeBagKg))
	require.InDelta(t, 10, mix.Litres(13.5, mix.NonChlorideKgL), 1e-9)
}

// and A10-14: chloride of products against the limits of ACI 318-19.
func TestChloride(t *testing.T) {
	for product, want := range map[concrete.Product]float64{concrete.Anhydrous: .639, concrete.Flake: .492} {
		require.InDelta(t, want, mix.ChloridePct(1, product), .0006)
	}
	flake := mix.ChloridePct(2, concrete.Flake)
	require.InDelta(t, .98, flake, .005, "X-57")
	for exposure, passes := range map[string]bool{"C0": true, "C1": false, "C2": false, "prestressed": false} {
		limit, known := mix.ChlorideLimitPct(exposure)
		require.True(t, known)
		require.Equal(t, passes, flake <= limit, exposure)
	}
	require.Greater(t, flake+.02, 1.0, "C0 passes only with under 0.02 % from elsewhere")
	_, known := mix.ChlorideLimitPct("C9")
	require.False(t, known)

	for limit, want := range map[float64]float64{.30: .47, .15: .23, .06: .09} {
		require.InDelta(t, want, mix.MaxDosePct(limit, 0, concrete.Anhydrous), .005)
	}
	require.Zero(t, mix.MaxDosePct(.06, .10, concrete.Flake))

	// 0.15 % of 600 lb in 3800 lb/yd3 is 0.9 lb/yd3, 0.024 % of the concrete.
	require.InDelta(t, .9, mix.AdmixtureKg(.15, 600, 1), 1e-9)
	require.InDelta(t, .024, mix.AdmixtureKg(.15, 600, 1)/3800*100, .0005)
}

// 100 min and 250 revolutions under the editions of ASTM C94.
func TestDischarge(t *testing.T) {
	for year, want := range map[int]bool{2012: true, 2013: true, 2020: true, 2021: false} {
		require.Equal(t, want, mix.C94Discharge(year).Over(100, 250, 0), "%d", year)
	}
	require.True(t, mix.C94Discharge(2021).Over(100, 250, 90), "the ticket's limit")
	require.True(t, mix.C94Discharge(2012).Over(80, 310, 0), "revolutions, up to 2012")
	require.False(t, mix.C94Discharge(2013).Over(80, 310, 0))
}

// Trade fact, common practice, no source: mixing water near 160 F gives concrete near
// 70 to 75 F with near-freezing aggregates. It holds where all the water goes in hot;
// 2 % free moisture on the aggregates takes 7 F of it.
func TestHotWaterTradeFact(t *testing.T) {
	dry := basis(35, 50, 160)
	dry.WaterKg += dry.Aggregates[0].MoistureKg
	dry.Aggregates[0].MoistureKg = 0
	require.InDelta(t, 72.5, f(dry.TempC()), 2.5)
	require.InDelta(t, 7, f(dry.TempC())-f(basis(35, 50, 160).TempC()), .5)
}
