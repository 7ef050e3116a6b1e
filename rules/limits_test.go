package rules

import (
	"math"
	"testing"

	"frostgate/rules/physics/mix"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestLimitsAreWhole(t *testing.T) {
	seen := map[string]bool{}
	known := map[string]bool{}
	for _, r := range ruleTable {
		known[r.id] = true
	}
	for _, l := range Limits() {
		require.NotContains(t, seen, l.Name)
		seen[l.Name] = true
		require.Contains(t, unitWords, l.Unit, l.Name)
		require.Contains(t, []Effect{Note, EffectProtect, EffectMove}, l.Effect, l.Name)
		require.Contains(t, []Stricter{Higher, Lower}, l.Stricter, l.Name)
		require.Less(t, l.Lowest, l.Highest, l.Name)
		require.NotEmpty(t, l.Title, l.Name)
		require.NotEmpty(t, l.Source.ID, l.Name)
		require.NotEmpty(t, l.Source.Document, l.Name)
		require.Contains(t, []string{standingRead, standingSecondHand, standingMemory, standingPractice}, l.Source.Standing, l.Name)
		for _, v := range []float64{l.Value, value(l.Floor, l.Value)} {
			require.True(t, v >= l.Lowest && v <= l.Highest, l.Name)
		}
		require.False(t, l.loosens(l.Value), "%s is looser than what it cites", l.Name)
		require.NotEmpty(t, l.Rules, l.Name)
		for _, id := range l.Rules {
			require.True(t, known[id], "%s names rule %s", l.Name, id)
		}
	}
}

func TestLimitsAreACopy(t *testing.T) {
	table := Limits()
	table[0].Value, *table[0].Floor, table[0].Rules[0] = 99, 99, "x"
	require.NotEqual(t, table[0].Value, Limits()[0].Value)
	require.NotEqual(t, *table[0].Floor, *Limits()[0].Floor)
	require.NotEqual(t, table[0].Rules[0], Limits()[0].Rules[0])
}

// TestPublishedValues holds the table to the documents: US values as printed.
func TestPublishedValues(t *testing.T) {
	f := func(deg float64) float64 { return celsius(deg) }
	for name, want := range map[string]float64{
		// ACI 306R-88 Table 3.1 (306R-10 and -16: 5.1), lines 1 and 5.
		"placing.min_under_12in_c": f(55), "placing.min_12_to_36in_c": f(50), "placing.min_36_to_72in_c": f(45), "placing.min_over_72in_c": f(40),
		"cooling.drop_under_12in_c": 50 / 1.8, "cooling.drop_12_to_36in_c": 40 / 1.8, "cooling.drop_36_to_72in_c": 30 / 1.8, "cooling.drop_over_72in_c": 20 / 1.8,
		"removal.diff_c":  20 / 1.8,                                                                              // ACI 306.1-90 3.2.3
		"season.cold_c":   f(40),                                                                                 // ACI 306R-16
		"chloride.c0_pct": 1, "chloride.c1_pct": 0.30, "chloride.c2_pct": 0.15, "chloride.prestressed_pct": 0.06, // ACI 318-19 Table 19.3.2.1
		"batch.calcium_chloride_pct": 2,   // ACI
		"haul.discharge_min":         90,  // ASTM C94 to 2020
		"surface.rain_stop_mm":       2.5, // UFGS 03701
		"surface.evaporation_kg_m2h": 1.0, // ACI 305R
	} {
		require.InDelta(t, want, limitTable[limitIndex[name]].Value, 1e-9, name)
	}
	require.InDelta(t, 3.45, limitTable[limitIndex["strength.critical_mpa"]].Value, 0.005) // 500 psi, Powers 1962
}

// TestPlacingRange is the table look-ups of ACI 306R (306R-88 Table 3.1, 3.1 and
// 3.2) in degrees F.
func TestPlacingRange(t *testing.T) {
	s, _ := Case{}.limits()
	for _, x := range []struct {
		name            string
		inches, airF    float64
		place, placeMax float64
		mix, mixMax     float64
	}{
		{"4 in slab in 25 F", 4, 25, 55, 75, 65, 80},
		{"16 in footing in 35 F", 16, 35, 50, 70, 55, 70},
		{"48 in footing in -5 F", 48, -5, 45, 65, 60, 75},
		{"exactly 12 in and 30 F", 12, 30, 50, 70, 60, 75},
	} {
		p := s.placing(section{thicknessMM: x.inches * mmPerInch, airC: celsius(x.airF)})
		require.InDelta(t, x.place, fahrenheit(p.placeMinC), 1e-6, x.name)
		require.InDelta(t, x.placeMax, fahrenheit(p.placeMaxC), 1e-6, x.name)
		require.InDelta(t, x.mix, fahrenheit(p.mixMinC), 1e-6, x.name)
		require.InDelta(t, x.mixMax, fahrenheit(p.mixMaxC), 1e-6, x.name)
	}
}

// TestPlacingAgreesWithTheTable: what is put together from rows is the printed
// table for any section and air.
func TestPlacingAgreesWithTheTable(t *testing.T) {
	s, _ := Case{}.limits()
	rapid.Check(t, func(t *rapid.T) {
		mm, airC := rapid.Float64Range(50, 3000).Draw(t, "mm"), rapid.Float64Range(-40, 30).Draw(t, "air")
		want := mix.ACI306(mm, airC, mix.US)
		got := s.placing(section{thicknessMM: mm, airC: airC})
		require.InDelta(t, want.PlaceMinC, got.placeMinC, 1e-9)
		require.InDelta(t, want.PlaceMaxC, got.placeMaxC, 1e-9)
		require.InDelta(t, want.MixMinC, got.mixMinC, 1e-9)
		require.InDelta(t, want.MixMaxC, got.mixMaxC, 1e-9)
		drop, _ := s.coolDropC(mm)
		require.InDelta(t, want.DropC, drop, 1e-9)
	})
}

func firmWith(changes ...LimitChange) Case { return Case{Firm: Firm{Limits: changes}} }

func TestFirmTightens(t *testing.T) {
	s, overrides := firmWith(LimitChange{Limit: "placing.min_under_12in_c", Value: 15}).limits()
	require.Empty(t, overrides)
	least, src := s.maintainMinC(section{thicknessMM: 100})
	require.Equal(t, 15.0, least)
	require.Contains(t, src.Document, "tightened by the firm")
	other, src := s.maintainMinC(section{thicknessMM: 600})
	require.InDelta(t, celsius(50), other, 1e-9)
	require.NotContains(t, src.Document, "firm")
}

func TestLooseningTakesOverrideAndReason(t *testing.T) {
	change := LimitChange{Limit: "haul.discharge_min", Value: 120}
	s, overrides := firmWith(change).limits()
	require.Equal(t, 90.0, s.value("haul.discharge_min"))
	require.Empty(t, overrides)

	change.Override = true
	s, overrides = firmWith(change).limits()
	require.Equal(t, 90.0, s.value("haul.discharge_min"), "an override without its reason does not count")
	require.Empty(t, overrides)

	change.Reason = "ticket states 120 min"
	s, overrides = firmWith(change).limits()
	require.Equal(t, 120.0, s.value("haul.discharge_min"))
	require.Equal(t, []LimitChange{change}, overrides)
	require.Contains(t, s.source("haul.discharge_min").Document, "loosened by the firm: ticket states 120 min")
}

// TestBetweenDefaultAndPublished: where the default is stricter than what is
// published the firm may go back to the published value.
func TestBetweenDefaultAndPublished(t *testing.T) {
	s, overrides := firmWith(LimitChange{Limit: "ground.gap_c", Value: 30 / 1.8}).limits()
	require.Empty(t, overrides)
	require.InDelta(t, 30/1.8, s.value("ground.gap_c"), 1e-9)
	require.Empty(t, firmWith(LimitChange{Limit: "ground.gap_c", Value: 30 / 1.8}).Firm.Violations())
}

// TestTighteningNeverLoosens: whatever a firm changes without an override, no
// limit ends up looser than the published value, and what counts is what is
// accepted.
func TestTighteningNeverLoosens(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := rapid.SampledFrom(limitTable).Draw(t, "limit")
		change := LimitChange{Limit: l.Name, Value: rapid.Float64Range(l.Lowest-1, l.Highest+1).Draw(t, "value")}
		c := firmWith(change)
		s, overrides := c.limits()
		require.Empty(t, overrides)
		got := s.value(l.Name)
		require.False(t, l.loosens(got))
		require.Equal(t, len(c.Firm.Violations()) == 0, got == change.Value)
	})
}

func TestLimitChangesAreChecked(t *testing.T) {
	f := Firm{Limits: []LimitChange{
		{Limit: "no.such"},
		{Limit: "haul.discharge_min", Value: 1000, Override: true, Reason: "x"},
		{Limit: "removal.diff_c", Value: 15},
		{Limit: "strength.critical_mpa", Value: 3, Override: true, Reason: " "},
		{Limit: "wind.gust_note_ms", Value: 20},
		{Limit: "wind.gust_note_ms", Value: math.NaN()},
	}}
	require.Equal(t, []Violation{
		{"/limits/0/limit", "must be a name of the limits table"},
		{"/limits/1/value", "must be between 20 and 240 min"},
		{"/limits/2/value", "is looser than the published 11.11 K, which takes override and a reason"},
		{"/limits/3/reason", "is required with an override"},
		{"/limits/5/limit", "is changed twice"},
		{"/limits/5/value", "must be between 5 and 40 m/s"},
	}, f.Violations())
}

func TestUnknownLimitPanics(t *testing.T) {
	s, _ := Case{}.limits()
	require.Panics(t, func() { s.value("no.such") })
	require.Equal(t, "kg/m2/h", limitTable[s.row("surface.evaporation_kg_m2h")].Unit)
}
