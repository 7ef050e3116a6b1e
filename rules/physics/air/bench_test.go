package air_test

import (
	"testing"

	"frostgate/rules/physics/air"
)

var sink float64

// The functions a surface balance calls each step; none allocates.
func BenchmarkInnerLoop(b *testing.B) {
	for _, f := range []struct {
		name string
		call func(x float64) float64
	}{
		{"SaturationPressureKPa", air.SaturationPressureKPa},
		{"ConvectionWm2K", func(x float64) float64 { return air.ConvectionWm2K(x / 4) }},
		{"LongwaveDownWm2", func(x float64) float64 { return air.LongwaveDownWm2(x, x-5, .5) }},
		{"BlackbodyWm2", air.BlackbodyWm2},
		{"MenzelKgM2H", func(x float64) float64 { return air.MenzelKgM2H(15, x, .7, 3) }},
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
