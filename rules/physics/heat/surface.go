package heat

import "frostgate/rules/physics/air"

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
	follow, rest  Lanes // skin = rest + follow x temperature of the uppermost cell
	curve         Lanes // half the second derivative of the balance by the skin
	baseC         Lanes // skin linearised at
}

const (
	kelvin = 273.15
	// vapourFromC is where evaporation is counted from; the vapour pressure below it
	// is nothing, and its formula ends at -243 C.
	vapourFromC = -90.0
)

// maxRounds bounds the scalar iteration for a skin.
const maxRounds = 40

// linearise finds how skin and flux of lane l follow the temperature of the
// uppermost cell, near cellC, to tolWm2.
//
//go:norace
func (s *Surface) linearise(l int, halfM2KW, cellC, tolWm2 float64) {
	g := 1 / (halfM2KW + s.CoverM2KW[l])
	if s.Held {
		s.slope[l], s.offset[l], s.follow[l], s.rest[l], s.curve[l] = g, g*s.SkinC[l], 0, s.SkinC[l], 0
		return
	}
	skin := s.SkinC[l]
	for range maxRounds {
		q, falls := s.environment(l, skin)
		follow := g / (g + falls)
		s.baseC[l], s.follow[l], s.rest[l] = skin, follow, (q+falls*skin)/(g+falls)
		s.offset[l], s.slope[l] = follow*(q+falls*skin), follow*falls
		skin = s.rest[l] + follow*cellC
		if s.leftOut(l, cellC) < tolWm2 {
			break
		}
	}
}

// environment is the flux into the skin of lane l from outside and how much it
// falls per kelvin of skin; it notes latent heat and curvature on the way.
//
//go:norace
func (s *Surface) environment(l int, skinC float64) (q, falls float64) {
	k := skinC + kelvin
	r := s.Emissivity[l] * air.StefanBoltzmann * k * k
	q = s.ConvectWm2K[l]*(s.AirC[l]-skinC) + s.Emissivity[l]*s.LongwaveWm2[l] - r*k*k + s.SunWm2[l]
	falls = s.ConvectWm2K[l] + 4*r*k
	s.curve[l], s.LatentWm2[l] = 6*r, 0
	if s.LatentWm2K[l] == 0 || skinC < vapourFromC {
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

// leftOut estimates what the linearisation leaves out, in W/m2, with the
// uppermost cell at cellC.
func (s *Surface) leftOut(l int, cellC float64) float64 {
	d := s.rest[l] + s.follow[l]*cellC - s.baseC[l]
	return s.curve[l] * d * d
}

// settle takes over the linear solution, which is what the column received.
func (s *Surface) settle(l int, cellC float64) {
	s.FluxWm2[l] = s.offset[l] - s.slope[l]*cellC
	s.SkinC[l] = s.rest[l] + s.follow[l]*cellC
}
