package rules

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func seen(kind string, afterH, value float64) Observation {
	return Observation{Kind: kind, At: demoStart.Add(hours(afterH)), Value: value}
}

func TestObservedSetMovesTheDay(t *testing.T) {
	plain := Assess(demoCase(), Options{})
	for _, kind := range []string{"initial_set", "final_set"} {
		at := map[string]float64{"initial_set": 4.5, "final_set": 8}[kind]
		c := demoCase()
		c.Pour.Observations = []Observation{seen(kind, at, 0)}
		a := Assess(c, Options{})
		got := a.Timeline.InitialSetAt
		if kind == "final_set" {
			got = a.Timeline.FinalSetAt
		}
		require.InDelta(t, at, hoursAfter(got), 0.1, kind)
		require.Greater(t, hoursAfter(a.Timeline.FinishingEndsAt), hoursAfter(plain.Timeline.FinishingEndsAt), kind)
	}
}

func TestCylinderMovesTheStrength(t *testing.T) {
	plain := Assess(demoCase(), Options{})
	c := demoCase()
	c.Pour.Observations = []Observation{seen("cylinder_strength", 24, plain.Strength[24].MeanMPa*0.8)}
	a := Assess(c, Options{})
	require.InEpsilon(t, plain.Strength[24].MeanMPa*0.8, a.Strength[24].MeanMPa, 0.02)
	require.Greater(t, hoursAfter(a.Timeline.CriticalStrengthAt), hoursAfter(plain.Timeline.CriticalStrengthAt))
}

func TestMeasuredConcreteTakesThePlaceOfPrediction(t *testing.T) {
	c := demoCase()
	c.Pour.Observations = []Observation{seen("concrete_temp", 0, 14)}
	a := Assess(c, Options{})
	require.InDelta(t, 14, a.Temperatures[0].MeanC, 0.01)

	c.Pour.Observations = append(c.Pour.Observations, Observation{Kind: "slab_temp", At: demoStart.Add(12 * time.Hour), Value: 15, DepthMM: 60})
	b := Assess(c, Options{})
	require.InDelta(t, 15, b.Temperatures[12].MeanC, 0.6)
	require.Equal(t, a.Temperatures[:12], b.Temperatures[:12])
	require.True(t, b.Timeline.CriticalStrengthAt.Before(*a.Timeline.CriticalStrengthAt))
}

func TestBlanketsSeenTakeThePlaceOfThePlan(t *testing.T) {
	never := with(demoCase(), bare)
	onAtSix := never
	onAtSix.Pour.Observations = []Observation{seen("blanket_on", 6, 0)}
	onAtSix.Pour.AtHand = []Cover{{RM2KW: 4 * usR}}
	a := Assess(onAtSix, Options{})
	require.False(t, *a.FreezesBeforeCritical)
	planned := with(demoCase(), func(c *Case) { c.Pour.Protection = []Protection{{RM2KW: 4 * usR, OnAt: demoStart.Add(6 * time.Hour)}} })
	require.Equal(t, Assess(planned, Options{}).Temperatures, a.Temperatures)

	// Taken off after ten hours, the night does its work.
	offAtTen := demoCase()
	offAtTen.Pour.Observations = []Observation{seen("blanket_on", 8, 0), seen("blanket_off", 10, 0)}
	b := Assess(offAtTen, Options{})
	require.True(t, *b.FreezesBeforeCritical)
}

// coldSpell is two weeks of -8 to 0 C before and a week after the demonstration.
func coldSpell() Case {
	c := demoCase()
	c.Pour.Base.Temps = nil
	c.AssessedAt = demoStart.Add(-2 * time.Hour)
	c.Weather = mildHours(demoStart.AddDate(0, 0, -14), 21*24)
	for i := range c.Weather {
		*c.Weather[i].AirTempC -= 20
		*c.Weather[i].DewPointC = *c.Weather[i].AirTempC - 4
	}
	return c
}

func TestBaseSeenByHandDecides(t *testing.T) {
	predicted := Assess(coldSpell(), Options{Members: 5, Seed: 1})
	require.Equal(t, baseFrozen, predicted.Ground.State)
	require.Equal(t, fromSpunUp, predicted.Ground.From)

	thawed := coldSpell()
	thawed.Pour.Observations = []Observation{seen("base_frozen", -1, 0)}
	a := Assess(thawed, Options{Members: 5, Seed: 1})
	require.Equal(t, fromObserved, a.Ground.From)
	require.Nil(t, found(&a, "ground.frozen"))
	require.Zero(t, a.Chance.BaseFrozen)

	mild := demoCase()
	mild.Pour.Base.Temps = nil
	mild.Weather = mildHours(demoStart.AddDate(0, 0, -10), 15*24)
	require.Equal(t, baseThawed, Assess(mild, Options{}).Ground.State)
	mild.Pour.Observations = []Observation{seen("base_frozen", -1, 1)}
	b := Assess(mild, Options{Members: 5, Seed: 1})
	require.Equal(t, baseFrozen, b.Ground.State)
	require.Equal(t, 1.0, b.Chance.BaseFrozen)
	require.Equal(t, EffectMove, found(&b, "ground.frozen").Effect)

	measured := coldSpell()
	measured.Pour.Observations = []Observation{seen("base_temp", -1, 3)}
	m := Assess(measured, Options{})
	// An hour of cold air later its water holds it near 0 C.
	require.Greater(t, m.Ground.SurfaceC, predicted.Ground.SurfaceC)
	require.Contains(t, found(&m, "ground.frozen").Sentence, "under a thawed skin")
	require.Equal(t, fromObserved, m.Ground.From)
}

// Frost left under a base that two warm days have thawed from above asks to move the
// pour without a doubt by its members, whose coarse columns see it gone.
func TestFrostAtDepthIsNotDoubted(t *testing.T) {
	c := coldSpell()
	c.AssessedAt = demoStart.Add(-40 * time.Hour)
	for i := range c.Weather {
		h := &c.Weather[i]
		*h.AirTempC, h.DewPointC = -8, nil
		if h.At.After(demoStart.AddDate(0, 0, -2)) {
			*h.AirTempC = 20
		}
	}
	a := Assess(c, Options{Members: 51, Seed: 1})
	require.Less(t, a.Chance.BaseFrozen, 0.2)
	f := found(&a, "ground.frozen")
	require.Contains(t, f.Sentence, "under a thawed skin")
	require.Equal(t, EffectMove, f.Effect)
	require.Nil(t, f.Probability)
}

// TestPlacedPourIsProtectedNotMoved: once the concrete lies, nothing asks to move
// it and every remedy can still be done.
func TestPlacedPourIsProtectedNotMoved(t *testing.T) {
	c := with(demoCase(), bare)
	c.AssessedAt = demoStart.Add(7 * time.Hour)
	c.Pour.AtHand = []Cover{{RM2KW: 4 * usR}}
	a := Assess(c, Options{Members: 21, Seed: 1})
	require.Equal(t, Protect, a.Verdict)
	for _, f := range a.Findings {
		require.NotEqual(t, EffectMove, f.Effect, f.Rule)
		if f.Remedy != nil {
			require.NotContains(t, []string{"accelerator", "hotter_water", "another_day", "later_start", "earlier_start", "cover_ground", "heat_ground"}, f.Remedy.Kind)
		}
	}
	r := found(&a, "slab.freezes_early").Remedy
	require.Equal(t, "blankets", r.Kind)
	require.False(t, r.By.Before(c.AssessedAt))
	require.False(t, a.Protection.OnAt.Before(c.AssessedAt))
}

// TestPlacedPourIsToldWhatIsLeftToDo: of a pour that lies, nothing is asked that
// had to be done before; common practice, no source.
func TestPlacedPourIsToldWhatIsLeftToDo(t *testing.T) {
	frozen := func(c *Case) { c.Pour.Base.Temps = []DepthTemp{{0, -2}, {300, -1}, {1000, 3}} }
	near := func(c *Case) { c.Pour.Base.Temps = []DepthTemp{{0, 0.3}, {1000, 5}} }
	after := func(h float64) func(*Case) {
		return func(c *Case) { c.AssessedAt = demoStart.Add(hours(h)) }
	}
	late := func(c *Case) { bare(c); noAccelerator(c) } // finishing goes on past dusk

	a := Assess(with(with(demoCase(), near), after(-2)), Options{})
	require.NotNil(t, found(&a, "ground.frozen"))
	a = Assess(with(with(demoCase(), near), after(30)), Options{})
	require.Nil(t, found(&a, "ground.frozen"), "nobody can check the base by hand any more")

	// On frozen ground it stays a finding, behind what can still be done.
	a = Assess(with(with(with(demoCase(), frozen), late), after(3)), Options{})
	require.Equal(t, EffectProtect, found(&a, "ground.frozen").Effect)
	require.Equal(t, "slab.freezes_early", a.Worst().Rule)

	a = Assess(with(with(demoCase(), late), after(3)), Options{})
	require.NotNil(t, found(&a, "finish.after_dusk"))
	a = Assess(with(with(demoCase(), late), after(40)), Options{})
	require.Nil(t, found(&a, "finish.after_dusk"), "finishing is over")
	require.Nil(t, found(&a, "finish.after_hours"), "finishing is over")
}

// TestBlanketsThatLieAreKeptOn: blankets seen on are not asked for again.
func TestBlanketsThatLieAreKeptOn(t *testing.T) {
	c := with(demoCase(), bare)
	c.Pour.Observations = []Observation{seen("blanket_on", 9, 0)}
	c.AssessedAt = demoStart.Add(20 * time.Hour)
	a := Assess(c, Options{})
	r := found(&a, "slab.freezes_early").Remedy
	require.Contains(t, r.Sentence, "Keep the blankets of R-4 on until")
	require.Equal(t, a.Protection.OffAt, r.By)

	// Those that have yet to be laid are.
	c.Pour.Observations = nil
	c.Pour.AtHand = []Cover{{RM2KW: 4 * usR}}
	c.AssessedAt = demoStart.Add(12 * time.Hour)
	a = Assess(c, Options{})
	require.Contains(t, found(&a, "slab.freezes_early").Remedy.Sentence, "Cover with blankets of R-4 by")
}

// TestPlacedHeadline: what lies is no longer to be placed.
func TestPlacedHeadline(t *testing.T) {
	c := with(demoCase(), bare)
	c.Weather = mildHours(demoStart.AddDate(0, 0, -2), 8*24)
	c.Pour.Base.Temps = []DepthTemp{{0, 12}, {1000, 12}}
	c.AssessedAt = demoStart.Add(20 * time.Hour)
	a := Assess(c, Options{})
	require.Equal(t, Place, a.Verdict)
	require.Contains(t, a.Headline, "Placed, no protection needed")
}

// TestNoBlanketsAfterTheirPeriod: planned blankets that come when the period is
// served are no remedy, and nothing ends before it begins.
func TestNoBlanketsAfterTheirPeriod(t *testing.T) {
	c := demoCase()
	c.Pour.ServiceCategory = 1
	c.Pour.Base.Temps = []DepthTemp{{0, 8}, {1000, 10}}
	c.Weather = dryHours(150, func(h int) float64 { return map[bool]float64{true: 31, false: 46}[h >= 16 && h < 24] })
	c.Pour.Protection = []Protection{{RM2KW: 2 * usR, OnAt: demoStart.Add(100 * time.Hour)}}
	a := Assess(c, Options{})
	require.NotNil(t, found(&a, "slab.below_maintain_temp"))
	require.Equal(t, EffectProtect, found(&a, "slab.below_maintain_temp").Effect)
	r := found(&a, "slab.below_maintain_temp").Remedy
	require.Equal(t, "blankets", r.Kind)
	require.True(t, a.Protection.OnAt.Before(demoStart.Add(12*time.Hour)), "the same blankets, sooner: %s", r.Sentence)
	require.InDelta(t, 2*usR, a.Protection.RM2KW, 1e-9)
	c.AssessedAt = demoStart.Add(99 * time.Hour)
	a = Assess(c, Options{})
	require.Nil(t, a.Protection, "too late")
	require.Nil(t, a.Timeline.ProtectUntilAt)
}

// TestHeadlineKeepsNames: the name of an authority's rule is not made small.
func TestHeadlineKeepsNames(t *testing.T) {
	c := under(steady(38), LocalRule{Name: "Lakeville 5.1", Kind: "air_now_min_c", Value: celsius(40)})
	a := Assess(c, Options{})
	require.Contains(t, a.Headline, "Lakeville 5.1: air is 38 °F")
}

// TestHeatInTheTimeThatIsLeft: heat that does before the start is not called too
// late for it, and takes some time at least.
func TestHeatInTheTimeThatIsLeft(t *testing.T) {
	for _, leadH := range []float64{0.5, 3} {
		c := demoCase()
		c.Pour.Base.Temps = nil
		c.Weather = mildHours(demoStart.AddDate(0, 0, -2), 8*24)
		for i := range c.Weather {
			*c.Weather[i].AirTempC -= 14
			*c.Weather[i].DewPointC = *c.Weather[i].AirTempC - 4
		}
		c.AssessedAt = demoStart.Add(-hours(leadH))
		c.Pour.Observations = nil
		a := Assess(c, Options{})
		require.NotContains(t, a.Headline, "0 minutes")
		if f := found(&a, "ground.frozen"); f != nil && f.Remedy != nil && f.Remedy.Kind == "heat_ground" {
			require.GreaterOrEqual(t, *f.Remedy.Hours, 1.0)
			require.Equal(t, *f.Remedy.Hours <= leadH, f.Remedy.Passes)
		}
		t.Log(leadH, a.Headline)
	}
}

// TestShortHistoryIsSaid: how much weather the ground was begun from, in words.
func TestShortHistoryIsSaid(t *testing.T) {
	for before, want := range map[int]string{0: "with no weather before", 1: "with only 1 hour of weather before", 5: "with only 5 hours of weather before"} {
		c := demoCase()
		c.Pour.Base.Temps = nil
		c.Weather = mildHours(demoStart.Add(-time.Duration(before)*time.Hour), 150)
		a := Assess(c, Options{})
		require.True(t, slices.ContainsFunc(a.Assumed, func(s Assumption) bool { return strings.Contains(s.Reason, want) }), "%s: %+v", want, a.Assumed)
	}
}
