package sun

import "math"

// ClearSkyWm2 is the sunlight on level ground under a clear sky for the cosine of
// the zenith angle; 0 with the sun down (E23; Haurwitz 1945).
func ClearSkyWm2(cosZenith float64) float64 {
	if cosZenith <= 0 {
		return 0
	}
	return 1098 * cosZenith * math.Exp(-0.057/cosZenith)
}

// CloudyWm2 is sunlight under a cloud cover of 0 to 1 from that of a clear sky
// (E23; Kasten and Czeplak 1980).
func CloudyWm2(clearWm2, cloud float64) float64 {
	return clearWm2 * (1 - 0.75*math.Pow(math.Min(1, math.Max(0, cloud)), 3.4))
}

// SimpleCosZenith is the textbook form: latitude in degrees, day of the year from
// 1, solar time in hours; the declination is Cooper's (1969), up to half a degree
// off. Where a date and place are known, use [At].
func SimpleCosZenith(latDeg float64, dayOfYear int, solarHour float64) float64 {
	decl := rad(23.45 * math.Sin(2*math.Pi*float64(284+dayOfYear)/365))
	lat := rad(latDeg)
	return math.Sin(lat)*math.Sin(decl) + math.Cos(lat)*math.Cos(decl)*math.Cos(rad(15*(solarHour-12)))
}

// solarConstantWm2 is the sunlight outside the air at the mean distance.
const solarConstantWm2 = 1361.0

// DiffuseShare is the share of the sunlight on level ground that comes from the
// sky and not straight from the sun, which shade does not keep off (Erbs, Klein
// and Duffie 1982; MEM), 0.165 to 1.
func DiffuseShare(globalWm2, cosZenith float64, dayOfYear int) float64 {
	if cosZenith <= 0 || globalWm2 <= 0 {
		return 1
	}
	outside := solarConstantWm2 * (1 + 0.033*math.Cos(2*math.Pi*float64(dayOfYear)/365)) * cosZenith
	k := math.Min(1, globalWm2/outside)
	switch {
	case k <= 0.22:
		return 1 - 0.09*k
	case k <= 0.80:
		return 0.9511 + k*(-0.1604+k*(4.388+k*(-16.638+k*12.336)))
	default:
		return 0.165
	}
}
