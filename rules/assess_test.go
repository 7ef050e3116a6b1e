package rules

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// near is within 3 % of the reference, the tolerance of the whole-model cases.
func near(t *testing.T, want, got float64) {
	t.Helper()
	require.InEpsilon(t, want, got, 0.03)
}

func found(a *Assessment, rule string) *Finding {
	for i := range a.Findings {
		if a.Findings[i].Rule == rule {
			return &a.Findings[i]
		}
	}
	return nil
}

// TestDemoLikeReference is cases 49 and 50 of the model notes and their section 12
// (independent reference solver): set of the top, 500 psi of the worst cell,
// early-entry and ordinary saw, coldest before 500 psi and temperatures by hour.
func TestDemoLikeReference(t *testing.T) {
	a := Assess(demoCase(), Options{})
	tl := a.Timeline
	near(t, 3.09, hoursAfter(tl.InitialSetAt))
	near(t, 5.60, hoursAfter(tl.FinalSetAt))
	near(t, 16.73, hoursAfter(tl.CriticalStrengthAt))
	near(t, 8.57, hoursAfter(tl.SawcutFromAt))
	require.InDelta(t, 40.8, fahrenheit(*a.MinTempBeforeCriticalC), 0.5)
	require.False(t, *a.FreezesBeforeCritical)
	for h, want := range map[int][4]float64{ // air, top, bottom, base in F; model notes, section 12
		4: {23.6, 42.3, 44.6, 44.6}, 6: {27.9, 46.5, 45.2, 44.7}, 12: {23.8, 48.4, 47.5, 46.9}, 24: {12, 49.2, 49.5, 49.1}, 48: {12, 45.8, 47.1, 47.1}, 72: {12, 42.5, 44.2, 44.3},
	} {
		r := a.Temperatures[h]
		require.Equal(t, demoStart.Add(time.Duration(h)*time.Hour), r.At)
		for i, v := range []float64{r.AirC, r.TopC, r.BottomC, r.BaseC} {
			require.InDelta(t, want[i], fahrenheit(v), 0.8, "hour %d value %d", h, i)
		}
	}
	for h, psi := range map[int]float64{12: 278, 18: 560, 24: 827, 48: 1600, 72: 2033} {
		near(t, psi, psiOf(a.Strength[h].ColdestMPa))
	}
}

// TestFieldFactorLikeReference: with the field factor 1.2 the reference's top sets
// at 4.12 and 7.03 h; 1.35 gives 4.87 and 8.12 h.
func TestFieldFactorLikeReference(t *testing.T) {
	for factor, want := range map[float64][2]float64{1.2: {4.12, 7.03}, 1.35: {4.87, 8.12}} {
		c := demoCase()
		c.Firm.Calibration.SetFactor = factor
		a := Assess(c, Options{})
		near(t, want[0], hoursAfter(a.Timeline.InitialSetAt))
		near(t, want[1], hoursAfter(a.Timeline.FinalSetAt))
	}
}

// TestBlanketKeepsTheDemoFromFreezing is case 50: the demonstration freezes
// without its blanket (coldest 22.0 F, freezing point 27.7 F) and not with it.
func TestBlanketKeepsTheDemoFromFreezing(t *testing.T) {
	without := Assess(with(demoCase(), bare), Options{})
	require.True(t, *without.FreezesBeforeCritical)
	require.Equal(t, Move, without.Verdict)
	f := found(&without, "slab.freezes_early")
	require.NotNil(t, f)
	require.Equal(t, EffectMove, f.Effect)
	require.InDelta(t, 27.7, fahrenheit(*f.Limit)-1.8, 0.1) // the guard is 1 C
	require.Equal(t, "blankets", f.Remedy.Kind)
	require.True(t, f.Remedy.Passes)
	require.False(t, f.Remedy.AtHand)

	withBlanket := Assess(demoCase(), Options{})
	require.False(t, *withBlanket.FreezesBeforeCritical)
	require.Equal(t, Protect, withBlanket.Verdict)
	r := found(&withBlanket, "slab.freezes_early").Remedy
	require.Equal(t, "blankets", r.Kind)
	require.True(t, r.AtHand && r.Passes)
	require.True(t, withBlanket.Timeline.BlanketsOnBy.After(demoStart.Add(9*time.Hour)))
	require.NotEmpty(t, withBlanket.Protection.IfLate2H)

	atHand := with(with(demoCase(), bare), func(c *Case) { c.Pour.AtHand = []Cover{{RM2KW: 4 * usR}} })
	a := Assess(atHand, Options{})
	require.Equal(t, Protect, a.Verdict)
	require.NotNil(t, a.Protection)
	require.True(t, found(&a, "slab.freezes_early").Remedy.AtHand)
}

// mildHours is a fine warm day and night between 22 and 12 C with a light wind.
func mildHours(from time.Time, n int) []Hour {
	hours := make([]Hour, n)
	for i := range hours {
		at := from.Add(time.Duration(i) * time.Hour)
		airC := 17 + 5*math.Sin(2*math.Pi*float64(at.Hour()-15)/24)
		hours[i] = Hour{At: at, AirTempC: &airC, DewPointC: new(11.0), WindMS: new(2.0), GustMS: new(4.0), Cloud: new(.3), PrecipMM: new(0.0), SnowDepthM: new(0.0)}
	}
	return hours
}

// TestWarmFineDayIsPlace: a warm fine day asks for nothing. Common practice, no
// source.
func TestWarmFineDayIsPlace(t *testing.T) {
	start := time.Date(2026, 5, 12, 12, 0, 0, 0, time.UTC) // 7 a.m. in Chicago
	c := winterPour(Site{Latitude: 42, Longitude: -88, Timezone: "America/Chicago"}, start)
	c.Weather = mildHours(start.AddDate(0, 0, -14), 24*24)
	a := Assess(c, Options{Members: 51, Seed: 1})
	require.Equal(t, Place, a.Verdict, a.Headline)
	for _, f := range a.Findings {
		require.Equal(t, Note, f.Effect, f.Sentence)
	}
	require.LessOrEqual(t, len(a.Findings), 1, "%+v", a.Findings)
	require.Nil(t, a.Protection)
	require.Equal(t, baseThawed, a.Ground.State)
	require.Zero(t, a.Chance.FreezesEarly)
}

// TestBitterNightOnThinSlabIsNotPlace: -15 C nights on a 4 in slab without
// blankets. Common practice, no source.
func TestBitterNightOnThinSlabIsNotPlace(t *testing.T) {
	start := time.Date(2026, 1, 20, 14, 0, 0, 0, time.UTC)
	c := winterPour(Site{Latitude: 44, Longitude: -88, Timezone: "America/Chicago"}, start)
	c.Pour.ThicknessMM, c.Pour.AtHand = 100, nil
	c.Weather = mildHours(start.AddDate(0, 0, -10), 17*24)
	for i := range c.Weather {
		*c.Weather[i].AirTempC -= 27
		*c.Weather[i].DewPointC = *c.Weather[i].AirTempC - 4
	}
	a := Assess(c, Options{Members: 51, Seed: 1})
	require.Equal(t, Move, a.Verdict, a.Headline)
	require.NotNil(t, found(&a, "ground.frozen"))
	require.NotNil(t, found(&a, "slab.freezes_early"))
}

// TestTradeFacts are common practice, no source.
func TestTradeFacts(t *testing.T) {
	field := demoCase()
	field.Firm.Calibration = Calibration{}

	t.Run("500 psi within one to two days under blankets with accelerator", func(t *testing.T) {
		h := hoursAfter(Assess(field, Options{}).Timeline.CriticalStrengthAt)
		t.Logf("%.1f h", h)
		require.Less(t, h, 48.0)
		require.Greater(t, h, 12.0)
	})
	t.Run("three passes over about 7 to 8 hours, placed at 7 a.m. on cold base, teens to about 30 F", func(t *testing.T) {
		a := Assess(field, Options{})
		ends := hoursAfter(a.Timeline.FinishingEndsAt)
		t.Logf("finishing ends after %.1f h", ends)
		require.InDelta(t, 7.5, ends, 1)
		passes := a.Timeline.Passes
		require.Len(t, passes, 4) // bull float, then three
		for i := 1; i < len(passes); i++ {
			require.True(t, passes[i].EarliestAt.After(*passes[i-1].EarliestAt))
			require.NotNil(t, passes[i].MachineAt)
			require.True(t, passes[i].MachineAt.After(*passes[i].EarliestAt))
		}
	})
	t.Run("foam under the slab makes it set faster", func(t *testing.T) {
		foam := field
		foam.Pour.FoamMM = 51
		plain, insulated := Assess(field, Options{}), Assess(foam, Options{})
		gain := hoursAfter(plain.Timeline.FinalSetAt) / hoursAfter(insulated.Timeline.FinalSetAt)
		t.Logf("top sets %.2f times as fast on thawed base", gain)
		require.Greater(t, gain, 1.08)
	})
	t.Run("below about 40 F hydration slows to a crawl", func(t *testing.T) {
		m, err := new(demoCase()).mixModel()
		require.NoError(t, err)
		warm, cold := m.StrengthAgeH(3.45)/arr(20, m.StrengthQK), m.StrengthAgeH(3.45)/arr(celsius(38), m.StrengthQK)
		require.Greater(t, cold/warm, 2.5)
	})
}

func arr(tempC, q float64) float64 { return math.Exp(q * (1/293.15 - 1/(tempC+273.15))) }

// TestContractExample assesses the example of the stateless form, as JSON, with
// its first hour carried on through a common January week.
func TestContractExample(t *testing.T) {
	var hours []string
	for _, h := range demoHours(120, 0) {
		text, err := json.Marshal(h)
		require.NoError(t, err)
		hours = append(hours, string(text))
	}
	document := `{"site": {"latitude": 42.0, "longitude": -88.0, "elevation_m": 220, "timezone": "America/Chicago", "shade": 0.0, "terrain": "open"},
	"pour": {"element": "slab_on_ground", "thickness_mm": 125, "area_m2": 70, "starts_at": "2026-01-20T07:00:00-06:00", "batched_at": "2026-01-20T06:15:00-06:00", "placed_temp_c": 20.0,
	 "base": {"material": "gravel", "depth_mm": 150, "moisture_pct": 4, "temps_c": [{"depth_mm": 0, "temp_c": 0.8}]},
	 "foam_mm": 0, "vapour_retarder": false, "reinforced": true, "service_category": 2, "crew": {"day_ends_at": "2026-01-20T17:00:00-06:00"},
	 "mix": {"cement_type": "I/II", "cement_kg_m3": 332, "water_kg_m3": 160, "aggregate_kg_m3": 1850, "strength_mpa": 27.6,
	  "admixtures": [{"kind": "calcium_chloride", "dose_pct": 2.0}]},
	 "protection": [{"r_m2k_w": 0.70, "on_at": "2026-01-20T16:00:00-06:00", "off_at": null}]},
	"weather": [` + strings.Join(hours, ",") + `]}`
	c, err := Decode([]byte(document))
	require.NoError(t, err)
	a := Assess(c, Options{})
	require.Equal(t, Protect, a.Verdict, a.Headline)
	sound(t, &a)
	tl := a.Timeline
	for _, at := range []*time.Time{tl.InitialSetAt, tl.FinalSetAt, tl.FinishingStartsAt, tl.FinishingEndsAt, tl.DuskAt, tl.CriticalStrengthAt, tl.SawcutFromAt, tl.SawcutUntilAt, tl.ProtectUntilAt} {
		require.NotNil(t, at)
	}
	// With the field factor 1.2 and blankets at 0.75 of their label the reference
	// solver gives 7.03 h to final set of the top and 16.89 h to 500 psi, on
	// ground whose depth it was told.
	near(t, 7.03, hoursAfter(tl.FinalSetAt))
	require.InEpsilon(t, 16.89, hoursAfter(tl.CriticalStrengthAt), 0.08)
	// Civil dusk on 20 January at 42 N 88 W: 5:24 p.m. (US Naval Observatory, from memory).
	require.InDelta(t, 10.4, hoursAfter(tl.DuskAt), 0.1)
	require.Equal(t, demoStart, a.Temperatures[0].At)
	text, err := json.Marshal(a)
	require.NoError(t, err)
	for _, member := range []string{`"verdict":"protect"`, `"min_temp_before_critical_c":`, `"freezes_before_critical":false`, `"cautions":[`, `"assumed":[`, `"engine":`} {
		require.Contains(t, string(text), member)
	}
}

// TestWeatherTooShort: nothing can be said when the weather does not reach; what
// is known is still answered.
func TestWeatherTooShort(t *testing.T) {
	none := demoCase()
	none.Weather = nil
	a := Assess(none, Options{})
	require.Equal(t, Unscored, a.Verdict)
	require.NotEmpty(t, a.Unscored)

	before := demoCase()
	before.Pour.StartsAt = demoStart.AddDate(0, 0, 30)
	before.Pour.BatchedAt = before.Pour.StartsAt.Add(-45 * time.Minute)
	require.Equal(t, Unscored, Assess(before, Options{}).Verdict)

	// 12 hours: set is known, the strength that decides is not.
	short := demoCase()
	short.Weather = short.Weather[:13]
	a = Assess(short, Options{})
	require.Equal(t, Unscored, a.Verdict)
	require.Contains(t, a.Unscored, "500 psi")
	require.NotNil(t, a.Timeline.FinalSetAt)
	require.Nil(t, a.Timeline.CriticalStrengthAt)
	require.Nil(t, a.FreezesBeforeCritical)

	// 30 hours: the decision is known, the three days of protection are not.
	enough := demoCase()
	enough.Weather = enough.Weather[:31]
	a = Assess(enough, Options{})
	require.Equal(t, Protect, a.Verdict)
	require.NotNil(t, a.Timeline.CriticalStrengthAt)
	require.Nil(t, a.Timeline.ProtectUntilAt)
	last := a.Temperatures[len(a.Temperatures)-1].At
	require.False(t, last.After(*a.WeatherUntil))

	// A null air temperature ends the weather: hours after it are not read.
	broken := demoCase()
	for i := 31; i < 60; i++ {
		broken.Weather[i].AirTempC = nil
	}
	b := Assess(broken, Options{})
	require.Equal(t, a.Temperatures, b.Temperatures)

	// Known to freeze is known, however short the weather.
	frozen := with(demoCase(), bare)
	frozen.Weather = frozen.Weather[:24]
	require.Equal(t, Move, Assess(frozen, Options{}).Verdict)
}

// TestWallAndFooting are case 55 of the model notes through the whole assessment:
// a wall of 8 in under R-4 (500 psi after 12.36 h with plywood forms, no
// accelerator) and a footing of 20 x 10 in of 3000 psi concrete (500 psi after
// 30.43 h). The reference leaves unsaid when the blankets came: 1 h and 3 h fit, and
// a plywood form on the footing's sides. Neither is finished like a floor nor sawn.
func TestWallAndFooting(t *testing.T) {
	wall := with(demoCase(), noAccelerator)
	wall.Pour.Element, wall.Pour.ThicknessMM, wall.Pour.AreaM2, wall.Pour.FormRM2KW = Wall, 8*inchMM, 30, new(0.94*usR)
	wall.Pour.Protection = []Protection{{RM2KW: 4 * usR, OnAt: demoStart.Add(time.Hour)}}
	a := Assess(wall, Options{Members: 5, Seed: 1})
	near(t, 12.36, hoursAfter(a.Timeline.CriticalStrengthAt))
	require.Nil(t, a.Ground)
	require.Zero(t, a.Chance.BaseFrozen)

	footing := with(with(demoCase(), noAccelerator), bare)
	p := &footing.Pour
	p.Element, p.ThicknessMM, p.WidthMM, p.LengthMM = Footing, 10*inchMM, 20*inchMM, 20000
	p.Mix.CementKgM3, p.Mix.StrengthMPa = 470*.593276, 3000/145.0377
	p.Mix.WaterKgM3 = .58 * p.Mix.CementKgM3
	p.Mix.AggregateKgM3 = 2340 - p.Mix.CementKgM3 - p.Mix.WaterKgM3
	p.FormRM2KW, p.Protection = new(0.94*usR), []Protection{{RM2KW: 4 * usR, OnAt: demoStart.Add(3 * time.Hour)}}
	b := Assess(footing, Options{})
	near(t, 30.43, hoursAfter(b.Timeline.CriticalStrengthAt))
	require.NotNil(t, b.Ground)
	for _, x := range []Assessment{a, b} {
		sound(t, &x)
		require.Nil(t, x.Timeline.SawcutFromAt)
		require.Len(t, x.Timeline.Passes, 1)
		for _, rule := range []string{"finish.after_dusk", "finish.after_hours", "saw.next_day"} {
			require.Nil(t, found(&x, rule))
		}
	}
}

// TestFirmAsksForMoreStrength: CSA A23.1 wants 7 MPa before the first frost; a firm
// that tightens the limit to it is held to it, times and freezing alike.
func TestFirmAsksForMoreStrength(t *testing.T) {
	plain := Assess(demoCase(), Options{})
	c := demoCase()
	c.Firm.Limits = []LimitChange{{Limit: "strength.critical_mpa", Value: 7}}
	c.Pour.Protection[0].OffAt = new(demoStart.Add(22 * time.Hour))
	a := Assess(c, Options{Members: 9, Seed: 1})
	at := 0
	for plain.Strength[at].ColdestMPa < 7 {
		at++
	}
	require.True(t, a.Timeline.CriticalStrengthAt == nil || a.Timeline.CriticalStrengthAt.After(*plain.Timeline.CriticalStrengthAt))
	require.Greater(t, at, 22)
	require.Less(t, *a.MinTempBeforeCriticalC, *plain.MinTempBeforeCriticalC)
	require.NotNil(t, found(&a, "slab.freezes_early"))

	published := demoCase()
	published.Pour.Protection[0].OffAt = new(demoStart.Add(22 * time.Hour))
	require.False(t, *Assess(published, Options{}).FreezesBeforeCritical)
}

// TestProtectionEnds: the period is that of the service category (ACI 306R), longer
// while the concrete is colder than it should be kept; blankets come off in working
// hours; taking them off into a deep frost is a shock (A2-05, 50 F in a day).
func TestProtectionEnds(t *testing.T) {
	a := Assess(demoCase(), Options{})
	require.Equal(t, 48.0, a.Protection.PeriodH) // category 2, accelerated
	require.Greater(t, hoursAfter(a.Timeline.ProtectUntilAt), 48.0)
	require.Equal(t, "strength", a.Protection.Governs)
	off := a.Protection.OffAt.In(time.FixedZone("", -6*3600))
	require.True(t, off.Hour() >= 7 && off.Hour() < 17, off)
	require.False(t, off.Before(*a.Timeline.ProtectUntilAt))
	require.Nil(t, a.Protected, "the plan protects")

	// The three ends, each named, and their order; the period is 48 h and more.
	p := a.Protection
	require.Greater(t, hoursAfter(p.PeriodUntil), 48.0)
	require.Equal(t, *a.Timeline.ProtectUntilAt, *latest(p.PeriodUntil, p.StrengthUntil))
	require.False(t, p.GentleFrom.Before(*a.Timeline.ProtectUntilAt))
	require.False(t, p.OffAt.Before(*p.GentleFrom))

	shock := demoCase()
	shock.Weather = demoHours(150, 0)
	for i := 60; i < len(shock.Weather); i++ {
		*shock.Weather[i].AirTempC -= 22
		*shock.Weather[i].DewPointC -= 22
	}
	shock.Pour.Protection = []Protection{{RM2KW: 8 * usR, OnAt: demoStart.Add(7 * time.Hour), OffAt: new(demoStart.Add(64 * time.Hour))}}
	b := Assess(shock, Options{})
	f := found(&b, "slab.thermal_shock")
	require.NotNil(t, f)
	require.Equal(t, "A2-05", f.Source.ID)
	require.Greater(t, *f.Observed, *f.Limit)
}

func latest(a, b *time.Time) *time.Time {
	if a.After(*b) {
		return a
	}
	return b
}

// TestProtectedHoursAreThoseUnderTheRemedy: what the assessment asks for, carried
// out as a plan, comes to the hours that it says under its protection; and one end
// of protection is told in words.
func TestProtectedHoursAreThoseUnderTheRemedy(t *testing.T) {
	c := with(demoCase(), bare)
	c.Pour.AtHand = []Cover{{RM2KW: 4 * usR}}
	a := Assess(c, Options{})
	require.Equal(t, Protect, a.Verdict)
	require.NotNil(t, a.Protected)
	require.True(t, *a.FreezesBeforeCritical)
	require.False(t, *a.Protected.FreezesBeforeCritical)
	f := found(&a, "slab.freezes_early")
	say := speaker{zone: time.FixedZone("", -6*3600)}
	require.Contains(t, f.Remedy.Sentence, "keep them on until "+say.clock(*a.Protection.OffAt))

	c.Pour.Protection = []Protection{{RM2KW: a.Protection.RM2KW, OnAt: *a.Protection.OnAt}}
	b := Assess(c, Options{})
	require.Nil(t, b.Protected)
	require.Equal(t, b.Timeline, a.Protected.Timeline)
	require.Equal(t, b.MinTempBeforeCriticalC, a.Protected.MinTempBeforeCriticalC)
	require.Equal(t, b.Temperatures, a.Protected.Temperatures)
	require.Equal(t, b.Strength, a.Protected.Strength)
	require.True(t, b.Timeline.CriticalStrengthAt.Before(*a.Timeline.CriticalStrengthAt))
}

// TestBlanketsWaitForFinishing: blankets planned for 4 p.m. cannot lie on a floor
// that without accelerator is still being finished. Common practice, no source.
func TestBlanketsWaitForFinishing(t *testing.T) {
	c := with(demoCase(), noAccelerator)
	c.Firm.Calibration = Calibration{}
	a := Assess(c, Options{})
	f := found(&a, "finish.blankets_early")
	require.NotNil(t, f)
	require.Less(t, *f.Margin, 0.0)
	require.NotNil(t, f.Remedy)
	require.NotEqual(t, Place, a.Verdict)

	quick := demoCase()
	b := Assess(quick, Options{})
	require.Nil(t, found(&b, "finish.blankets_early"))
}
