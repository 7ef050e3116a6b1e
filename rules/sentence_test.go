package rules

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"frostgate/rules/physics/concrete"

	"github.com/stretchr/testify/require"
)

func TestUnitWords(t *testing.T) {
	at := time.Date(2026, 1, 20, 17, 40, 0, 0, chicago)
	for _, x := range []struct{ got, want string }{
		{UnitsUS.Temp(-2.2), "28 °F"},
		{UnitsSI.Temp(-2.2), "-2 °C"},
		{UnitsSI.Temp(-0.4), "0 °C"},
		{UnitsUS.Temp(-17.8), "0 °F"},
		{UnitsUS.TempChange(11.1), "20 °F"},
		{UnitsSI.TempChange(11.1), "11 °C"},
		{UnitsUS.Length(127), "5 in"},
		{UnitsUS.Length(114.3), "4.5 in"},
		{UnitsUS.Length(610), "24 in"},
		{UnitsSI.Length(125), "125 mm"},
		{UnitsUS.Rain(2.54), "0.1 in"},
		{UnitsUS.Rain(1), "0.04 in"},
		{UnitsSI.Rain(2.5), "2.5 mm"},
		{UnitsUS.Area(70), "753 sq ft"},
		{UnitsSI.Area(70), "70 m²"},
		{UnitsUS.Volume(8.25 * yd3), "8.25 yd³"},
		{UnitsSI.Volume(6.3), "6.25 m³"},
		{UnitsUS.Volume(0.08 * yd3), "0.08 yd³"},
		{UnitsSI.Volume(0.06), "0.06 m³"},
		{UnitsUS.Mass(22.68), "50 lb"},
		{UnitsSI.Mass(22.68), "23 kg"},
		{UnitsUS.Liquid(47), "12.4 gal"},
		{UnitsSI.Liquid(47.2), "47 L"},
		{UnitsUS.Stress(500 / 145.0377), "500 psi"},
		{UnitsUS.Stress(27.6), "4,000 psi"},
		{UnitsSI.Stress(27.6), "27.6 MPa"},
		{UnitsSI.Stress(concrete.CriticalMPa), "3.5 MPa"}, // Powers 1962; PCA; ACI 306R: 500 psi (3.5 MPa)
		{UnitsUS.Stress(concrete.CriticalMPa), "500 psi"},
		{UnitsSI.Stress(1.24), "1.2 MPa"},
		{UnitsUS.RValue(4 * 0.1761102), "R-4"},
		{UnitsUS.RValue(0.6), "R-3.4"},
		{UnitsSI.RValue(0.7), "0.70 m²K/W"},
		{UnitsUS.Wind(13.4112), "30 mph"},
		{UnitsSI.Wind(10), "36 km/h"},
		{UnitsUS.Evaporation(4.88243 * .25), "0.25 lb/ft²/h"},
		{UnitsSI.Evaporation(0.5), "0.50 kg/m²/h"},
		{UnitsUS.HeatFlow(100), "32 Btu/h/ft²"},
		{UnitsSI.HeatFlow(100), "100 W/m²"},
		{UnitsUS.Clock(at), "Tue 5:40 p.m."},
		{UnitsSI.Clock(at), "Tue 17:40"},
		{UnitsUS.Day(at), "Tue Jan 20, 5:40 p.m."},
		{UnitsSI.Day(at), "Tue 20 Jan 17:40"},
		{Units("").Temp(0), "32 °F"},
		{Percent(0), "<1 %"},
		{Percent(0.0099), "<1 %"},
		{Percent(0.01), "1 %"},
		{Percent(0.349), "35 %"},
		{Percent(0.991), ">99 %"},
		{Percent(1), ">99 %"},
		{Duration(1.0 / 60), "1 minute"},
		{Duration(2.0 / 3), "40 minutes"},
		{Duration(0.999), "1 hour"},
		{Duration(1), "1 hour"},
		{Duration(2.4), "2.5 hours"},
		{Duration(9.8), "10 hours"},
		{Duration(48), "48 hours"},
		{Duration(72), "3 days"},
		{Duration(120), "5 days"},
		{thousands(1234567), "1,234,567"},
		{thousands(-100), "-100"},
		{thousands(999), "999"},
		{fixed(-0.001, 2), "0.00"},
		{sentence("by %s.", UnitsUS.Clock(at)), "by Tue 5:40 p.m."},
	} {
		require.Equal(t, x.want, x.got)
	}
}

// TestPairsAreToldApart: an observed value under its limit never reads the same.
func TestPairsAreToldApart(t *testing.T) {
	a, b := UnitsUS.TempPair(celsius(34.6), celsius(35))
	require.Equal(t, "34.6 °F 35.0 °F", a+" "+b)
	a, b = UnitsUS.TempPair(celsius(33), celsius(35))
	require.Equal(t, "33 °F 35 °F", a+" "+b)
	a, b = UnitsSI.TempChangePair(11.3, 11.1)
	require.Equal(t, "11.3 °C 11.1 °C", a+" "+b)
}

// scenes are cases that make the rules of this file's neighbours speak.
func scenes(t *testing.T, units Units) map[string][]Finding {
	t.Helper()
	in := func(c Case) Case { c.Firm.Units = units; return c }
	of := func(c Case, row func(int, *runRow)) *job { return setAfter(t, in(c), 8, row) }
	covered := func(h int, r *runRow) { r.covered = h >= 9 }
	gusty := func(ms float64) Case {
		return with(demoCase(), func(c *Case) {
			for i := range c.Weather {
				c.Weather[i].GustMS = new(ms)
			}
		})
	}
	frosty := func(airC, windMS float64) Case {
		return with(demoCase(), func(c *Case) {
			for i := range c.Weather {
				c.Weather[i].AirTempC, c.Weather[i].WindMS = new(airC), new(windMS)
			}
		})
	}
	unlikely := wet(38, "rain", map[int]float64{4: 1})
	unlikely.Weather[28].PrecipProb = new(0.2)
	dryingHard := of(demoCase(), drying(map[int]float64{1: 1.1, 2: 1.3}))
	drierYet := of(demoCase(), drying(map[int]float64{1: 3}))
	low := with(demoCase(), plantOf(50, 180))
	low.Pour.PlacedTempC = new(celsius(54.8))
	measured := low
	measured.Pour.Observations = []Observation{{Kind: "concrete_temp", At: demoStart, Value: celsius(50)}}
	mixedCold := with(demoCase(), plantOf(50, 180))
	mixedCold.Pour.PlacedTempC = new(celsius(56))
	warm := under(steady(25))
	warm.Pour.PlacedTempC = new(celsius(80))
	rusty := with(demoCase(), func(c *Case) { c.Pour.Exposure = ExposureC2 })
	overdosed := with(demoCase(), func(c *Case) { c.Pour.Mix.Admixtures[0].DosePct = 3 })
	longHaul := with(demoCase(), noAccelerator)
	longHaul.Pour.BatchedAt = demoStart.Add(-85 * time.Minute)
	loads := with(demoCase(), noAccelerator)
	loads.Pour.BatchedAt = demoStart.Add(-65 * time.Minute)
	quick := demoCase()
	quick.Pour.BatchedAt = demoStart.Add(-55 * time.Minute)
	old := demoCase()
	old.AssessedAt = demoStart.Add(-2 * time.Hour)
	old.IssuedAt = old.AssessedAt.Add(-20 * time.Hour)
	storm := demoCase()
	storm.Warnings = []Warning{{Event: "Winter Storm Warning", Severity: "Severe", OnsetAt: demoStart, EndsAt: demoStart.Add(12 * time.Hour)}}
	wall := of(with(demoCase(), func(c *Case) { c.Pour.Element = Wall }), func(_ int, r *runRow) { r.coldestC = 12 })
	snowy := with(demoCase(), func(c *Case) {
		for i := range c.Weather {
			c.Weather[i].SnowDepthM = new(0.08)
		}
	})
	mildDays := with(demoCase(), func(c *Case) {
		c.Weather = append(daysOf(chicago, time.Date(2026, 1, 15, 0, 0, 0, 0, chicago), cold...),
			daysOf(chicago, time.Date(2026, 1, 19, 0, 0, 0, 0, chicago), [2]float64{48, 41}, [2]float64{48, 41}, [2]float64{48, 41}, [2]float64{48, 41})[1:]...)
	})
	local := func(airF func(int) float64, name string) []Finding {
		c := under(airF, rulesOf(name)...)
		c.Pour.PlacedTempC = new(celsius(48))
		j := of(c, func(h int, r *runRow) {
			r.covered = h < 30
			r.topC = max(2, 13-float64(h)/4)
		})
		j.ground = Ground{State: baseFrozen, SurfaceC: -2}
		return j.localRules()
	}
	return map[string][]Finding{
		"season":                  of(under(dipTo(50, 34, 20)), nil).seasonColdWeather(),
		"season after cold days":  of(mildDays, nil).seasonColdWeather(),
		"water hot":               of(with(demoCase(), plantOf(45, 180)), nil).batchWaterTooHot(),
		"water at limit":          of(with(with(demoCase(), plantOf(34, 140)), func(c *Case) { c.Pour.PlacedTempC = new(20.0) }), nil).batchWaterTooHot(),
		"plant at limit":          of(with(demoCase(), plantOf(34, 140)), nil).batchPlacingTempLow(),
		"ordered too cold":        of(low, nil).batchPlacingTempLow(),
		"measured too cold":       of(measured, nil).batchPlacingTempLow(),
		"mixed too cold":          of(mixedCold, nil).batchPlacingTempLow(),
		"too warm":                of(warm, nil).batchPlacingTempHigh(),
		"chloride":                of(rusty, nil).batchChlorideLimit(),
		"calcium chloride":        of(overdosed, nil).batchChlorideLimit(),
		"haul too long":           of(longHaul, nil).haulDischargeTime(),
		"loads too large":         of(loads, nil).haulDischargeTime(),
		"quick":                   of(quick, nil).haulDischargeTime(),
		"drying":                  dryingHard.surfaceEvaporation(),
		"drying harder":           drierYet.surfaceEvaporation(),
		"rain":                    of(wet(38, "rain", map[int]float64{4: 1, 5: 2}), nil).surfaceRain(),
		"rain while placing":      of(wet(38, "rain", map[int]float64{0: 4}), nil).surfaceRain(),
		"rain perhaps":            of(unlikely, nil).surfaceRain(),
		"freezing rain":           of(wet(30, "freezing_rain", map[int]float64{0: 1}), nil).surfaceRain(),
		"snow":                    of(wet(28, "snow", map[int]float64{4: 1}), nil).surfaceSnow(),
		"snow while placing":      of(wet(28, "snow", map[int]float64{0: 2}), nil).surfaceSnow(),
		"snow on the base":        of(snowy, nil).surfaceSnow(),
		"wind":                    of(gusty(15), covered).windBlankets(),
		"storm on blankets":       of(gusty(25), covered).windBlankets(),
		"cold for people":         of(frosty(-22, 8), nil).crewColdStress(),
		"too cold for people":     of(frosty(-33, 9), nil).crewColdStress(),
		"far too cold for people": of(frosty(-45, 9), nil).crewColdStress(),
		"old forecast":            of(old, nil).weatherStale(),
		"warning":                 of(storm, nil).weatherWarning(),
		"forms":                   wall.formsStrip(),
		"Northlake":               local(dipTo(44, 38, 50), "Northlake"),
		"Hamilton":                local(dipTo(50, 34, 10), "Hamilton"),
		"Highland Hills":          local(steady(38), "Highland Hills"),
		"Kirksville":              local(steady(38), "Kirksville"),
		"Lawrenceburg":            local(steady(38), "Lawrenceburg"),
		"Ogden":                   local(steady(30), "Ogden"),
		"Everett":                 local(steady(38), "Everett"),
	}
}

// TestGoldenSentences holds what is said, in both systems of units; read it for
// grammar when it changes. UPDATE_GOLDEN=1 writes it anew.
func TestGoldenSentences(t *testing.T) {
	for _, units := range []Units{UnitsUS, UnitsSI} {
		all := scenes(t, units)
		var out strings.Builder
		for _, name := range slices.Sorted(maps.Keys(all)) {
			require.NotEmpty(t, all[name], name)
			for _, f := range all[name] {
				fmt.Fprintf(&out, "%s: %s %s\n    %s\n", name, f.Effect, f.Rule, f.Sentence)
				if f.Remedy != nil {
					fmt.Fprintf(&out, "    -> %s\n", f.Remedy.Sentence)
				}
			}
		}
		text := out.String()
		require.NotContains(t, text, "..")
		require.NotContains(t, text, "NaN")
		require.NotContains(t, text, "%!")
		file := filepath.Join("testdata", "sentences_"+string(units)+".txt")
		if os.Getenv("UPDATE_GOLDEN") != "" {
			require.NoError(t, os.MkdirAll("testdata", 0o755))
			require.NoError(t, os.WriteFile(file, []byte(text), 0o644))
		}
		want, err := os.ReadFile(file)
		require.NoError(t, err)
		require.Equal(t, string(want), text)
	}
}
