package air

import "math"

// Emissivity of surfaces, and absorptance for sunlight. Handbook values; MEM.
const (
	EmissivityConcrete = .92 // and of blankets
	EmissivitySnow     = .97
	EmissivityFoil     = .30 // reflective blanket

	AbsorptanceFresh       = .65
	AbsorptanceHardened    = .60
	AbsorptanceDarkBlanket = .80 // black or blue, .80 to .90
	AbsorptanceWhite       = .35
	AbsorptanceSnow        = .20 // .15 to .25
	AbsorptanceSoil        = .70
)

// LatentHeatJKg is the heat of evaporation of water near 0 C.
const LatentHeatJKg = 2.5e6

// ConvectionWm2K is the convection coefficient at a wind near the surface in m/s
// (E20; McAdams 1954; MEM). Published formulas differ: carry +-35 %.
func ConvectionWm2K(windMS float64) float64 {
	if windMS <= 5 {
		return 5.6 + 4.0*math.Max(0, windMS)
	}
	return 7.2 * math.Pow(windMS, 0.78)
}

// BarberWm2K is a convection coefficient that includes average re-radiation
// (Barber 1957: 1.3 + 0.62 v^0.75 Btu/h ft2 F, v in mph); use it alone, never
// beside a sky balance.
func BarberWm2K(windMS float64) float64 {
	const mphPerMS, wm2KPerBtu = 2.2369363, 5.6782633
	return (1.3 + 0.62*math.Pow(math.Max(0, windMS)*mphPerMS, 0.75)) * wm2KPerBtu
}

// Roughness lengths in m for WindAtHeight, and the factor behind a windbreak or
// in an excavation (E21; CAL).
const (
	RoughnessOpenM  = 0.02
	RoughnessBuiltM = 0.1
	ShelteredFactor = 0.3
)

// StandardWindHeightM is the height forecasts give wind for; SurfaceWindHeightM
// the height surface formulas want it at.
const (
	StandardWindHeightM = 10.0
	SurfaceWindHeightM  = 0.5
)

// WindAtHeight is the wind at heightM from that at 10 m over ground of roughness
// length roughnessM, by the logarithmic profile (E21); 0 at the roughness length
// and below.
func WindAtHeight(wind10MS, heightM, roughnessM float64) float64 {
	if heightM <= roughnessM {
		return 0
	}
	return wind10MS * math.Log(heightM/roughnessM) / math.Log(StandardWindHeightM/roughnessM)
}

// SkyEmissivity is the emissivity of the sky for a dew point and a cloud cover (0
// to 1): Clark and Allen 1978 with the cloud factor of Walton 1983, at most 1
// (E22).
func SkyEmissivity(dewPointC, cloud float64) float64 {
	n := 10 * math.Min(1, math.Max(0, cloud))
	cloudless := 0.787 + 0.764*math.Log((dewPointC+kelvin)/273)
	return math.Min(1, cloudless*(1+n*(0.0224+n*(-0.0035+n*0.00028))))
}

// LongwaveDownWm2 is the longwave radiation from the sky (E22).
func LongwaveDownWm2(airC, dewPointC, cloud float64) float64 {
	return SkyEmissivity(dewPointC, cloud) * BlackbodyWm2(airC)
}

// BlackbodyWm2 is the radiation of a black surface at tempC.
func BlackbodyWm2(tempC float64) float64 {
	k := tempC + kelvin
	return StefanBoltzmann * k * k * k * k
}

// NetLongwaveWm2 is the longwave radiation into a surface of a given emissivity.
func NetLongwaveWm2(emissivity, downWm2, surfaceC float64) float64 {
	return emissivity * (downWm2 - BlackbodyWm2(surfaceC))
}
