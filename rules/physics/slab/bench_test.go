package slab_test

import (
	"math"
	"testing"

	"frostgate/rules/physics/slab"

	"github.com/stretchr/testify/require"
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

// BenchmarkRescore is the slab work of rescoring one pour: the ground through a
// week's forecast, 70 candidate starts from it, and 51 members with their own ground
// for a day before; coarse, on one core.
func BenchmarkRescore(b *testing.B) {
	d := theDemo()
	d.detail = slab.Coarse
	members := benchRun(b, 51, slab.Coarse)
	g, st := demoGround(b, d)
	members.Ground = g
	ground := slab.GroundRun{Ground: g, ToH: 24, KeepFromH: slab.Forever}
	for i := range members.Lanes {
		lane := &members.Lanes[i]
		lane.StartH = 24
		ground.Lanes = append(ground.Lanes, slab.GroundLane{Forcing: lane.Forcing, Start: st})
	}
	central := demoWeather(b, d)
	week := slab.GroundRun{Ground: g, ToH: 100, Lanes: []slab.GroundLane{{Forcing: central, Start: st}}}
	windows := members
	windows.Lanes = make([]slab.Lane, 70)
	var s slab.Solver
	var err error
	for b.Loop() {
		week.Into, err = s.RunGround(week)
		require.NoError(b, err)
		for i := range windows.Lanes {
			start := float64(i)
			windows.Lanes[i] = slab.Lane{
				Forcing: central, StartH: start, Ground: week.Into[0].StateAt(start), PlacedTempC: 20, BatchedBeforeH: .75,
				Covers: []slab.Cover{{Kind: slab.Blanket, FromH: start + 9, ToH: slab.Forever, RM2KW: .7}},
			}
		}
		windows.Into, err = s.RunPour(windows)
		require.NoError(b, err)
		ground.Into, err = s.RunGround(ground)
		require.NoError(b, err)
		for i := range members.Lanes {
			members.Lanes[i].Ground = ground.Into[i].Last()
		}
		members.Into, err = s.RunPour(members)
		require.NoError(b, err)
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "pours/s")
}
