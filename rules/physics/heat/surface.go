package heat

import (
	"math"

	"frostgate/rules/physics/air"
)

// A Surface is what the outer face meets during one step, and what came of it:
//
//	flux in = h (air - skin) + e (longwave - sigma skin^4) + sun - latent heat (E19)
//
// with a cover's resistance between the skin and the uppermost cell.
type Surface struct {
	AirC        Lanes
	ConvectWm2K Lanes // h
	LongwaveWm2 Lanes // from the sky
	SunWm2      Lanes // absorbed
	Emissivity  Lanes
	CoverM2KW   Lanes // resistance of what lies on the surface
	LatentWm2K  Lanes // heat of evaporation per kPa of vapour pressure; 0 dry
	VapourKPa   Lanes // in the air

	// Held keeps the skin at SkinC instead.
	Held bool

	SkinC     Lanes // outer face; the start of the iteration too
	FluxWm2   Lanes // into the column
	LatentWm2 Lanes // heat lost to evaporation

	offset, slope Lanes // flux in = offset - slope x temperature of the uppermost cell
	follow        Lanes // d skin/d temperature of the uppermost cell
	curve         Lanes // half the second derivative of the balance by the skin
	atC           Lanes // temperature of the uppermost cell linearised at
}

const (
	kelvin = 273.15
	// skinTolK ends the scalar iteration; its error is then about a thousandth of
	// the square.
	skinTolK      = 1e-3
	skinMaxRounds = 40
)

// linearise solves the skin of lane l for a temperature of the uppermost cell
// and finds how the flux follows that temperature.
func (s *Surface) linearise(l int, halfM2KW, cellC float64) {
	g := 1 / (halfM2KW + s.CoverM2KW[l])
	s.atC[l] = cellC
	if s.Held {
		s.slope[l], s.offset[l], s.follow[l], s.curve[l] = g, g*s.SkinC[l], 0, 0
		return
	}
	skin, falls := s.SkinC[l], 0.0
	for range skinMaxRounds {
		var q float64
		q, falls = s.environment(l, skin)
		d := (g*(cellC-skin) + q) / (g + falls)
		skin += d
		if math.Abs(d) < skinTolK {
			break
		}
	}
	s.SkinC[l] = skin
	s.follow[l] = g / (g + falls)
	s.slope[l] = g * falls / (g + falls)
	s.offset[l] = g*(skin-cellC) + s.slope[l]*cellC
}

// environment is the flux into the skin of lane l from outside and how much it
// falls per kelvin of skin; it notes latent heat and curvature on the way.
func (s *Surface) environment(l int, skinC float64) (q, falls float64) {
	k := skinC + kelvin
	r := s.Emissivity[l] * air.StefanBoltzmann * k * k
	q = s.ConvectWm2K[l]*(s.AirC[l]-skinC) + s.Emissivity[l]*s.LongwaveWm2[l] - r*k*k + s.SunWm2[l]
	falls = s.ConvectWm2K[l] + 4*r*k
	s.curve[l], s.LatentWm2[l] = 6*r, 0
	if s.LatentWm2K[l] == 0 {
		return q, falls
	}
	es := air.SaturationPressureKPa(skinC)
	if es <= s.VapourKPa[l] {
		return q, falls
	}
	rise := air.SaturationSlopeKPaK(skinC, es)
	latent := s.LatentWm2K[l] * (es - s.VapourKPa[l])
	s.LatentWm2[l] = latent
	s.curve[l] += s.LatentWm2K[l] * rise * rise / (2 * es) // nearly exponential
	return q - latent, falls + s.LatentWm2K[l]*rise
}

// leftOut estimates what the linearisation left out, in W/m2, now that the
// uppermost cell is at cellC.
func (s *Surface) leftOut(l int, cellC float64) float64 {
	d := s.follow[l] * (cellC - s.atC[l])
	return s.curve[l] * d * d
}

// settle takes over the linear solution, which is what the column received.
func (s *Surface) settle(l int, cellC float64) {
	s.FluxWm2[l] = s.offset[l] - s.slope[l]*cellC
	s.SkinC[l] += s.follow[l] * (cellC - s.atC[l])
}
