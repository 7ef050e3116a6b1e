package slab_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"frostgate/rules/physics/slab"
)

// benchRun is the demo in n lanes, each a little warmer, to final set and critical
// strength.
func benchRun(b *testing.B, n int, detail slab.Detail) slab.PourRun {
	d := theDemo()
	d.detail = detail
	g, st := demoGround(b, d)
	central := demoWeather(b, d)
	run := slab.PourRun{
		Element: slab.Element{ThicknessM: d.thickIn * inch, Model: demoModel(b, d)},
		Ground:  g, HoursH: 72, StopWhenKnown: true, Lanes: make([]slab.Lane, n),
	}
	for i := range run.Lanes {
		shift := make([]float64, 150)
		for h := range shift {
			shift[h] = 2 * math.Sin(float64(i))
		}
		f := new(slab.Forcing)
		central.Perturb(f, 0, 150, slab.Shift{AirC: shift})
		run.Lanes[i] = slab.Lane{Forcing: f, Ground: st, Covers: d.covers, PlacedTempC: 20, BatchedBeforeH: .75}
	}
	return run
}

func benchPour(b *testing.B, run slab.PourRun) {
	b.Helper()
	var s slab.Solver
	for b.Loop() {
		results, err := s.RunPour(run)
		require.NoError(b, err)
		run.Into = results
	}
	b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(b.N)/float64(len(run.Lanes)), "us/lane")
}

func BenchmarkPourSingle(b *testing.B) {
	b.Run("fine", func(b *testing.B) { benchPour(b, benchRun(b, 1, slab.Fine)) })
	b.Run("usual", func(b *testing.B) { benchPour(b, benchRun(b, 1, slab.Usual)) })
	b.Run("coarse", func(b *testing.B) { benchPour(b, benchRun(b, 1, slab.Coarse)) })
}

func BenchmarkPourMembers(b *testing.B) {
	b.Run("usual", func(b *testing.B) { benchPour(b, benchRun(b, 64, slab.Usual)) })
	b.Run("coarse", func(b *testing.B) { benchPour(b, benchRun(b, 64, slab.Coarse)) })
}

// BenchmarkSpinUp is 30 days of hourly weather into the ground, one lane.
func BenchmarkSpinUp(b *testing.B) {
	for _, c := range []struct {
		name   string
		detail slab.Detail
	}{{"usual", slab.Usual}, {"coarse", slab.Coarse}} {
		b.Run(c.name, func(b *testing.B) {
			d := theDemo()
			d.detail = c.detail
			g, st := demoGround(b, d)
			run := slab.GroundRun{Ground: g, ToH: 149, KeepFromH: slab.Forever, Lanes: []slab.GroundLane{{Forcing: demoWeather(b, d), Start: st}}}
			var s slab.Solver
			for b.Loop() {
				for range 5 {
					tracks, err := s.RunGround(run)
					require.NoError(b, err)
					run.Into = tracks
				}
			}
		})
	}
}
