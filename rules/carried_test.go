package rules

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// lateCase is a floor that sets after dusk for want of an accelerator, in air that
// asks for no blankets.
func lateCase() Case {
	c := with(demoCase(), bare)
	c.Pour.Mix.Admixtures, c.Pour.Mix.CementType = nil, "I/II"
	c.Pour.Base.Temps = []DepthTemp{{0, 8}, {1000, 8}}
	c.Pour.PlacedTempC = new(14.0)
	c.Firm.Calibration = Calibration{}
	return steadily(c, 6)
}

// TestProtectedIsTheRunWithWhatIsOrdered: the hours given with an accelerator, or
// warmer concrete, are those of the same case ordered so from the outset, and the
// order comes with them.
func TestProtectedIsTheRunWithWhatIsOrdered(t *testing.T) {
	t.Parallel()
	for name, change := range map[string]func(*Case){
		"for the clock alone": func(*Case) {},
		"with blankets, after the hours that are ordered": func(c *Case) {
			*c = steadily(*c, -3)
			c.Pour.Crew.Lights = true
			c.Pour.AtHand = []Cover{{RM2KW: 8 * usR}}
		},
	} {
		c := with(lateCase(), change)
		a := Assess(c, Options{Members: 21, Seed: 3})
		require.Equal(t, Protect, a.Verdict, "%s: %s", name, a.Headline)
		require.NotNil(t, a.Protected, name)
		ordered := onOrder(c, &a)
		require.NotEqual(t, c.Pour.Mix.Admixtures, ordered.Pour.Mix.Admixtures, name)
		b := Assess(ordered, Options{Members: 21, Seed: 3})
		got := a.Protected.Timeline
		require.Equal(t, b.Timeline.FinishingEndsAt, got.FinishingEndsAt, name)
		require.True(t, got.FinishingEndsAt.Before(*a.Timeline.FinishingEndsAt), name)
		want := b.Temperatures
		if b.Protected != nil {
			want = b.Protected.Temperatures
			require.Equal(t, b.Protected.Timeline.CriticalStrengthAt, got.CriticalStrengthAt, name)
			require.Equal(t, b.Protected.Chance, a.Protected.Chance, name)
			require.Equal(t, b.Protection, a.Protection, name)
		}
		require.Equal(t, want, a.Protected.Temperatures, name)
		require.Equal(t, b.Batch, a.Protected.Batch, name)
		require.NotEmpty(t, a.Protected.Batch.Accelerators, name)
		require.Empty(t, a.Batch.Accelerators, "%s: the order as planned", name)
		require.Equal(t, b.IfColder, a.IfColder, name)
	}
}

// TestWhatChanceOfDuskIsLeft: where an accelerator ends finishing before dusk in the
// forecast as it is, the chance that it does not is told beside it.
func TestWhatChanceOfDuskIsLeft(t *testing.T) {
	t.Parallel()
	told := 0
	for air := -4.0; air < 14; air++ {
		c := steadily(lateCase(), air)
		c.Pour.AtHand = []Cover{{RM2KW: 8 * usR}}
		a := Assess(c, Options{Members: 21, Seed: 3})
		f := found(&a, "finish.after_dusk")
		if f == nil || f.Remedy == nil || !f.Remedy.AtHand || a.Protected == nil {
			continue
		}
		p := a.Protected.Chance.FinishAfterDusk
		require.Equal(t, p >= likelyLate, strings.Contains(f.Remedy.Sentence, Percent(p)+": have lights ready."), f.Remedy.Sentence)
		if p >= likelyLate {
			told++
		}
	}
	require.Positive(t, told)
}

// TestSawIsSaidOfTheRunThatWillHappen: the sentence on sawing tells the hours of the
// run under the blankets that are asked for, as the hours do.
func TestSawIsSaidOfTheRunThatWillHappen(t *testing.T) {
	t.Parallel()
	c := with(demoCase(), bare)
	c.Pour.AtHand, c.Firm.Calibration.StrengthFactor = []Cover{{RM2KW: 8 * usR}}, 0.6
	a := Assess(c, Options{})
	f := found(&a, "saw.next_day")
	require.NotNil(t, f)
	require.Equal(t, a.Protected.Timeline.SawcutFromAt, f.FirstAt)
	require.NotEqual(t, a.Timeline.SawcutFromAt, f.FirstAt)
	require.Contains(t, f.Sentence, "Lift the blankets only along the cut")
}

// TestSpareBlanketsComeOff: blankets that nothing asks for come off at a working hour
// once the coldest concrete has 500 psi (Powers 1962; ACI 306R) and, in cold weather
// by ACI 306R-16 (air below 40 F), the published period is served (3 days, category
// 2 without an accelerator), and no sooner; placed or not.
func TestSpareBlanketsComeOff(t *testing.T) {
	t.Parallel()
	for _, x := range []struct {
		name        string
		airC        float64
		periodH     float64
		placed, off bool
	}{
		{"no cold weather", 10, 0, false, false},
		{"no cold weather, placed", 10, 0, true, false},
		{"the plan takes them off too soon", 10, 0, false, true},
		{"cold weather without frost", 3, 72, true, false},
	} {
		c := lateCase()
		c.Pour.AtHand, c.Pour.Crew.Lights, c.Pour.Crew.DayEndsAt = nil, true, demoStart.Add(10*time.Hour)
		on := demoStart.Add(12 * time.Hour)
		c.Pour.Protection = []Protection{{RM2KW: 8 * usR, OnAt: on}}
		if x.off {
			c.Pour.Protection[0].OffAt = new(on.Add(time.Hour))
		}
		if x.placed {
			c.AssessedAt = demoStart.Add(14 * time.Hour)
		}
		c = steadily(c, x.airC)
		c.Pour.PlacedTempC = new(22.0)
		a := Assess(c, Options{})
		require.Nil(t, a.Protection, x.name)
		require.Nil(t, a.Timeline.ProtectUntilAt, x.name)
		off := a.Timeline.UncoverFromAt
		require.NotNil(t, off, "%s: %s", x.name, a.Headline)
		require.False(t, off.Before(*a.Timeline.CriticalStrengthAt), x.name)
		require.False(t, off.Before(demoStart.Add(hours(x.periodH))), x.name)
		if x.periodH == 0 {
			require.True(t, off.Before(demoStart.Add(36*time.Hour)), x.name)
		}
		local := off.In(time.FixedZone("", -6*3600))
		require.GreaterOrEqual(t, local.Hour(), workFromH, x.name)
		f := found(&a, "protection.not_required")
		require.NotNil(t, f, x.name)
		require.Equal(t, x.periodH > 0, strings.Contains(f.Sentence, "3 days"), f.Sentence)
		require.Contains(t, f.Sentence, "500 psi")
	}

	c := lateCase()
	c.Pour.Crew.Lights = true
	require.Nil(t, Assess(c, Options{}).Timeline.UncoverFromAt, "nothing lies on it")
	cold := demoCase()
	a := Assess(cold, Options{})
	require.NotNil(t, a.Protection)
	require.Nil(t, a.Timeline.UncoverFromAt, "the planned blankets are required")
	require.Nil(t, found(&a, "protection.not_required"))
}

// TestBlanketsAgainstTheErrorOfTheForecast: concrete that freezes only within the
// error of the forecast gets the blankets at hand, not an accelerator and not
// blankets to be hired.
func TestBlanketsAgainstTheErrorOfTheForecast(t *testing.T) {
	t.Parallel()
	tried := 0
	for air := -6.0; air < 3; air += 0.5 {
		c := lateCase()
		c.Pour.Crew.Lights, c.Pour.Crew.DayEndsAt = true, demoStart.Add(16*time.Hour)
		c.Pour.AtHand = []Cover{{RM2KW: 4 * usR}}
		c = steadily(c, air)
		a := Assess(c, Options{Members: 51, Seed: 2})
		f := found(&a, "slab.freezes_early")
		if f == nil || *a.FreezesBeforeCritical || f.Effect != EffectProtect {
			continue
		}
		require.GreaterOrEqual(t, *f.Probability, 0.1)
		require.True(t, f.Remedy.AtHand, f.Remedy.Sentence)
		if f.Remedy.Kind == "blankets" {
			require.NotNil(t, a.Protection)
			tried++
		}
		require.NotNil(t, a.Protected)
		require.Less(t, a.Protected.Chance.FreezesEarly, 0.1)
	}
	require.Positive(t, tried)
}

// TestBlanketsPlannedTooEarlyLieOnceFinished: the hours given for a plan that covers a
// floor while it is finished are those of the plan that covers it then; common
// practice, no source.
func TestBlanketsPlannedTooEarlyLieOnceFinished(t *testing.T) {
	t.Parallel()
	c := demoCase()
	c.Pour.Protection[0].OnAt = demoStart.Add(-time.Hour)
	c.Pour.Plant.AcceleratorOK = new(false)
	a := Assess(c, Options{Members: 21, Seed: 3})
	require.NotNil(t, found(&a, "finish.blankets_early"))
	require.NotNil(t, a.Protected)
	require.NotNil(t, a.Protection.OnAt)
	ends := a.Protected.Timeline.FinishingEndsAt
	require.False(t, a.Protection.OnAt.Before(*ends))
	require.WithinDuration(t, *ends, *a.Protection.OnAt, onStep)
	c.Pour.Protection[0].OnAt = *a.Protection.OnAt
	b := Assess(c, Options{Members: 21, Seed: 3})
	require.Nil(t, found(&b, "finish.blankets_early"))
	require.Equal(t, b.Temperatures, a.Protected.Temperatures)
	require.Equal(t, b.Timeline.CriticalStrengthAt, a.Protected.Timeline.CriticalStrengthAt)
	require.Equal(t, b.Chance.FreezesEarly, a.Protected.Chance.FreezesEarly)
	require.Equal(t, b.Protection, a.Protection)
}

// TestWorkThatBeginsInTheDark: a floor begun after dusk and finished on the next day
// has that day's dusk before it; lights are not asked for before it begins.
func TestWorkThatBeginsInTheDark(t *testing.T) {
	t.Parallel()
	c := lateCase()
	by := 16*time.Hour + 59*time.Minute // 23:59 on the clock
	c.Pour.StartsAt, c.Pour.BatchedAt, c.Pour.Crew.DayEndsAt = demoStart.Add(by), demoStart.Add(by-45*time.Minute), demoStart.Add(by+30*time.Hour)
	a := Assess(c, Options{})
	require.True(t, a.Timeline.DuskAt.After(demoStart.Add(30*time.Hour)), a.Timeline.DuskAt)
	require.Nil(t, found(&a, "finish.after_dusk"))
	c.Pour.Mix.CementType, c.Pour.PlacedTempC = "III", new(30.0)
	c.Pour.Plant.AcceleratorOK = new(false)
	c = steadily(c, 30)
	dark := Assess(c, Options{})
	f := found(&dark, "finish.after_dusk")
	require.NotNil(t, f)
	require.True(t, dark.Timeline.DuskAt.Before(c.Pour.StartsAt))
	require.Equal(t, "lights", f.Remedy.Kind)
	require.Equal(t, c.Pour.StartsAt, *f.Remedy.By)
}
