package rules

import (
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
