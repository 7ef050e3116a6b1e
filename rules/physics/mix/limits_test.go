package mix_test

import (
	"testing"

	"frostgate/rules/physics/mix"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

const mmPerIn = 25.4

// look-ups in ACI 306R, F.
func TestACI306(t *testing.T) {
	for name, e := range map[string]struct{ in, air, placeMin, placeMax, mixMin, mixMax float64 }{
		"X-19": {4, 25, 55, 75, 65, 80},
		"X-20": {16, 35, 50, 70, 55, 70},
		"X-21": {48, -5, 45, 65, 60, 75},
		"X-22": {12, 30, 50, 70, 60, 75},
		"0 F":  {4, 0, 55, 75, 65, 80},
		"72":   {72, 40, 45, 65, 50, 65},
		"over": {80, 40, 40, 60, 45, 60},
	} {
		l := mix.ACI306(e.in*mmPerIn, c(e.air), mix.US)
		require.InDelta(t, e.placeMin, f(l.PlaceMinC), 1e-9, name)
		require.InDelta(t, e.placeMax, f(l.PlaceMaxC), 1e-9, name)
		require.InDelta(t, e.mixMin, f(l.MixMinC), 1e-9, name)
		require.InDelta(t, e.mixMax, f(l.MixMaxC), 1e-9, name)
	}
}

// The metric columns as ACI prints them, air bands from warm to cold.
func TestACI306Metric(t *testing.T) {
	for _, e := range []struct {
		mm, place float64
		mixed     [3]float64
		drop      float64
	}{
		{150, 13, [3]float64{16, 18, 21}, 28},
		{300, 10, [3]float64{13, 16, 18}, 22},
		{1000, 7, [3]float64{10, 13, 16}, 17},
		{2000, 5, [3]float64{7, 10, 13}, 11},
	} {
		for band, air := range []float64{0, -10, -20} {
			l := mix.ACI306(e.mm, air, mix.SI)
			require.Equal(t, mix.TempLimits{
				PlaceMinC: e.place, PlaceMaxC: e.place + 11,
				MixMinC: e.mixed[band], MixMaxC: e.mixed[band] + 8, DropC: e.drop,
			}, l)
		}
	}
	require.InDelta(t, 18, mix.ACI306(150, -1, mix.SI).MixMinC, 0, "-1 C is the middle band")
	require.InDelta(t, 18, mix.ACI306(150, -18, mix.SI).MixMinC, 0, "-18 C is the middle band")
	// 306R-16: 80 F is the highest mixing temperature in air of 0 to 30 F.
	require.InDelta(t, 80, f(mix.ACI306(100, c(15), mix.US).MixMaxC), 1e-9)
}

// The pattern of the table: a step in thickness lowers lines 1 to 4 by 5 F and
// line 5 by 10 F; a colder band raises the as-mixed line by 5 F; line 2 is line 1 and
// 5 F. The printed metric values stay within 1.3 C of the exact ones.
func TestACI306Pattern(t *testing.T) {
	thick := []float64{6, 20, 50, 100} // in, one in each column
	rapid.Check(t, func(t *rapid.T) {
		airF := float64(rapid.IntRange(-400, 600).Draw(t, "air, tenths of F")) / 10
		i := rapid.IntRange(0, 2).Draw(t, "column")
		thin, next := mix.ACI306(thick[i]*mmPerIn, c(airF), mix.US), mix.ACI306(thick[i+1]*mmPerIn, c(airF), mix.US)
		const fiveF = 25.0 / 9
		require.InDelta(t, fiveF, thin.PlaceMinC-next.PlaceMinC, 1e-9)
		require.InDelta(t, fiveF, thin.MixMinC-next.MixMinC, 1e-9)
		require.InDelta(t, 2*fiveF, thin.DropC-next.DropC, 1e-9)
		band := 1.0
		if airF <= 30 {
			band = 2
		}
		if airF < 0 {
			band = 3
		}
		require.InDelta(t, band*fiveF, thin.MixMinC-thin.PlaceMinC, 1e-9)

		if airF > 31 || airF < 28 && airF > 1 || airF < -1 {
			si := mix.ACI306(thick[i]*mmPerIn, c(airF), mix.SI)
			require.InDelta(t, thin.PlaceMinC, si.PlaceMinC, .6)
			require.InDelta(t, thin.MixMinC, si.MixMinC, .6)
			require.InDelta(t, thin.DropC, si.DropC, .6)
		}
	})
}

// German and Canadian limits, C.
func TestOtherCodes(t *testing.T) {
	require.InDelta(t, 10, mix.DINPlacingMinC(-1, 220, false), 0)
	require.InDelta(t, 5, mix.DINPlacingMinC(-1, 300, false), 0)
	require.InDelta(t, 10, mix.DINPlacingMinC(-1, 300, true), 0)
	require.InDelta(t, 10, mix.DINPlacingMinC(-4, 300, false), 0)
	require.Zero(t, mix.DINPlacingMinC(8, 300, false))
	for mm, want := range map[float64][2]float64{200: {10, 35}, 500: {10, 30}, 1500: {5, 25}, 2500: {5, 20}} {
		minC, maxC := mix.CSAPlacingC(mm)
		require.Equal(t, want, [2]float64{minC, maxC})
	}
}
