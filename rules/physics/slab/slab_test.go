package slab_test

import (
	"math"
	"testing"

	"frostgate/rules/physics/concrete"
	"frostgate/rules/physics/heat"
	"frostgate/rules/physics/slab"
	"frostgate/rules/physics/soil"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// pourOf runs one lane of a demo under a weather.
func pourOf(t require.TestingT, d demo, f *slab.Forcing, change func(*slab.PourRun)) slab.Result {
	g, st := demoGround(t, d)
	run := slab.PourRun{
		Element: slab.Element{Kind: d.kind, ThicknessM: d.thickIn * inch, WidthM: d.widthIn * inch, FormRM2KW: d.formR, FoamM: d.foamIn * inch, Model: demoModel(t, d)},
		Ground:  g, HoursH: 48, Series: true,
		Lanes: []slab.Lane{{Forcing: f, Ground: st, Covers: d.covers, PlacedTempC: 18, BatchedBeforeH: .75}},
	}
	if change != nil {
		change(&run)
	}
	var s slab.Solver
	results, err := s.RunPour(run)
	require.NoError(t, err)
	return results[0]
}

// steady is weather that does not change, without sun.
func steady(t require.TestingT, airC, windMS float64) *slab.Forcing {
	hours := make([]slab.Hour, 100)
	for i := range hours {
		hours[i] = slab.Hour{AirTempC: airC, DewPointC: airC - 4, WindMS: windMS, Cloud: .8}
	}
	f, err := slab.NewForcing(hours)
	require.NoError(t, err)
	return f
}

func drawDemo(t *rapid.T) demo {
	d := theDemo()
	d.detail = slab.Coarse
	d.detail.FluxTolWm2, d.detail.TempTolK = 1e-6, 1e-6 // properties hold to the tolerance of the iteration
	d.cement = rapid.SampledFrom([]concrete.CementType{concrete.TypeI, concrete.TypeIAndII, concrete.TypeII, concrete.TypeIII}).Draw(t, "cement")
	d.lbYd3 = rapid.Float64Range(400, 800).Draw(t, "lbYd3")
	d.wcm = rapid.Float64Range(.38, .62).Draw(t, "wcm")
	d.psi = rapid.Float64Range(2500, 6000).Draw(t, "psi")
	d.acc = concrete.CalciumChloride(rapid.Float64Range(0, 2).Draw(t, "dose"), concrete.Flake)
	d.foamIn = rapid.SampledFrom([]float64{0, 2}).Draw(t, "foam")
	d.thickIn = rapid.Float64Range(3, 24).Draw(t, "thickness")
	d.wetBase = rapid.Bool().Draw(t, "wet")
	d.kind = rapid.SampledFrom([]slab.Kind{slab.Slab, slab.Footing, slab.Wall}).Draw(t, "kind")
	d.widthIn, d.formR = 20, .16
	d.covers = nil
	if rapid.Bool().Draw(t, "covered") {
		d.covers = []slab.Cover{{Kind: slab.Blanket, FromH: rapid.Float64Range(0, 20).Draw(t, "on"), ToH: slab.Forever, RM2KW: rapid.Float64Range(.1, 2).Draw(t, "R")}}
	}
	return d
}

// notLater compares hours of which NaN is never.
func notLater(t require.TestingT, a, b float64, what string) {
	if !math.IsNaN(b) {
		require.False(t, math.IsNaN(a), what)
		require.LessOrEqual(t, a, b+1e-6, what)
	}
}

// Warmer air never sets later, never reaches strength later, and never leaves a
// colder cell.
func TestWarmerAirIsNeverLater(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := drawDemo(t)
		airC := rapid.Float64Range(-25, 10).Draw(t, "air")
		warmer := airC + rapid.Float64Range(0, 12).Draw(t, "warmer")
		cold, warm := pourOf(t, d, steady(t, airC, 4), nil), pourOf(t, d, steady(t, warmer, 4), nil)
		notLater(t, warm.Top.InitialH, cold.Top.InitialH, "initial set of the top")
		notLater(t, warm.Top.FinalH, cold.Top.FinalH, "final set of the top")
		notLater(t, warm.Mean.FinalH, cold.Mean.FinalH, "final set")
		notLater(t, warm.Bottom.FinalH, cold.Bottom.FinalH, "final set of the bottom")
		notLater(t, warm.CriticalH, cold.CriticalH, "critical strength")
		require.GreaterOrEqual(t, warm.MinC, cold.MinC-1e-6)
		require.False(t, warm.FrozeEarly && !cold.FrozeEarly)
	})
}

// More insulation never leaves concrete colder in cold sunless air, nor later.
func TestMoreInsulationIsNeverColder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := drawDemo(t)
		r := rapid.Float64Range(0, 2).Draw(t, "R")
		more := r + rapid.Float64Range(0, 2).Draw(t, "more")
		on := rapid.Float64Range(0, 12).Draw(t, "on")
		f := steady(t, rapid.Float64Range(-25, -8).Draw(t, "air"), 4)
		covered := func(r float64) slab.Result {
			return pourOf(t, d, f, func(run *slab.PourRun) {
				run.Lanes[0].Covers = []slab.Cover{{Kind: slab.Blanket, FromH: on, ToH: slab.Forever, RM2KW: r}}
			})
		}
		thin, thick := covered(r), covered(more)
		require.GreaterOrEqual(t, thick.MinC, thin.MinC-1e-6)
		notLater(t, thick.Top.FinalH, thin.Top.FinalH, "final set of the top")
		notLater(t, thick.CriticalH, thin.CriticalH, "critical strength")
		for i := range min(len(thin.Hourly), len(thick.Hourly)) {
			require.GreaterOrEqual(t, thick.Hourly[i].ColdestC, thin.Hourly[i].ColdestC-1e-6)
		}
	})
}

// More cement in the same water never makes concrete weaker in its first days.
func TestMoreCementIsNeverWeakerEarly(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := drawDemo(t)
		more := d
		water := d.lbYd3 * d.wcm
		more.lbYd3 += rapid.Float64Range(0, 150).Draw(t, "more")
		more.wcm = water / more.lbYd3
		f := steady(t, rapid.Float64Range(-20, 10).Draw(t, "air"), 4)
		lean, rich := pourOf(t, d, f, nil), pourOf(t, more, f, nil)
		for i := range lean.Hourly {
			if lean.FrozeEarly || rich.FrozeEarly {
				break // damage depends on the hour it strikes
			}
			require.GreaterOrEqual(t, rich.Hourly[i].ColdestMPa, lean.Hourly[i].ColdestMPa-1e-6, "hour %d", i)
		}
		notLater(t, rich.Top.FinalH, lean.Top.FinalH, "final set of the top")
	})
}

// Whatever is placed in whatever weather: nothing is NaN that is not a time, ages
// and hydration only grow, heat is booked to 1e-9.
func TestAnyPour(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := drawDemo(t)
		hours := make([]slab.Hour, 80)
		for i := range hours {
			a := rapid.Float64Range(-40, 30).Draw(t, "air")
			hours[i] = slab.Hour{
				AirTempC: a, DewPointC: a - rapid.Float64Range(0, 15).Draw(t, "depression"), WindMS: rapid.Float64Range(0, 25).Draw(t, "wind"),
				Cloud: rapid.Float64Range(0, 1).Draw(t, "cloud"), ShortwaveWm2: rapid.Float64Range(0, 600).Draw(t, "sun"),
			}
		}
		f, err := slab.NewForcing(hours)
		require.NoError(t, err)
		r := pourOf(t, d, f, func(run *slab.PourRun) {
			run.Lanes[0].Covers = append(run.Lanes[0].Covers,
				slab.Cover{Kind: slab.Blanket, FromH: 20, ToH: 30, RM2KW: .5, HeatWm2: 100},
				slab.Cover{Kind: slab.Windbreak, FromH: 5, ToH: 25}, slab.Cover{Kind: slab.Sheet, FromH: 31, ToH: 40})
			run.Lanes[0].PlacedTempC = rapid.Float64Range(2, 32).Draw(t, "placed")
			run.Lanes[0].StartH = rapid.Float64Range(0, 30).Draw(t, "start")
		})
		require.Positive(t, r.EndH)
		was := slab.Sample{}
		for _, row := range r.Hourly {
			for _, v := range []float64{row.AirC, row.SkinC, row.TopC, row.MeanC, row.BottomC, row.BaseC, row.ColdestC, row.ColdestMPa, row.MeanMPa, row.TopMPa, row.EvaporationKgM2H} {
				require.False(t, math.IsNaN(v) || math.IsInf(v, 0))
			}
			require.GreaterOrEqual(t, row.Degree, was.Degree)
			require.GreaterOrEqual(t, row.SetAgeH, was.SetAgeH)
			require.GreaterOrEqual(t, row.WeakestAgeH, was.WeakestAgeH)
			require.GreaterOrEqual(t, row.EvaporationKgM2H, 0.)
			require.LessOrEqual(t, row.ColdestMPa, row.MeanMPa+1e-9)
			was = row
		}
		if r.FrozeEarly {
			require.False(t, math.IsNaN(r.FrozeH))
			require.Less(t, r.FrozeStrengthMPa, concrete.CriticalMPa)
			require.True(t, r.FrozenShare > 0 && r.FrozenShare < 1)
		}
		b := r.Balance
		sum := b.SurfaceJm2 + b.BottomJm2 + b.SourceJm2 + b.SinkJm2 + b.PropertyJm2
		scale := math.Abs(b.StoredJm2) + math.Abs(b.SurfaceJm2) + math.Abs(b.SourceJm2) + math.Abs(b.BottomJm2)
		require.InDelta(t, b.StoredJm2, sum, 1e-9*scale)
	})
}

// All heat of hydration goes into the column: that of the degree reached, times the
// heat of the mix.
func TestHydrationHeatIsBooked(t *testing.T) {
	d := theDemo()
	r := d.run(t)
	m := demoModel(t, d)
	last := r.Hourly[len(r.Hourly)-1]
	first := r.Hourly[0]
	require.InEpsilon(t, m.HeatJM3(first.Degree, last.Degree)*5*inch, r.Balance.SourceJm2, 1e-6)
}

// Lanes give what single runs give to rounding: weather, starts, covers, factors
// and lengths apart.
func TestLanesAreSingleRuns(t *testing.T) {
	d := theDemo()
	d.detail = slab.Coarse
	g, st := demoGround(t, d)
	central := demoWeather(t, d)
	run := slab.PourRun{
		Element: slab.Element{ThicknessM: .125, Model: demoModel(t, d), TargetsMPa: []float64{2, 7}}, Ground: g, HoursH: 60, Series: true,
	}
	for i := range 19 {
		f, x := new(slab.Forcing), float64(i)
		shift := make([]float64, 150)
		for h := range shift {
			shift[h] = 4 * math.Sin(x+float64(h)/9)
		}
		central.Perturb(f, 0, 150, slab.Shift{AirC: shift, WindMS: shift, Cloud: shift})
		lane := slab.Lane{
			Forcing: f, StartH: x / 3, Ground: st.Shift(x/9-1, 1), PlacedTempC: 10 + x/2, BatchedBeforeH: .5,
			Factors: slab.Factors{Convection: 1 + x/50, CoverR: 1 - x/50, GroundConductivity: 1 + x/40, SetTime: 1 + x/60, StrengthTime: 1 - x/60, HeatTime: 1 + x/80},
		}
		if i%3 > 0 {
			lane.Covers = []slab.Cover{{Kind: slab.Blanket, FromH: 9 + x, ToH: 40, RM2KW: .7}}
		}
		if i%4 == 0 {
			lane.HoursH = 20
		}
		run.Lanes = append(run.Lanes, lane)
	}
	for _, run.StopWhenKnown = range []bool{false, true} {
		together, err := new(slab.Solver).RunPour(run)
		require.NoError(t, err)
		for i := range run.Lanes {
			one := run
			one.Lanes = run.Lanes[i : i+1]
			alone, err := new(slab.Solver).RunPour(one)
			require.NoError(t, err)
			requireSame(t, alone[0], together[i])
		}
	}
}

func requireSame(t *testing.T, a, b slab.Result) {
	t.Helper()
	close := func(x, y float64) {
		t.Helper()
		if math.IsNaN(x) || math.IsNaN(y) {
			require.Equal(t, math.IsNaN(x), math.IsNaN(y))
			return
		}
		require.InDelta(t, x, y, 1e-9*math.Max(1, math.Abs(x)))
	}
	require.Len(t, b.Hourly, len(a.Hourly))
	for i := range a.Hourly {
		close(a.Hourly[i].TopC, b.Hourly[i].TopC)
		close(a.Hourly[i].BaseC, b.Hourly[i].BaseC)
		close(a.Hourly[i].ColdestMPa, b.Hourly[i].ColdestMPa)
	}
	for _, p := range [][2]float64{
		{a.Top.FinalH, b.Top.FinalH},
		{a.Mean.InitialH, b.Mean.InitialH},
		{a.Bottom.FinalH, b.Bottom.FinalH},
		{a.CriticalH, b.CriticalH},
		{a.CriticalMeanH, b.CriticalMeanH},
		{a.TargetH[0], b.TargetH[0]},
		{a.TargetTopH[1], b.TargetTopH[1]},
		{a.MinBeforeCriticalC, b.MinBeforeCriticalC},
		{a.FrozeH, b.FrozeH},
		{a.FrozenShare, b.FrozenShare},
		{a.MinC, b.MinC},
		{a.PeakTopC, b.PeakTopC},
		{a.EndH, b.EndH},
		{a.Balance.SurfaceJm2, b.Balance.SurfaceJm2},
		{a.PeakEvaporationKgM2H, b.PeakEvaporationKgM2H},
	} {
		close(p[0], p[1])
	}
}

// Coarse stays near Usual over the demo's variants: 0.05 h and 1 % on set, 0.1 h
// and 1.5 % on critical strength, 0.4 K on the warm side of the coldest cell, 0.6 on the
// cold side.
func TestCoarse(t *testing.T) {
	for name, change := range map[string]func(*demo){
		"demo": func(*demo) {}, "no accelerator": func(d *demo) { d.acc = concrete.NoAccelerator }, "foam": func(d *demo) { d.foamIn = 2 },
		"overcast": func(d *demo) { d.cloud, d.windMS = 1, 6 }, "wet": func(d *demo) { d.wetBase = true }, "3 in": func(d *demo) { d.thickIn = 3 },
		"wall":    func(d *demo) { d.kind, d.thickIn, d.formR, d.covers = slab.Wall, 8, .94*usR, nil },
		"footing": func(d *demo) { d.kind, d.thickIn, d.widthIn, d.formR = slab.Footing, 12, 20, .94*usR },
		"2 ft":    func(d *demo) { d.thickIn = 24 },
	} {
		d := theDemo()
		change(&d)
		d.detail = slab.Usual
		usual := d.run(t)
		d.detail = slab.Coarse
		coarse := d.run(t)
		for _, p := range [][2]float64{
			{usual.Top.InitialH, coarse.Top.InitialH}, {usual.Top.FinalH, coarse.Top.FinalH}, {usual.Mean.FinalH, coarse.Mean.FinalH}, {usual.Bottom.FinalH, coarse.Bottom.FinalH},
		} {
			require.InDelta(t, p[0], p[1], .05+.01*p[0], name)
		}
		require.InDelta(t, usual.CriticalH, coarse.CriticalH, .1+.015*usual.CriticalH, name)
		require.Less(t, coarse.MinBeforeCriticalC, usual.MinBeforeCriticalC+.4, name)
		require.Greater(t, coarse.MinBeforeCriticalC, usual.MinBeforeCriticalC-.6, name)
	}
}

// Runs reuse their memory: nothing is allocated per step, and little per call.
func TestRunsReuseMemory(t *testing.T) {
	d := theDemo()
	d.detail = slab.Coarse
	g, st := demoGround(t, d)
	f := demoWeather(t, d)
	var s slab.Solver
	pour := slab.PourRun{Element: slab.Element{ThicknessM: .125, Model: demoModel(t, d)}, Ground: g, HoursH: 72, Series: true}
	ground := slab.GroundRun{Ground: g, ToH: 100}
	for range 16 {
		pour.Lanes = append(pour.Lanes, slab.Lane{Forcing: f, Ground: st, PlacedTempC: 20, Covers: d.covers})
		ground.Lanes = append(ground.Lanes, slab.GroundLane{Forcing: f, Start: st})
	}
	allocs := func(run func()) float64 { run(); return testing.AllocsPerRun(20, run) }
	require.LessOrEqual(t, allocs(func() {
		var err error
		pour.Into, err = s.RunPour(pour)
		require.NoError(t, err)
	}), 2.)
	require.LessOrEqual(t, allocs(func() {
		var err error
		ground.Into, err = s.RunGround(ground)
		require.NoError(t, err)
	}), 2.)
}

// A lane ends with its weather: what would come after is not known.
func TestEndsWithTheWeather(t *testing.T) {
	d := theDemo()
	r := pourOf(t, d, demoWeather(t, d), func(run *slab.PourRun) { run.Lanes[0].StartH = 146 })
	require.InDelta(t, 149, r.EndH, 1e-9)
	require.Len(t, r.Hourly, 4)
	require.True(t, math.IsNaN(r.CriticalH))
	require.False(t, math.IsNaN(r.MinBeforeCriticalC))
}

// A measured temperature takes the place of the computed one.
func TestNudge(t *testing.T) {
	d := theDemo()
	f := demoWeather(t, d)
	run := func(n ...slab.Nudge) slab.Result {
		return pourOf(t, d, f, func(run *slab.PourRun) { run.Lanes[0].Nudges = n })
	}
	plain, mean, deep := run(), run(slab.Nudge{AtH: 6, MeasuredC: 12, DepthM: math.NaN()}), run(slab.Nudge{AtH: 6, MeasuredC: 3, DepthM: .06})
	require.InDelta(t, 12, mean.Hourly[6].MeanC, 1e-9)
	require.Less(t, mean.CriticalH, plain.CriticalH)
	require.Greater(t, deep.CriticalH, plain.CriticalH)
	require.InDelta(t, plain.Hourly[5].MeanC, mean.Hourly[5].MeanC, 1e-9)
}

// A windbreak and a sheet keep water in fresh concrete.
func TestEvaporationUnderCovers(t *testing.T) {
	d := theDemo()
	f := demoWeather(t, d)
	peak := func(kind slab.CoverKind) slab.Result {
		d.covers = []slab.Cover{{Kind: kind, FromH: 0, ToH: slab.Forever}}
		return pourOf(t, d, f, nil)
	}
	d.covers = nil
	open, behind, sheet := pourOf(t, d, f, nil), peak(slab.Windbreak), peak(slab.Sheet)
	require.Less(t, behind.PeakEvaporationKgM2H, .7*open.PeakEvaporationKgM2H)
	require.Zero(t, sheet.PeakEvaporationKgM2H)
	require.Less(t, sheet.Top.FinalH, open.Top.FinalH) // no heat is lost to drying
	require.Positive(t, open.Hourly[3].EvaporationKgM2H)
	require.Less(t, open.Hourly[10].EvaporationKgM2H, .5*open.Hourly[3].EvaporationKgM2H)
}

// A guard is crossed before freezing is.
func TestGuard(t *testing.T) {
	d := theDemo()
	d.covers = nil
	r := pourOf(t, d, demoWeather(t, d), func(run *slab.PourRun) { run.Element.GuardC = demoModel(t, d).FreezingPointC + concrete.FreezeGuardC })
	require.True(t, r.FrozeEarly)
	require.Less(t, r.GuardH, r.FrozeH)
	short := pourOf(t, d, demoWeather(t, d), func(run *slab.PourRun) {
		run.Element.GuardC, run.StopOnGuard = demoModel(t, d).FreezingPointC+concrete.FreezeGuardC, true
	})
	require.InDelta(t, r.GuardH, short.GuardH, 1e-9)
	require.InDelta(t, math.Max(r.GuardH, r.Top.FinalH), short.EndH, .26)
	row := r.Hourly[int(r.GuardH)+1]
	require.Less(t, row.ColdestC, demoModel(t, d).FreezingPointC+concrete.FreezeGuardC)
}

// Ground: snow, straw, blankets and mats keep or make it warmer; shifting and
// adopting states keeps heat.
func TestGroundUnderCovers(t *testing.T) {
	g, st := demoGround(t, theDemo())
	hours := make([]slab.Hour, 200)
	for i := range hours {
		hours[i] = slab.Hour{AirTempC: -12, DewPointC: -15, WindMS: 4, Cloud: .5, SnowDepthM: .1}
	}
	f, err := slab.NewForcing(hours)
	require.NoError(t, err)
	cover := func(c slab.Cover) []slab.Cover { c.ToH = slab.Forever; return []slab.Cover{c} }
	lanes := []slab.GroundLane{
		{},
		{SnowUntilH: 300},
		{Covers: cover(slab.Cover{Kind: slab.Straw, RM2KW: .35})},
		{Covers: cover(slab.Cover{Kind: slab.Blanket, RM2KW: .7})},
		{Covers: cover(slab.Cover{Kind: slab.Blanket, RM2KW: .7, HeatWm2: 150})},
		{SnowUntilH: 100},
	}
	for i := range lanes {
		lanes[i].Forcing, lanes[i].Start = f, st
	}
	tracks, err := new(slab.Solver).RunGround(slab.GroundRun{Ground: g, ToH: 150, Lanes: lanes})
	require.NoError(t, err)
	last := func(i int) slab.GroundSample { return tracks[i].At(150) }
	bare := last(0)
	require.Greater(t, bare.BottomM, .1)
	for i := 1; i < len(lanes); i++ {
		require.Greater(t, last(i).SurfaceC, bare.SurfaceC, i)
		require.Less(t, last(i).IceM, bare.IceM, i)
	}
	require.Greater(t, last(4).SurfaceC, 10.) // mats thaw and warm
	require.Zero(t, last(4).BottomM)
	require.InDelta(t, tracks[1].At(99).SurfaceC, tracks[5].At(99).SurfaceC, 1e-9)
	require.Less(t, last(5).SurfaceC, last(1).SurfaceC) // snow is cleared
	for _, tr := range tracks {
		b := tr.Balance
		require.InDelta(t, b.StoredJm2, b.SurfaceJm2+b.BottomJm2+b.SourceJm2+b.SinkJm2+b.PropertyJm2, 1e-9*math.Abs(b.SurfaceJm2))
	}
	at := tracks[0].StateAt(99.5)
	require.InDelta(t, (tracks[0].At(99).SurfaceC+tracks[0].At(100).SurfaceC)/2, at.SurfaceC(), 1e-9)
}

// Ground thaws from above under mats, and the frost left below is seen.
func TestThawFromAbove(t *testing.T) {
	m, _ := soil.MaterialOf("silt_clay")
	g, err := slab.NewGround([]slab.Layer{{Material: slab.Soil(m.At(16)), ThicknessM: 3}}, slab.Usual)
	require.NoError(t, err)
	st, err := g.FromProfile(slab.Profile{{DepthM: 0, TempC: -6}, {DepthM: .5, TempC: -.1}, {DepthM: 3, TempC: 8}})
	require.NoError(t, err)
	require.InDelta(t, .5, st.Frost().BottomM, .05)
	require.Zero(t, st.Frost().TopM)
	tracks, err := new(slab.Solver).RunGround(slab.GroundRun{Ground: g, ToH: 48, Lanes: []slab.GroundLane{{
		Forcing: steady(t, -10, 4), Start: st,
		Covers: []slab.Cover{{Kind: slab.Blanket, FromH: 0, ToH: slab.Forever, RM2KW: 1, HeatWm2: 250}},
	}}})
	require.NoError(t, err)
	end := tracks[0].At(48)
	require.Greater(t, end.SurfaceC, 5.)
	require.Greater(t, end.TopM, .1)
	require.InDelta(t, .5, end.BottomM, .1)
}

// A state moved between details keeps its enthalpy, ice counted.
func TestAdoptKeepsHeat(t *testing.T) {
	m, _ := soil.MaterialOf("silt_clay")
	material := slab.Soil(m.At(16))
	ground := func(d slab.Detail) *slab.Ground {
		g, err := slab.NewGround([]slab.Layer{{Material: material, ThicknessM: 3}}, d)
		require.NoError(t, err)
		return g
	}
	usual, coarse := ground(slab.Usual), ground(slab.Coarse)
	st, err := usual.FromProfile(slab.Profile{{DepthM: 0, TempC: -6}, {DepthM: .3, TempC: -.2}, {DepthM: 3, TempC: 8}})
	require.NoError(t, err)
	moved := coarse.Adopt(st)
	require.InEpsilon(t, st.Frost().IceM, moved.Frost().IceM, .15)
	heatOf := func(g *slab.Ground, st slab.State) float64 {
		tracks, err := new(slab.Solver).RunGround(slab.GroundRun{Ground: g, Lanes: []slab.GroundLane{{Forcing: steady(t, 0, 0), Start: st}}})
		require.NoError(t, err)
		return tracks[0].StateAt(0).EnthalpyJM2()
	}
	require.InEpsilon(t, heatOf(usual, st), heatOf(coarse, st), 1e-9)
	require.InDelta(t, st.SurfaceC()+2, st.Shift(2, 1e9).SurfaceC(), 1e-6)
	require.InDelta(t, st.TempC(2), st.Shift(2, 1).TempC(2), 1e-9)
}

// The weather between hours: states are linear, sunlight keeps the mean of the hour.
func TestForcing(t *testing.T) {
	f, err := slab.NewForcing([]slab.Hour{{AirTempC: 0, DewPointC: -5}, {AirTempC: 4, DewPointC: -5, ShortwaveWm2: 100}, {AirTempC: 8, DewPointC: -5, ShortwaveWm2: 300}})
	require.NoError(t, err)
	require.InDelta(t, 1, f.AirC(.25), 1e-12)
	require.InDelta(t, 6, f.AirC(1.5), 1e-12)
	require.InDelta(t, 0, f.AirC(-3), 1e-12)
	require.InDelta(t, 8, f.AirC(9), 1e-12)
	require.InDelta(t, 2, f.EndH(), 1e-12)

	member := new(slab.Forcing)
	f.Perturb(member, 1, 2, slab.Shift{AirC: []float64{9, 9, 9}})
	require.InDelta(t, 0, member.AirC(0), 1e-12)
	require.InDelta(t, 13, member.AirC(1), 1e-12)
	require.InDelta(t, 8, member.AirC(2), 1e-12)
	require.InDelta(t, 4, f.AirC(1), 1e-12)
}

// What cannot be computed is refused.
func TestRefusals(t *testing.T) {
	_, err := slab.NewForcing(nil)
	require.ErrorIs(t, err, slab.ErrInput)
	_, err = slab.NewForcing([]slab.Hour{{AirTempC: math.NaN()}})
	require.ErrorIs(t, err, slab.ErrInput)
	_, err = slab.NewForcing([]slab.Hour{{WindMS: -1}})
	require.ErrorIs(t, err, slab.ErrInput)
	layer := []slab.Layer{{Material: heat.Constant(1, 1e6), ThicknessM: 1}}
	_, err = slab.NewGround(nil, slab.Usual)
	require.ErrorIs(t, err, slab.ErrInput)
	_, err = slab.NewGround(layer, slab.Detail{})
	require.ErrorIs(t, err, slab.ErrInput)
	odd := slab.Usual
	odd.Steps = []slab.Stride{{UntilH: slab.Forever, StepS: 700}}
	_, err = slab.NewGround(layer, odd)
	require.ErrorIs(t, err, slab.ErrInput, "steps that do not divide the hour")
	g, err := slab.NewGround(layer, slab.Usual)
	require.NoError(t, err)
	_, err = g.FromProfile(nil)
	require.ErrorIs(t, err, slab.ErrInput)
	_, err = g.FromProfile(slab.Profile{{DepthM: 1, TempC: 0}, {DepthM: .5, TempC: 0}})
	require.ErrorIs(t, err, slab.ErrInput)
	_, err = new(slab.Solver).RunGround(slab.GroundRun{Ground: g, FromH: 2, ToH: 1})
	require.ErrorIs(t, err, slab.ErrInput)
	_, err = new(slab.Solver).RunPour(slab.PourRun{Ground: g, HoursH: 1})
	require.ErrorIs(t, err, slab.ErrInput)
}
