package curing_test

import (
	"testing"

	"frostgate/rules/physics/curing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func c(f float64) float64 { return (f - 32) * 5 / 9 }

// and the whole table of ACI 306R, days.
func TestProtection(t *testing.T) {
	for _, e := range []struct {
		category    int
		accelerated bool
		freezing    float64
		strength    float64
		prove       bool
	}{
		{1, false, 2, 2, false},
		{1, true, 1, 1, false},
		{2, false, 3, 3, false},
		{2, true, 2, 2, false},
		{3, false, 3, 6, false},
		{3, true, 2, 4, false},
		{4, false, 3, 0, true},
		{4, true, 2, 0, true},
	} {
		require.Equal(t, curing.Period{EarlyFreezingD: e.freezing, StrengthD: e.strength, ProveStrength: e.prove},
			curing.Protection(e.category, e.accelerated))
	}
	require.True(t, curing.Protection(9, false).ProveStrength, "unknown counts as full load")
}

// and the corners of the table of CSA A23.1, C deg.
func TestDifference(t *testing.T) {
	for _, e := range []struct{ mm, ratio, want float64 }{
		{600, 7, 15},
		{300, 0, 29},
		{450, 4, 18.75},
		{300, 20, 12},
		{1200, 0, 17},
		{1200, 20, 12},
		{900, 3, 16},
		{100, 0, 29},
		{3000, 50, 12}, // held at the ends
	} {
		got, known := curing.DifferenceC(e.mm, e.ratio, 3)
		require.True(t, known)
		require.InDelta(t, e.want, got, 1e-9, "%v", e)
	}
	_, known := curing.DifferenceC(300, 0, 26/3.6)
	require.False(t, known, "the graph ends at 25 km/h")
}

// A thicker or longer structure never allows more.
func TestDifferenceLaw(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		mm := rapid.Float64Range(50, 2000).Draw(t, "thickness")
		ratio := rapid.Float64Range(0, 40).Draw(t, "ratio")
		d, _ := curing.DifferenceC(mm, ratio, 0)
		thicker, _ := curing.DifferenceC(mm+50, ratio, 0)
		longer, _ := curing.DifferenceC(mm, ratio+1, 0)
		require.LessOrEqual(t, thicker, d)
		require.LessOrEqual(t, longer, d)
		require.True(t, d >= 12 && d <= 29)
	})
}

// X-31 and the rows of the Iowa-style cover rule.
func TestCover(t *testing.T) {
	for low, want := range map[float64]curing.WeatherCover{
		40: {},
		35: {BurlapLayers: 1}, 32: {BurlapLayers: 1},
		31: {BurlapLayers: 2, FilmInstead: true},
		28: {BurlapLayers: 2, FilmInstead: true},
		25: {BurlapLayers: 2, FilmInstead: true},
		24: {BurlapLayers: 4, Insulate: true},
	} {
		require.Equal(t, want, curing.Cover(c(low)), "%v F", low)
	}
}

// ACI 306.1-90: 20 F is 11.1 C deg (U-03).
func TestWithinAir(t *testing.T) {
	require.InDelta(t, 11.1, curing.WithinAirC, .05)
}
