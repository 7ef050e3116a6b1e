package heat_test

import (
	"math"
	"testing"

	"frostgate/rules/physics/heat"
	"frostgate/rules/physics/soil"

	"github.com/stretchr/testify/require"
)

// silt is the reference silt of 1650 kg/m3 and 16 % (models of Kersten 1949 and
// the Corps of Engineers).
var silt = heat.Material{
	KUnfrozen: 1.365902, KFrozen: 1.574274, CUnfrozen: 2.27687e6, CFrozen: 1.72326e6,
	LatentJM3: 334000 * 1650 * .16, FreezeC: -0.1, RangeK: 0.6,
}

// gravel is the reference gravel of 1900 kg/m3 and 4 %.
var gravel = heat.Material{
	KUnfrozen: 1.818685, KFrozen: 1.377228, CUnfrozen: 1.667212e6, CFrozen: 1.50784e6,
	LatentJM3: 334000 * 1900 * .04, FreezeC: 0, RangeK: 0.3,
}

// pore freezes by the solute law.
var pore = heat.Material{KUnfrozen: 2, KFrozen: 2, CUnfrozen: 2.5e6, CFrozen: 2.2e6, LatentJM3: 40e6, FreezeC: -1}

func stack(thicknessM, depthM float64, m heat.Material) []heat.Cell {
	cells := make([]heat.Cell, int(math.Round(depthM/thicknessM)))
	for i := range cells {
		cells[i] = heat.Cell{ThicknessM: thicknessM, Material: m}
	}
	return cells
}

// growing is cells whose thickness grows downwards by a factor to a depth.
func growing(firstM, growth, depthM float64, m heat.Material) []heat.Cell {
	var cells []heat.Cell
	for dz, z := firstM, 0.0; z < depthM; dz, z = dz*growth, z+dz {
		cells = append(cells, heat.Cell{ThicknessM: dz, Material: m})
	}
	return cells
}

func newColumn(t testing.TB, cfg heat.Config) *heat.Column {
	t.Helper()
	if cfg.Lanes == 0 {
		cfg.Lanes = 1
	}
	c, err := heat.New(cfg)
	require.NoError(t, err)
	return c
}

// at is the temperature of lane l at a depth, linear between the middles of cells.
func at(c *heat.Column, l int, depthM float64) float64 {
	upperM, upperC := math.Inf(-1), 0.0
	edge := 0.0
	for i := range c.Cells() {
		mid := edge + c.ThicknessM(i)/2
		if depthM <= mid {
			if i == 0 {
				return c.Temp(0)[l]
			}
			return upperC + (c.Temp(i)[l]-upperC)*(depthM-upperM)/(mid-upperM)
		}
		edge += c.ThicknessM(i)
		upperM, upperC = mid, c.Temp(i)[l]
	}
	return upperC
}

// wind is a surface that meets only moving air.
func wind(h, airC float64) *heat.Surface {
	return &heat.Surface{AirC: heat.All(airC), ConvectWm2K: heat.All(h)}
}

// Enthalpy laws: check case 15 of the reference solver, worked by hand from the
// two laws.
func TestEnthalpyLaws(t *testing.T) {
	soilLaw := heat.Material{KUnfrozen: 1, KFrozen: 1, CUnfrozen: 2.5e6, CFrozen: 2.0e6, LatentJM3: 80e6, FreezeC: 0, RangeK: 0.5}
	for _, c := range []struct {
		law       heat.Material
		tempC, mj float64
	}{
		{pore, 1, 5.000000},
		{pore, -1.5, -14.508333333},
		{pore, -2, -22.350000},
		{pore, -5, -41.400000},
		{soilLaw, 1, 2.5},
		{soilLaw, -1.5, -83.125},
		{soilLaw, -2, -84.125},
		{soilLaw, -5, -90.125},
	} {
		h := c.law.EnthalpyJM3(c.tempC)
		require.InEpsilon(t, c.mj*1e6, h, 1e-9)
		require.InDelta(t, c.tempC, c.law.TempC(h), 1e-9)
	}
	for _, law := range []heat.Material{pore, soilLaw, silt, gravel} {
		for tempC := -30.0; tempC < 5; tempC += 0.0371 {
			require.InDelta(t, tempC, law.TempC(law.EnthalpyJM3(tempC)), 1e-9)
			const d = 1e-6
			numeric := (law.EnthalpyJM3(tempC+d) - law.EnthalpyJM3(tempC-d)) / (2 * d)
			if math.Abs(tempC-law.FreezeC) > 1e-3 && math.Abs(tempC-law.FreezeC+law.RangeK) > 1e-3 {
				require.InEpsilon(t, numeric, law.SlopeJM3K(tempC), 1e-4)
			}
		}
	}
}

// Cases 8 and 9: a half space under moving air, whose exact temperature is Carslaw
// and Jaeger 1959, 2.7; errors as the reference solver's, which is first order in
// the step and second in the cell.
func TestConvectiveHalfSpace(t *testing.T) {
	const k, a, h, startC, airC, hours = 1.5, 7.5e-7, 15, 20, -10, 4
	errorAt := func(dz, dt float64) (depth, surface float64) {
		c := newColumn(t, heat.Config{Cells: stack(dz, 2, heat.Constant(k, k/a)), InitialC: startC})
		top := wind(h, airC)
		for range int(hours * 3600 / dt) {
			c.Step(dt, top)
		}
		return at(c, 0, .05) - soil.ConvectiveC(a, k, h, startC, airC, .05, hours*3600),
			top.SkinC[0] - soil.ConvectiveC(a, k, h, startC, airC, 0, hours*3600)
	}
	coarse, coarseSkin := errorAt(.0127, 900)
	fine, fineSkin := errorAt(.00317, 225)
	t.Logf("error at 50 mm %.4f and %.4f K, skin %.4f and %.4f K", coarse, fine, coarseSkin, fineSkin)
	require.Less(t, math.Abs(coarse), 0.20)
	require.Less(t, math.Abs(coarseSkin), 0.20)
	require.Less(t, math.Abs(fine), 0.06)
	require.Less(t, math.Abs(fineSkin), 0.06)
	require.InDelta(t, 4, coarse/fine, 0.8)
	require.InDelta(t, 4, coarseSkin/fineSkin, 0.8)
}

// A step of surface temperature into a half space (complementary error function;
// Carslaw and Jaeger 1959, 2.5; case 1): second order in the cell.
func TestStepChangeConverges(t *testing.T) {
	const k, a = 1.5, 7.5e-7
	exact := soil.StepChangeC(a, 10, -10, .10, 6*3600)
	require.InDelta(t, -1.570294, exact, 1e-5)
	errorAt := func(dz, dt float64) float64 {
		c := newColumn(t, heat.Config{Cells: stack(dz, 60*.04, heat.Constant(k, k/a)), InitialC: 10})
		top := &heat.Surface{Held: true, SkinC: heat.All(-10)}
		for range int(6 * 3600 / dt) {
			c.Step(dt, top)
		}
		return at(c, 0, .10) - exact
	}
	// Thirds, so that 0.10 m stays the middle of a cell.
	e1, e2, e3 := errorAt(.04, 900), errorAt(.04/3, 100), errorAt(.04/9, 100.0/9)
	t.Logf("errors %.5f %.5f %.5f K", e1, e2, e3)
	require.InDelta(t, 9, e1/e2, 1.5)
	require.InDelta(t, 9, e2/e3, 0.5)
	require.Less(t, math.Abs(e3), 0.01)
}

// A plate cooled on both faces, of which the column is one half (Heisler's series,
// case 4).
func TestInsulatedMidPlane(t *testing.T) {
	const thick, a, k, h = .127, 7.8e-7, 1.9, 10
	c := newColumn(t, heat.Config{Cells: stack(thick/2/40, thick/2, heat.Constant(k, k/a)), InitialC: 20, InsulatedBottom: true})
	top := wind(h, -5)
	for range 3 * 3600 / 10 {
		c.Step(10, top)
	}
	require.InDelta(t, 9.018049, c.Temp(c.Cells() - 1)[0], 0.02)
	require.InDelta(t, 6.966781, top.SkinC[0], 0.02)
}

// Two bodies brought into contact meet at the temperature their effusivities
// weigh (Carslaw and Jaeger 1959, 2.15; case 5); a contact resistance keeps them
// apart.
func TestContact(t *testing.T) {
	upper, lower := heat.Constant(2.0, 2.45e6), heat.Constant(1.3, 1.7e6)
	build := func(contact float64) *heat.Column {
		cells := append(stack(.001, .3, upper), stack(.001, .3, lower)...)
		cells[299].ContactM2KW = contact
		c := newColumn(t, heat.Config{Cells: cells, InitialC: 20, InsulatedBottom: true})
		for i := 300; i < 600; i++ {
			c.SetTemp(i, 0, 1)
		}
		return c
	}
	still := &heat.Surface{}
	bare, apart := build(0), build(1)
	for range 600 {
		bare.Step(1, still)
		apart.Step(1, still)
	}
	face := (bare.Temp(299)[0]*2.0 + bare.Temp(300)[0]*1.3) / 3.3
	require.InDelta(t, 12.366488, face, 0.02)
	// Through 1 m2K/W nearly nothing has passed: 19 W/m2 at the most.
	require.InDelta(t, 19.0*600, 2.45e6*.001*300*20-energyOf(apart, 0, 300, 2.45e6), 500)
}

func energyOf(c *heat.Column, from, to int, capacity float64) float64 {
	sum := 0.0
	for i := from; i < to; i++ {
		sum += capacity * c.ThicknessM(i) * c.Temp(i)[0]
	}
	return sum
}

// Neumann's two-phase problem, cases 12 and 13 (Carslaw and Jaeger 1959, 11.2):
// depth of ice and temperature behind the front; also within 5 % after 5 days and
// 2 % after 20 days on a working grid.
func TestNeumann(t *testing.T) {
	exact := soil.Neumann{FrozenWmK: 2, FrozenJM3K: 1.9e6, UnfrozenWmK: 1.5, UnfrozenJM3K: 2.5e6, LatentJM3: 80e6, SurfaceC: -10, InitialC: 5}
	require.InDelta(t, .552540, exact.FrontM(10*86400), 1e-6)
	run := func(dz, dt, width, days float64) (ice, tenth float64) {
		m := heat.Material{KUnfrozen: 1.5, KFrozen: 2, CUnfrozen: 2.5e6, CFrozen: 1.9e6, LatentJM3: 80e6, RangeK: width}
		c := newColumn(t, heat.Config{Cells: stack(dz, 4, m), InitialC: 5})
		top := &heat.Surface{Held: true, SkinC: heat.All(-10)}
		for range int(days * 86400 / dt) {
			c.Step(dt, top)
		}
		t.Logf("dz %.3f dt %.0f: ice %.6f m (exact %.6f), T(.10) %.4f C, %.2f solves per step",
			dz, dt, c.IceM(0), exact.FrontM(days*86400), at(c, 0, .10), float64(c.Iterations)/(days*86400/dt))
		return c.IceM(0), at(c, 0, .10)
	}
	for _, c := range []struct{ dz, dt, width, ice, tenth, tol float64 }{
		{.02, 3600, .5, .542306, -8.1456, .02}, {.01, 900, .1, .549707, -8.1418, .006}, {.005, 450, .02, .551563, -8.1410, .003},
	} {
		ice, tenth := run(c.dz, c.dt, c.width, 10)
		require.InEpsilon(t, .552540, ice, c.tol)
		require.InDelta(t, -8.141118, tenth, 0.02)
		require.InDelta(t, c.ice, ice, .002) // the reference solver's
		require.InDelta(t, c.tenth, tenth, .01)
	}
	five, _ := run(.02, 3600, .3, 5)
	twenty, _ := run(.02, 3600, .3, 20)
	require.InEpsilon(t, exact.FrontM(5*86400), five, .05)
	require.InEpsilon(t, exact.FrontM(20*86400), twenty, .02)
}

// Case 14: silt cooled for five days; what is stored is what came in.
func TestFreezingSiltClosesEnergy(t *testing.T) {
	cells := stack(.02, 3, silt)
	c := newColumn(t, heat.Config{Cells: cells, InitialC: 3, InsulatedBottom: true})
	top := wind(12, -12)
	before := c.EnthalpyJM2(0)
	for range 5 * 48 {
		c.Step(1800, top)
	}
	got := c.EnthalpyJM2(0) - before
	require.InEpsilon(t, c.Tally.Surface[0], got, 1e-9)
	require.InEpsilon(t, -30.785328e6, got, .005)
}

// Case 21: frost after 20 mild and 10 cold days, against the reference solver.
// Turf lies from the start, snow and blankets from the cold spell on. The start is
// not stated: 7 C throughout and 8 C kept at 4 m agree in all rows.
func TestFrostUnderCovers(t *testing.T) {
	const r = 0.17611 // one US R in m2K/W
	run := func(m heat.Material, coverM2KW float64, turf bool) (ice, t15 float64) {
		c := newColumn(t, heat.Config{Cells: growing(.02, 1.04, 4, m), InitialC: 7})
		c.BottomC = heat.All(8)
		top := wind(15, 0)
		for h := range 30 * 24 {
			mean := 2.0
			if h >= 20*24 {
				mean = -8
			}
			if mean < 0 || turf {
				top.CoverM2KW = heat.All(coverM2KW)
			}
			top.AirC = heat.All(mean + 5*math.Cos(2*math.Pi*(float64(h)+.5-15)/24)) // warmest at 15:00
			c.Step(3600, top)
		}
		return c.IceM(0), at(c, 0, .15)
	}
	for _, c := range []struct {
		name   string
		m      heat.Material
		r, ice float64
		t15    float64
	}{
		{"silt bare", silt, 0, .318, -2.89},
		{"silt turf", silt, .35, .070, math.NaN()},
		{"silt snow", silt, 1.693, 0, math.NaN()},
		{"silt R-4", silt, 4 * r, .016, .30},
		{"silt R-8", silt, 8 * r, 0, math.NaN()},
		{"gravel bare", gravel, 0, .525, math.NaN()},
		{"gravel turf", gravel, .35, .185, math.NaN()},
		{"gravel snow", gravel, 1.693, 0, math.NaN()},
		{"gravel R-4", gravel, 4 * r, .054, math.NaN()},
		{"gravel R-8", gravel, 8 * r, 0, math.NaN()},
	} {
		ice, t15 := run(c.m, c.r, c.r == .35)
		t.Logf("%s: ice %.3f m (reference %.3f), T(.15) %.2f C", c.name, ice, c.ice, t15)
		require.InDelta(t, c.ice, ice, math.Max(.005, .05*c.ice), c.name)
		if !math.IsNaN(c.t15) {
			require.InDelta(t, c.t15, t15, .1)
		}
	}
}
