package air

import (
	"errors"
	"math"
)

// MSPerKMH converts km/h to m/s.
const MSPerKMH = 1 / 3.6

// MenzelKgM2H is the evaporation from fresh concrete in kg/m2/h (E24; Menzel 1954
// in the form of ACI 308R; MEM-H), by Magnus vapour pressure. The wind is the mean
// at 0.5 m above the surface, rh 0 to 1. Condensation counts as 0. Any such
// estimate scatters by about 40 % (Hover 2020).
func MenzelKgM2H(surfaceC, airC, rh, windMS float64) float64 {
	return MenzelFromPressure(SaturationPressureKPa(surfaceC), VapourPressureKPa(airC, rh), windMS)
}

// MenzelFromPressure is Menzel's formula from the vapour pressures in kPa at the
// wet surface and in the air.
func MenzelFromPressure(surfaceKPa, airKPa, windMS float64) float64 {
	return math.Max(0, 0.315*(surfaceKPa-airKPa)*(0.253+0.060*windMS/MSPerKMH))
}

// unoMinAirC is the lowest air temperature the metric form of Uno holds for; below
// it the base of its power turns negative.
const unoMinAirC = -18.0

// ErrUnoDomain is returned by UnoKgM2H outside the domain of the formula.
var ErrUnoDomain = errors.New("air or surface below -18 C, where the formula is not defined")

// UnoKgM2H is the short form of Uno 1998 in kg/m2/h with its rounded metric
// coefficients (MEM-H). It overstates by 7 to 23 % when concrete is warm and air
// cold, and is not defined for air or surface below -18 C: then it fails with
// ErrUnoDomain. Kept for comparison; MenzelKgM2H decides.
func UnoKgM2H(surfaceC, airC, rh, windMS float64) (float64, error) {
	return uno(surfaceC, airC, rh, windMS/MSPerKMH, 5, -unoMinAirC, 4)
}

// UnoExactKgM2H is the exact conversion of Uno's form in US units, about 4 %
// above the rounded one; defined for air and surface from -17.778 C (0 F) up.
func UnoExactKgM2H(surfaceC, airC, rh, windMS float64) (float64, error) {
	return uno(surfaceC, airC, rh, windMS/MSPerKMH, 5.275, 17.778, 4.0234)
}

func uno(surfaceC, airC, rh, windKMH, factor, shiftC, calmKMH float64) (float64, error) {
	if airC < -shiftC || surfaceC < -shiftC {
		return 0, ErrUnoDomain
	}
	e := factor * (math.Pow(surfaceC+shiftC, 2.5) - rh*math.Pow(airC+shiftC, 2.5)) * (windKMH + calmKMH) * 1e-6
	return math.Max(0, e), nil
}
