package air_test

import (
	"math"
	"testing"

	"frostgate/rules/physics/air"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Wind chill chart of the US National Weather Service (2001), F and mph, from
// memory; the chart is in whole degrees.
func TestWindChillChart(t *testing.T) {
	for _, c := range []struct{ f, mph, want float64 }{
		{40, 5, 36}, {30, 10, 21}, {20, 20, 4}, {10, 20, -9}, {0, 15, -19}, {-10, 10, -28}, {-20, 30, -53}, {-40, 60, -91},
	} {
		got := air.WindChillC(fromF(c.f), c.mph*msPerMPH)*9/5 + 32
		require.InDelta(t, c.want, got, .6, "%v F, %v mph", c.f, c.mph)
	}
	// Environment Canada's table, from memory: -10 C and 20 km/h feel like -18, -20 C
	// and 30 km/h like -33.
	require.InDelta(t, -18, air.WindChillC(-10, 20/3.6), .5)
	require.InDelta(t, -33, air.WindChillC(-20, 30/3.6), .5)
	require.InDelta(t, -10, air.WindChillC(-10, 1), 0, "calm")
	require.InDelta(t, 15, air.WindChillC(15, 10), 0, "too warm for the formula")
}

func TestWindChillLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		temp, wind := rapid.Float64Range(-50, 30).Draw(t, "temp"), rapid.Float64Range(0, 30).Draw(t, "wind")
		c := air.WindChillC(temp, wind)
		require.LessOrEqual(t, c, temp)
		if temp <= 9 { // across 10 C the definition itself steps
			require.GreaterOrEqual(t, air.WindChillC(temp+.5, wind), c)
			require.LessOrEqual(t, air.WindChillC(temp, wind+1), c)
		}
	})
}

// Work and warm-up schedule for four-hour shifts (ACGIH, after Saskatchewan Labour;
// from memory), by the printed rows in F and columns in mph.
func TestWorkSchedule(t *testing.T) {
	const normal = 120
	for _, c := range []struct {
		f, mph, minutes float64
		breaks          int
	}{
		{-10, 20, normal, 1}, // warmer than the table
		{-15, 0, normal, 1},
		{-15, 5, normal, 1},
		{-15, 10, 75, 2},
		{-15, 15, 55, 3},
		{-15, 20, 40, 4},
		{-20, 0, normal, 1},
		{-20, 5, 75, 2},
		{-22, 10, 55, 3},
		{-20, 15, 40, 4},
		{-20, 20, 30, 5},
		{-25, 0, 75, 2},
		{-29, 5, 55, 3},
		{-25, 10, 40, 4},
		{-25, 15, 30, 5},
		{-30, 0, 55, 3},
		{-35, 0, 40, 4},
		{-40, 0, 30, 5},
	} {
		got := air.Work(fromF(c.f), c.mph*msPerMPH)
		require.Equal(t, air.WorkSchedule{MaxWorkMin: c.minutes, Breaks: c.breaks}, got, "%v F, %v mph", c.f, c.mph)
	}
	for _, c := range [][2]float64{{-25, 20}, {-30, 15}, {-35, 10}, {-40, 5}, {-45, 0}, {-60, 60}} {
		require.True(t, air.Work(fromF(c[0]), c[1]*msPerMPH).Cease, "%v", c)
	}
}

// Environment Canada's bands for frostbite, from memory.
func TestFrostbite(t *testing.T) {
	require.True(t, math.IsInf(air.FrostbiteMinutes(-20), 1))
	for chill, want := range map[float64]float64{-28: 10, -39: 10, -40: 5, -48: 2, -55: 1} {
		require.InDelta(t, want, air.FrostbiteMinutes(chill), 0, "%v", chill)
	}
}
