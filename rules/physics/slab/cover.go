package slab

import (
	"math"

	"frostgate/rules/physics/air"
)

// CoverKind is what lies on a surface.
type CoverKind int

// The kinds. Several may lie at once: their resistances add.
const (
	Blanket   CoverKind = iota // R of the label, times the efficiency on site; stops evaporation
	Sheet                      // plastic or compound, without R; stops evaporation
	Form                       // plywood or other form, R as given; stops evaporation
	Straw                      // R as given
	Windbreak                  // lets through three tenths of the wind
	Turf                       // grass and thatch, R as given (soil.TurfM2KW)
)

// Forever is the end of a cover that stays.
var Forever = math.Inf(1)

// A Cover lies on the surface from FromH until ToH.
type Cover struct {
	Kind       CoverKind
	FromH, ToH float64
	RM2KW      float64
	HeatWm2    float64 // given to the surface under it by mats or hoses
	// Absorptance and Emissivity of its outer face; 0 means 0.80 (dark blanket), of
	// straw 0.70 and of turf turfAbsorptance, and 0.92.
	Absorptance, Emissivity float64
}

// DefaultBlanketEfficiency is the share of the label's R that loose, lapped, damp
// and wind-lifted blankets give; 0.5 when wet. CAL.
const DefaultBlanketEfficiency = 0.75

// turfAbsorptance is what grass takes of the sun, less what it spends on
// transpiration. CAL, fitted with R 0.30 m2K/W to soil temperatures of November to
// March at 29 stations of the US Climate Reference Network; 0.3 to 0.5.
const turfAbsorptance = 0.40

// snowKgM3 is the density taken for snow on the ground. CAL, 100 to 300.
const snowKgM3 = 200.0

// A Site is what a place does to weather and covers.
type Site struct {
	// WindFactor takes the wind at 10 m to the surface (air.WindAtHeight); 0 means
	// open terrain, 0.518.
	WindFactor float64
	// BlanketEfficiency is 0 to 1; 0 means DefaultBlanketEfficiency.
	BlanketEfficiency float64
	// GroundAbsorptance of sunlight; 0 means bare soil, 0.70.
	GroundAbsorptance float64
}

var openWindFactor = air.WindAtHeight(1, air.SurfaceWindHeightM, air.RoughnessOpenM)

func (s Site) withDefaults() Site {
	return Site{
		WindFactor:        orDefault(s.WindFactor, openWindFactor),
		BlanketEfficiency: orDefault(s.BlanketEfficiency, DefaultBlanketEfficiency),
		GroundAbsorptance: orDefault(s.GroundAbsorptance, air.AbsorptanceSoil),
	}
}

func orDefault(v, def float64) float64 {
	if v == 0 {
		return def
	}
	return v
}

// lying is the sum of the covers at one time.
type lying struct {
	rM2KW, heatWm2, windFactor float64
	absorptance, emissivity    float64
	covered                    bool // a cover shows to the sky
	sealed                     bool // nothing evaporates
	untilH                     float64
}

// lie sums the covers at a time; untilH is when that may change.
func lie(covers []Cover, atH, efficiency float64) lying {
	y := lying{windFactor: 1, untilH: Forever}
	for i := range covers {
		c := &covers[i]
		switch {
		case atH < c.FromH:
			y.untilH = math.Min(y.untilH, c.FromH)
			continue
		case atH >= c.ToH:
			continue
		}
		y.untilH = math.Min(y.untilH, c.ToH)
		y.add(c, efficiency)
	}
	return y
}

func (y *lying) add(c *Cover, efficiency float64) {
	y.heatWm2 += c.HeatWm2
	absorptance := air.AbsorptanceDarkBlanket
	switch c.Kind {
	case Windbreak:
		y.windFactor = math.Min(y.windFactor, air.ShelteredFactor)
		return
	case Blanket:
		y.rM2KW += c.RM2KW * efficiency
		y.sealed = true
	case Straw:
		y.rM2KW += c.RM2KW
		absorptance = air.AbsorptanceSoil
	case Turf:
		y.rM2KW += c.RM2KW
		absorptance = turfAbsorptance
	default:
		y.rM2KW += c.RM2KW
		y.sealed = true
	}
	if c.Kind == Sheet {
		return // lets sun and sky through to what lies under it
	}
	y.covered = true
	y.absorptance = orDefault(c.Absorptance, absorptance)
	y.emissivity = orDefault(c.Emissivity, air.EmissivityConcrete)
}
