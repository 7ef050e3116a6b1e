package mix_test

import (
	"testing"

	"frostgate/rules/physics/mix"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// worked examples of the drop in delivery.
func TestHaul(t *testing.T) {
	for name, e := range map[string]struct {
		truck                 mix.Truck
		hours, required, airF float64
		drop                  float64 // F deg
	}{
		"X-13": {mix.Drum, 1, 50, 20, 7.5},
		"X-14": {mix.CoveredDump, 1, 50, 20, 3.0},
		"X-15": {mix.OpenDump, 1, 50, 20, 6.0},
		"X-16": {mix.Drum, .75, 55, 10, 8.4},
		"X-17": {mix.Drum, 1.5, 55, 25, 11.25},
	} {
		got := mix.HaulDropC(e.truck, e.hours, c(e.required), c(e.airF)) * 9 / 5
		require.InDelta(t, e.drop, got, .05, name)
	}
	require.InDelta(t, 5.75, mix.HaulDropC(mix.Drum, 1, 13, -10), 1e-9, "X-18")
	require.Zero(t, mix.HaulDropC(mix.Drum, 1, 10, 15), "A5-05: a rule for loss")

	// by haul 63.4 F, but line 3 asks 65 F; X-17: by haul 66.25 F.
	needed, haul := mix.AtMixerC(mix.Drum, .75, c(55), c(10), c(65))
	require.InDelta(t, 65, f(needed), 1e-9)
	require.False(t, haul)
	needed, haul = mix.AtMixerC(mix.Drum, 1.5, c(55), c(25), c(65))
	require.InDelta(t, 66.25, f(needed), 1e-9)
	require.True(t, haul)
}

func TestDeliveredUndoesDrop(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		truck := rapid.SampledFrom([]mix.Truck{mix.Drum, mix.CoveredDump, mix.OpenDump, "barrow"}).Draw(t, "truck")
		hours := rapid.Float64Range(0, 3).Draw(t, "hours")
		required := rapid.Float64Range(-5, 30).Draw(t, "required")
		airC := rapid.Float64Range(-40, 35).Draw(t, "air")
		mixed := required + mix.HaulDropC(truck, hours, required, airC)
		require.InDelta(t, required, mix.DeliveredC(truck, hours, mixed, airC), 1e-9)
	})
}
