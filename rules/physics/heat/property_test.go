package heat_test

import (
	"math"
	"testing"

	"frostgate/rules/physics/heat"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// materials are all kinds a column may hold.
var materials = []heat.Material{pore, silt, gravel, heat.Constant(.029, 4e4)}

func drawCells(t *rapid.T) []heat.Cell {
	return rapid.SliceOfN(rapid.Custom(func(t *rapid.T) heat.Cell {
		return heat.Cell{
			ThicknessM:  rapid.Float64Range(.005, .3).Draw(t, "thickness"),
			Material:    rapid.SampledFrom(materials).Draw(t, "material"),
			ContactM2KW: rapid.SampledFrom([]float64{0, 0, .1, 1.8}).Draw(t, "contact"),
			SinkWm3K:    rapid.SampledFrom([]float64{0, 0, 20}).Draw(t, "sink"),
		}
	}), 1, 25).Draw(t, "cells")
}

// drawSurface fills lane l with any weather and cover.
func drawSurface(t *rapid.T, s *heat.Surface, l int) {
	s.AirC[l] = rapid.Float64Range(-45, 35).Draw(t, "air")
	s.ConvectWm2K[l] = rapid.Float64Range(0, 60).Draw(t, "h")
	s.LongwaveWm2[l] = rapid.Float64Range(80, 450).Draw(t, "longwave")
	s.SunWm2[l] = rapid.Float64Range(0, 900).Draw(t, "sun")
	s.Emissivity[l] = rapid.Float64Range(0, 1).Draw(t, "emissivity")
	s.CoverM2KW[l] = rapid.SampledFrom([]float64{0, 0, .2, .7, 3}).Draw(t, "cover")
	s.LatentWm2K[l] = rapid.SampledFrom([]float64{0, 0, 60, 300}).Draw(t, "latent")
	s.VapourKPa[l] = rapid.Float64Range(.01, 2).Draw(t, "vapour")
}

// Whatever the layers, the weather, the covers, the heat from within and the step:
// temperatures stay finite, and what is stored is what came in.
func TestEnergyCloses(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cells := drawCells(t)
		heated := rapid.IntRange(0, len(cells)).Draw(t, "heated")
		c, err := heat.New(heat.Config{
			Cells: cells, Lanes: 2, InitialC: rapid.Float64Range(-20, 30).Draw(t, "initial"), Heated: heated,
			InsulatedBottom: rapid.Bool().Draw(t, "insulated"),
		})
		require.NoError(t, err)
		c.BottomC[1] = rapid.Float64Range(-5, 15).Draw(t, "bottom")
		before := [2]float64{c.EnthalpyJM2(0), c.EnthalpyJM2(1)}
		moved := [2]float64{}
		s := new(heat.Surface)
		for range rapid.IntRange(1, 30).Draw(t, "steps") {
			for l := range 2 {
				drawSurface(t, s, l)
				for i := range c.Source {
					c.Source[i][l] = rapid.Float64Range(-500, 3000).Draw(t, "source")
				}
			}
			was := c.Tally
			c.Step(rapid.SampledFrom([]float64{60, 300, 900, 3600}).Draw(t, "step"), s)
			for l := range 2 {
				for _, d := range [][2]float64{
					{was.Surface[l], c.Tally.Surface[l]},
					{was.Bottom[l], c.Tally.Bottom[l]},
					{was.Source[l], c.Tally.Source[l]},
					{was.Sink[l], c.Tally.Sink[l]},
				} {
					moved[l] += math.Abs(d[1] - d[0])
				}
			}
		}
		for l := range 2 {
			for i := range cells {
				require.False(t, math.IsNaN(c.Temp(i)[l]) || math.IsInf(c.Temp(i)[l], 0), "cell %d", i)
			}
			came := c.Tally.Surface[l] + c.Tally.Bottom[l] + c.Tally.Source[l] + c.Tally.Sink[l]
			scale := math.Max(moved[l], math.Abs(before[l]))
			require.InDelta(t, c.EnthalpyJM2(l)-before[l], came, 1e-9*scale)
		}
	})
}

// A lane gives what it gives alone, whatever its neighbours do.
func TestLanesDoNotMix(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cells := drawCells(t)
		steps := rapid.IntRange(1, 20).Draw(t, "steps")
		weather := make([]*heat.Surface, steps)
		for k := range weather {
			weather[k] = new(heat.Surface)
			for l := range heat.Width {
				drawSurface(t, weather[k], l)
			}
		}
		run := func(lanes, from int) *heat.Column {
			c, err := heat.New(heat.Config{Cells: cells, Lanes: lanes, InitialC: 2})
			require.NoError(t, err)
			s := new(heat.Surface)
			for _, w := range weather {
				for l := range lanes {
					k := from + l
					s.AirC[l], s.ConvectWm2K[l], s.LongwaveWm2[l], s.SunWm2[l] = w.AirC[k], w.ConvectWm2K[k], w.LongwaveWm2[k], w.SunWm2[k]
					s.Emissivity[l], s.CoverM2KW[l], s.LatentWm2K[l], s.VapourKPa[l] = w.Emissivity[k], w.CoverM2KW[k], w.LatentWm2K[k], w.VapourKPa[k]
				}
				c.Step(900, s)
			}
			return c
		}
		together := run(heat.Width, 0)
		for l := range heat.Width {
			alone := run(1, l)
			for i := range cells {
				require.InDelta(t, alone.Temp(i)[0], together.Temp(i)[l], 1e-9)
			}
		}
	})
}

// Colder weather never leaves less ice, and under steady cold ice only grows. (With
// a conductivity that falls on freezing the first holds to about 0.2 mm only: the
// conductivity follows the ice by a step.)
func TestFreezingIsMonotone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := rapid.SampledFrom([]heat.Material{silt, gravel, pore}).Draw(t, "material")
		m.KFrozen = m.KUnfrozen
		c, err := heat.New(heat.Config{
			Cells: stack(.02, 1, m), Lanes: 2, InitialC: rapid.Float64Range(1, 8).Draw(t, "initial"), InsulatedBottom: true, FluxTolWm2: 1e-9, TempTolK: 1e-9,
		})
		require.NoError(t, err)
		s := &heat.Surface{ConvectWm2K: heat.All(rapid.Float64Range(5, 40).Draw(t, "h")), CoverM2KW: heat.All(rapid.Float64Range(0, 1).Draw(t, "cover"))}
		s.AirC[0] = rapid.Float64Range(-30, -3).Draw(t, "air")
		s.AirC[1] = s.AirC[0] - rapid.Float64Range(0, 15).Draw(t, "colder")
		dt := rapid.SampledFrom([]float64{300, 900, 3600}).Draw(t, "step")
		was := 0.0
		for range 200 {
			c.Step(dt, s)
			ice := c.IceM(0)
			require.GreaterOrEqual(t, ice, was-1e-9)
			require.GreaterOrEqual(t, c.IceM(1), ice-1e-9)
			was = ice
			for i := 1; i < c.Cells(); i++ {
				require.GreaterOrEqual(t, c.Temp(i)[0], c.Temp(i - 1)[0]-1e-9)
			}
		}
	})
}

// A step allocates nothing, frozen or not.
func TestStepDoesNotAllocate(t *testing.T) {
	c := newColumn(t, heat.Config{Cells: stack(.02, 1, silt), Lanes: heat.Width, InitialC: 2, Heated: 5})
	s := winterDay()
	s.AirC = heat.All(-15)
	require.Zero(t, testing.AllocsPerRun(500, func() { c.Step(900, s) }))
	require.Positive(t, c.IceM(0))
	require.Zero(t, testing.AllocsPerRun(100, func() { c.SetMaterial(0, 0, gravel); c.SetTemp(0, 0, 5) }))
}

// What a column cannot be is refused.
func TestRefusesColumns(t *testing.T) {
	good := heat.Cell{ThicknessM: .1, Material: silt}
	for name, cfg := range map[string]heat.Config{
		"no cells":       {Lanes: 1},
		"no lanes":       {Cells: []heat.Cell{good}},
		"too many lanes": {Cells: []heat.Cell{good}, Lanes: heat.Width + 1},
		"thickness":      {Cells: []heat.Cell{{Material: silt}}, Lanes: 1},
		"conductivity":   {Cells: []heat.Cell{{ThicknessM: .1, Material: heat.Material{CUnfrozen: 1, CFrozen: 1, KFrozen: 1, FreezeC: -1}}}, Lanes: 1},
		"solute at 0 C":  {Cells: []heat.Cell{{ThicknessM: .1, Material: heat.Material{KUnfrozen: 1, KFrozen: 1, CUnfrozen: 1, CFrozen: 1}}}, Lanes: 1},
		"heated":         {Cells: []heat.Cell{good}, Lanes: 1, Heated: 2},
	} {
		_, err := heat.New(cfg)
		require.ErrorIs(t, err, heat.ErrColumn, name)
	}
}

// A thin freezing cell under sudden cold in one long step: the linear guess lies far
// beyond the enthalpy it has left.
func TestSuddenColdOnFreezingCell(t *testing.T) {
	c := newColumn(t, heat.Config{Cells: append(stack(.005, .005, silt), stack(.125, .5, pore)...), InitialC: 1})
	s := &heat.Surface{AirC: heat.All(1), ConvectWm2K: heat.All(1), LongwaveWm2: heat.All(80), Emissivity: heat.All(1), VapourKPa: heat.All(1)}
	for range 8 {
		c.Step(60, s)
	}
	require.Greater(t, c.IceM(0), 0.)
	require.Less(t, c.IceM(0), .005)
	before, came := c.EnthalpyJM2(0), c.Tally.Surface[0]+c.Tally.Bottom[0]
	s.AirC, s.ConvectWm2K, s.LatentWm2K = heat.All(-45), heat.All(17), heat.All(60)
	c.Step(3600, s)
	require.InEpsilon(t, c.Tally.Surface[0]+c.Tally.Bottom[0]-came, c.EnthalpyJM2(0)-before, 1e-9)
	require.Greater(t, c.Temp(0)[0], -45.)
	require.Less(t, c.Temp(0)[0], -1.)
}
