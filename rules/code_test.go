package rules

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func byCode(code Code) func(*Case) { return func(c *Case) { c.Site.Code = code } }

// TestPlacingByCode are the published temperatures of concrete at placing: CSA
// A23.1 by thickness, EN 206 5.2.9, DIN EN 13670 with DIN 1045-3 by air and cement.
func TestPlacingByCode(t *testing.T) {
	for _, x := range []struct {
		name             string
		code             Code
		mm, airC, cement float64
		least, most      float64
		source           string
	}{
		{"CSA 0.2 m slab", CodeCSA, 200, -10, 300, 10, 35, "CSA A23.1"},
		{"CSA 0.3 m", CodeCSA, 300, -10, 300, 10, 30, "CSA A23.1"},
		{"CSA 1 m", CodeCSA, 1000, -10, 300, 10, 30, "CSA A23.1"},
		{"CSA 1.5 m", CodeCSA, 1500, -10, 300, 5, 25, "CSA A23.1"},
		{"CSA 2.5 m mass", CodeCSA, 2500, -10, 300, 5, 20, "CSA A23.1"},
		{"EN", CodeEN, 200, -10, 300, 5, 30, "EN 206"},
		{"DIN, -1 C, 300 kg", CodeDIN, 200, -1, 300, 5, 30, "DIN 1045-3"},
		{"DIN, -1 C, 220 kg", CodeDIN, 200, -1, 220, 10, 30, "DIN 1045-3"},
		{"DIN, -4 C, 300 kg", CodeDIN, 200, -4, 300, 10, 30, "DIN 1045-3"},
		{"US, under 12 in", "", 200, -1, 300, celsius(55), celsius(75), "ACI 306R"},
	} {
		l, _ := with(demoCase(), byCode(x.code)).limits()
		s := section{x.mm, x.airC, x.cement}
		p := l.placing(s)
		require.InDelta(t, x.least, p.placeMinC, 1e-9, x.name)
		require.InDelta(t, x.most, p.placeMaxC, 1e-9, x.name)
		_, src := l.maintainMinC(s)
		require.Contains(t, src.Document, x.source, x.name)
	}
}

// TestLimitsByCode are the published limits that differ: strength before the first
// freezing (CSA A23.1-14 note 2 to 7.1.2.4; EN 13670 8.5), cold weather (CSA
// 7.1.2.1; DIN 1045-3), surfaces (Concrete Society), periods (CSA practice, DIN).
func TestLimitsByCode(t *testing.T) {
	for _, x := range []struct {
		code                      Code
		criticalMPa, coldC, baseC float64
	}{
		{CodeUS, 500 / 145.0377, celsius(40), celsius(35)},
		{CodeCSA, 7, 5, celsius(35)},
		{CodeEN, 5, 5, 2},
		{CodeDIN, 5, 5, celsius(35)},
	} {
		l, _ := with(demoCase(), byCode(x.code)).limits()
		require.InDelta(t, x.criticalMPa, l.value("strength.critical_mpa"), 1e-4, x.code)
		require.InDelta(t, x.coldC, l.value("season.cold_c"), 1e-9, x.code)
		require.InDelta(t, x.baseC, l.value("ground.min_c"), 1e-9, x.code)
		require.Equal(t, x.code != CodeUS, l.cold(x.coldC), "at 5 °C counts by CSA and DIN, at 40 °F not by ACI")
		require.True(t, l.cold(x.coldC-0.1))
		require.False(t, l.cold(x.coldC+0.1))
	}
	for _, x := range []struct {
		code     Code
		exposure Exposure
		airC     float64
		days     float64
		id       string
	}{
		{CodeCSA, ExposureC1, -10, 3, "B1-06"},
		{CodeCSA, ExposureC2, -10, 7, "B1-07"},
		{CodeDIN, ExposureC1, -4, 3, "B2-06"},
		{CodeDIN, ExposureC1, -2, 0, "B2-02"}, // until 5 MPa
		{CodeEN, ExposureC1, -10, 0, "B2-02"},
	} {
		c := with(demoCase(), byCode(x.code))
		c.Pour.Exposure = x.exposure
		hours, src := c.periodH(x.airC)
		require.InDelta(t, 24*x.days, hours, 0, "%s %s", x.code, x.exposure)
		require.Equal(t, x.id, src.ID)
	}
}

// TestSiteCodeGoesBeforeTheFirms: a firm works by one code and at a site abroad by
// another; what it tightened itself holds in each.
func TestSiteCodeGoesBeforeTheFirms(t *testing.T) {
	c := demoCase()
	require.Equal(t, CodeUS, c.code())
	c.Firm.Code = CodeCSA
	require.Equal(t, CodeCSA, c.code())
	c.Site.Code = CodeEN
	require.Equal(t, CodeEN, c.code())
	c.Firm.Limits = []LimitChange{{Limit: "strength.critical_mpa", Value: 6}}
	l, _ := c.limits()
	require.InDelta(t, 6, l.value("strength.critical_mpa"), 0, "stricter than the 5 MPa of EN")
	require.Contains(t, l.source("strength.critical_mpa").Document, "tightened by the firm")
	c.Site.Code = CodeCSA
	l, _ = c.limits()
	require.InDelta(t, 7, l.value("strength.critical_mpa"), 0, "the firm's 6 MPa does not loosen the 7 of CSA")
	c.Firm.Limits = []LimitChange{{Limit: "csa.strength.critical_mpa", Value: 6, Override: true, Reason: "engineer of record"}}
	l, overrides := c.limits()
	require.InDelta(t, 6, l.value("strength.critical_mpa"), 0)
	require.Len(t, overrides, 1)
}

// TestFindingsCiteTheirCode: under another code nothing that it has a limit of its
// own for cites US practice, the strength before freezing is its own, and reaching
// more strength takes longer.
func TestFindingsCiteTheirCode(t *testing.T) {
	own := map[Code][]string{CodeCSA: {"CSA"}, CodeEN: {"EN ", "Concrete Society", "BS "}, CodeDIN: {"DIN"}}
	usual := Assess(with(demoCase(), noAccelerator), Options{})
	require.Equal(t, CodeUS, usual.Code)
	for code, names := range own {
		c := with(with(demoCase(), noAccelerator), byCode(code))
		c.Pour.PlacedTempC = new(4.0)
		c.Firm.Units = UnitsSI
		a := Assess(c, Options{Members: 11, Seed: 1})
		require.Equal(t, code, a.Code)
		judged := map[string]bool{}
		for _, f := range a.Findings {
			switch f.Rule {
			case "season.cold_weather", "batch.placing_temp_low", "slab.freezes_early", "slab.below_maintain_temp":
				judged[f.Rule] = true
				cites := false
				for _, n := range names {
					cites = cites || strings.Contains(f.Source.Document, n)
				}
				require.True(t, cites, "%s: %s cites %s", code, f.Rule, f.Source.Document)
				require.NotContains(t, f.Source.Document, "ACI")
				require.NotContains(t, f.Sentence, "3.5 MPa")
			}
		}
		require.True(t, judged["season.cold_weather"] && judged["batch.placing_temp_low"], "%s: %v", code, judged)
		require.Greater(t, a.CriticalMPa, usual.CriticalMPa)
		if at := a.Timeline.CriticalStrengthAt; at != nil {
			require.True(t, at.After(*usual.Timeline.CriticalStrengthAt))
		}
		sound(t, &a)
	}
}

// TestBaringByCSA is the graph of CSA A23.1 at a wall of 0.6 m, length over height
// 7: 15 C deg to the air, whatever the night brings; 14.9 are allowed.
func TestBaringByCSA(t *testing.T) {
	c, l := filled(func(c *Case) {
		byCode(CodeCSA)(c)
		c.Pour.Element, c.Pour.ThicknessMM, c.Pour.HeightMM, c.Pour.LengthMM = Wall, 600, 1000, 7000
	})
	require.True(t, c.mayBare(l, baring{surfaceC: 14.9, airC: 0, lowestC: -25, windMS: 3}))
	require.False(t, c.mayBare(l, baring{surfaceC: 15.1, airC: 0, lowestC: -1, windMS: 3}))
}

func TestUnknownCodeIsRefused(t *testing.T) {
	c := demoCase()
	c.Firm.Code, c.Site.Code = "aci", "jis"
	data, err := json.Marshal(c)
	require.NoError(t, err)
	_, err = Decode(data)
	var bad *InvalidError
	require.ErrorAs(t, err, &bad)
	require.Equal(t, []Violation{
		{"/site/code", "must be us, csa, en or din"}, {"/firm/code", "must be us, csa, en or din"},
	}, bad.Violations)
}

// TestENProtectsUntilStrength: by EN a slab in steady frost is protected until it
// has 5 MPa, no longer and no shorter.
func TestENProtectsUntilStrength(t *testing.T) {
	c := with(demoCase(), byCode(CodeEN))
	c.Pour.Protection[0].RM2KW = 8 * usR
	a := Assess(c, Options{})
	require.NotNil(t, a.Timeline.ProtectUntilAt)
	for _, r := range a.Strength {
		if r.At.Equal(a.Timeline.ProtectUntilAt.Truncate(time.Hour)) {
			require.GreaterOrEqual(t, r.ColdestMPa, 4.9)
			require.Less(t, r.ColdestMPa, 6.5)
		}
	}
}
