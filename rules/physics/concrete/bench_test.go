package concrete_test

import (
	"testing"

	"frostgate/rules/physics/concrete"
)

var sink float64

// The functions of a solver's inner loop, one call each; none allocates.
func BenchmarkInnerLoop(b *testing.B) {
	m := model(b, concrete.Mix{})
	for _, f := range []struct {
		name string
		call func(x float64) float64
	}{
		{"Arr", func(x float64) float64 { return concrete.Arr(x, 5000) }},
		{"Degree", m.Degree},
		{"StrengthMPa", m.StrengthMPa},
		{"ConductivityWmK", func(x float64) float64 { return m.ConductivityWmK(x / 50) }},
		{"HeatCapacityJM3K", func(x float64) float64 { return m.HeatCapacityJM3K(x/50, x) }},
		{"LatentJM3", func(x float64) float64 { return m.LatentJM3(x / 50) }},
		{"UnfrozenShare", func(x float64) float64 { return m.UnfrozenShare(x - 10) }},
	} {
		b.Run(f.name, func(b *testing.B) {
			b.ReportAllocs()
			x := 0.0
			for b.Loop() {
				x += .37
				if x > 30 {
					x -= 30
				}
				sink = f.call(x)
			}
		})
	}
}
