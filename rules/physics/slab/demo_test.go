package slab_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"frostgate/rules/physics/air"
	"frostgate/rules/physics/concrete"
	"frostgate/rules/physics/heat"
	"frostgate/rules/physics/slab"
	"frostgate/rules/physics/soil"
	"frostgate/rules/physics/sun"
)

const (
	usR   = 0.17611 // m2K/W
	inch  = 0.0254
	lbYd3 = 0.593276
)

func celsius(f float64) float64    { return (f - 32) / 1.8 }
func fahrenheit(c float64) float64 { return c*1.8 + 32 }
func psi(mpa float64) float64      { return mpa * concrete.PSIPerMPa }

// demo is the pour the reference solver describes: 5 in on 6 in of gravel at 33.5 F,
// placed at 68 F at 07:00, air 15 F to 30 F at 14:00, 10 F at 06:00, then 28 F at
// 15:00 and 10 F at 06:00 every day; latitude 42, day 20, half cloud, humidity 0.75,
// 3.6 m/s.
type demo struct {
	cement    concrete.CementType
	lbYd3     float64
	wcm       float64
	psi       float64
	acc       concrete.Accelerator
	setFactor float64
	wetBase   bool
	foamIn    float64
	cloud     float64
	windMS    float64
	covers    []slab.Cover
	kind      slab.Kind
	thickIn   float64
	widthIn   float64
	formR     float64
	detail    slab.Detail
}

func demoAirF(h float64) float64 {
	switch {
	case h <= 7:
		return 15 + 15*h/7
	case h <= 23:
		return 30 - 20*(h-7)/16
	}
	d := math.Mod(h-23, 24)
	if d <= 9 {
		return 10 + 2*d
	}
	return 28 - 1.2*(d-9)
}

func demoWeather(t testing.TB, d demo) *slab.Forcing {
	t.Helper()
	hours := make([]slab.Hour, 150)
	for i := range hours {
		airC := celsius(demoAirF(float64(i)))
		sunlight := 0.0
		for k := range 60 { // mean of the hour
			cosZ := sun.SimpleCosZenith(42, 20, math.Mod(7+float64(i)+(float64(k)+.5)/60, 24))
			sunlight += sun.CloudyWm2(sun.ClearSkyWm2(cosZ), d.cloud) / 60
		}
		hours[i] = slab.Hour{AirTempC: airC, DewPointC: air.DewPointC(airC, .75), WindMS: d.windMS, Cloud: d.cloud, ShortwaveWm2: sunlight}
	}
	f, err := slab.NewForcing(hours)
	require.NoError(t, err)
	return f
}

func demoGround(t testing.TB, d demo) (*slab.Ground, slab.State) {
	t.Helper()
	material := func(name string, moisture float64) heat.Material {
		m, ok := soil.MaterialOf(name)
		require.True(t, ok)
		return slab.Soil(m.At(moisture))
	}
	base := material("gravel", 4)
	if d.wetBase {
		base = slab.Soil(soil.WetGravel())
	}
	g, err := slab.NewGround([]slab.Layer{{Material: base, ThicknessM: 6 * inch}, {Material: material("silt_clay", 16), ThicknessM: 3}}, d.detail)
	require.NoError(t, err)
	profile := slab.Profile{{0, celsius(33.5)}, {6 * inch, celsius(34)}, {36 * inch, celsius(40)}, {120 * inch, celsius(48)}}
	if d.wetBase {
		profile = slab.Profile{{0, celsius(wetF[0])}, {6 * inch, celsius(wetF[1])}, {36 * inch, celsius(40)}, {120 * inch, celsius(48)}}
	}
	st, err := g.FromProfile(profile)
	require.NoError(t, err)
	return g, st
}

func demoModel(t testing.TB, d demo) *concrete.Model {
	t.Helper()
	cm := d.lbYd3 * lbYd3
	m, err := concrete.New(concrete.Mix{
		Cement: d.cement, CementKgM3: cm, WaterKgM3: cm * d.wcm, AggregateKgM3: 2340 - cm*(1+d.wcm), StrengthMPa: d.psi / concrete.PSIPerMPa,
		Accelerator: d.acc, SetFactor: d.setFactor,
	})
	require.NoError(t, err)
	return m
}

func theDemo() demo {
	return demo{
		cement: concrete.TypeIAndII, lbYd3: 560, wcm: .48, psi: 4000, acc: concrete.CalciumChloride(2, concrete.Flake), setFactor: 1,
		cloud: .5, windMS: 3.6, thickIn: 5, detail: demoDetail,
		covers: []slab.Cover{{Kind: slab.Blanket, FromH: 9, ToH: slab.Forever, RM2KW: 4 * usR}},
	}
}

// demoDetail is the grid and step the reference was computed with.
var demoDetail = slab.Detail{ConcreteM: .0127, BaseM: .01905, Growth: 1.15, DepthM: 3.048, Steps: []slab.Stride{{UntilH: slab.Forever, StepS: 900}}}

func (d demo) run(t testing.TB) slab.Result {
	t.Helper()
	g, st := demoGround(t, d)
	var s slab.Solver
	results, err := s.RunPour(slab.PourRun{
		Element: slab.Element{Kind: d.kind, ThicknessM: d.thickIn * inch, WidthM: d.widthIn * inch, FormRM2KW: d.formR, FoamM: d.foamIn * inch,
			Model: demoModel(t, d), TargetsMPa: []float64{1000 / concrete.PSIPerMPa}},
		Ground: g, Site: slab.Site{BlanketEfficiency: 1}, HoursH: 125, Series: true,
		Lanes: []slab.Lane{{Forcing: demoWeather(t, d), Ground: st, Covers: d.covers, PlacedTempC: 20, BatchedBeforeH: .75}},
	})
	require.NoError(t, err)
	return results[0]
}

func TestDemo(t *testing.T) {
	r := theDemo().run(t)
	for _, h := range []int{0, 1, 2, 3, 4, 6, 8, 10, 12, 18, 24, 36, 48, 72} {
		row := r.Hourly[h]
		t.Logf("%3d air %.1f skin %.1f top %.1f mean %.1f bottom %.1f base %.1f alpha %.4f te_s %.2f te_m %.2f S worst %.0f mean %.0f evap %.3f",
			h, fahrenheit(row.AirC), fahrenheit(row.SkinC), fahrenheit(row.TopC), fahrenheit(row.MeanC), fahrenheit(row.BottomC), fahrenheit(row.BaseC),
			row.Degree, row.SetAgeH, row.StrengthAgeH, psi(row.ColdestMPa), psi(row.MeanMPa), row.EvaporationKgM2H)
	}
	t.Logf("set top %.2f mean %.2f bottom %.2f; 500 psi worst %.2f mean %.2f; 1000 %.2f; max %.1f; coldest before %.1f; peak evap %.3f",
		r.Top, r.Mean, r.Bottom, r.CriticalH, r.CriticalMeanH, r.TargetH[0], fahrenheit(r.MaxC), fahrenheit(r.MinBeforeCriticalC), r.PeakEvaporationKgM2H)
}

var wetF = [2]float64{28,31}
