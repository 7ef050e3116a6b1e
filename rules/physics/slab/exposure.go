package slab

import (
	"frostgate/rules/physics/air"
	"frostgate/rules/physics/heat"
	"frostgate/rules/physics/soil"
)

// Factors are a member's model errors: each multiplies what its name says; 0
// means 1.
type Factors struct {
	Convection         float64 // convection coefficient
	CoverR             float64 // R of blankets
	GroundConductivity float64
	SetTime            float64 // equivalent ages of set
	StrengthTime       float64 // time constant of strength
	HeatTime           float64 // time constant of hydration
}

func (f Factors) withDefaults() Factors {
	return Factors{
		Convection: orDefault(f.Convection, 1), CoverR: orDefault(f.CoverR, 1), GroundConductivity: orDefault(f.GroundConductivity, 1),
		SetTime: orDefault(f.SetTime, 1), StrengthTime: orDefault(f.StrengthTime, 1), HeatTime: orDefault(f.HeatTime, 1),
	}
}

// A face is the bare surface of a lane.
type face struct {
	absorptance float64
	wetness     float64 // share of free water evaporation
	upright     bool    // a wall: no sun is counted on; it sees the whole sky, to be safe
	formM2KW    float64 // resistance of a form that stays
}

// An exposure is what lies over one lane, and the weather above that.
type exposure struct {
	forcing    *Forcing
	covers     []Cover
	snowUntilH float64
	site       Site
	factors    Factors
	lies       lying
}

func newExposure(f *Forcing, covers []Cover, snowUntilH float64, site Site, factors Factors) exposure {
	return exposure{forcing: f, covers: covers, snowUntilH: snowUntilH, site: site, factors: factors, lies: lying{untilH: -Forever}}
}

// fill sets lane l of a surface for a time and returns its air temperature.
func (x *exposure) fill(s *heat.Surface, l int, atH float64, bare face) (airC float64) {
	if atH >= x.lies.untilH {
		x.lies = lie(x.covers, atH, x.site.BlanketEfficiency*x.factors.CoverR)
	}
	d := x.forcing.at(atH)
	y := &x.lies
	wind := d.windMS * x.site.WindFactor * y.windFactor
	r, absorptance, emissivity, sealed := y.rM2KW+bare.formM2KW, bare.absorptance, air.EmissivityConcrete, y.sealed
	if y.covered {
		absorptance, emissivity = y.absorptance, y.emissivity
	}
	if atH < x.snowUntilH && d.snowM > 0 {
		r += soil.SnowResistanceM2KW(d.snowM, snowKgM3)
		absorptance, emissivity, sealed = air.AbsorptanceSnow, air.EmissivitySnow, true
	}
	s.AirC[l] = d.airC
	s.ConvectWm2K[l] = air.ConvectionWm2K(wind) * x.factors.Convection
	s.LongwaveWm2[l] = d.longwaveWm2
	s.SunWm2[l] = absorptance * d.sunWm2
	if bare.upright {
		s.SunWm2[l] = 0
	}
	s.Emissivity[l] = emissivity
	s.CoverM2KW[l] = r
	s.VapourKPa[l] = d.vapourKPa
	s.LatentWm2K[l] = 0
	if !sealed && bare.wetness > 0 {
		s.LatentWm2K[l] = bare.wetness * air.MenzelFromPressure(1, 0, wind) * air.LatentHeatJKg / 3600
	}
	return d.airC
}
