package sun

import (
	"math"
	"time"
)

// A Position is where the sun stands, in degrees.
type Position struct {
	ElevationDeg float64 // of the centre of the sun, without refraction
	AzimuthDeg   float64 // clockwise from north, 0 to 360
}

// CosZenith is the cosine of the zenith angle, negative below the horizon.
func (p Position) CosZenith() float64 { return math.Sin(rad(p.ElevationDeg)) }

// ApparentElevationDeg is the elevation with refraction at sea level pressure, by
// the formulas of the NOAA solar calculator.
func (p Position) ApparentElevationDeg() float64 {
	e := p.ElevationDeg
	t := math.Tan(rad(e))
	var seconds float64
	switch {
	case e > 85:
	case e > 5:
		seconds = 58.1/t - 0.07/(t*t*t) + 0.000086/(t*t*t*t*t)
	case e > -0.575:
		seconds = 1735 + e*(-518.2+e*(103.4+e*(-12.79+e*0.711)))
	default:
		seconds = -20.774 / t
	}
	return e + seconds/3600
}

// At is the sun's position at a moment and a place (degrees north, degrees east),
// by the equations of the NOAA solar calculator after Meeus, Astronomical
// Algorithms; good to 0.01 degree between 1950 and 2050.
func At(t time.Time, latDeg, lonDeg float64) Position {
	decl, eqTimeMin := orbit(t)
	u := t.UTC()
	minutes := float64(u.Hour()*60+u.Minute()) + (float64(u.Second())+float64(u.Nanosecond())*1e-9)/60
	hourAngle := rad((minutes+eqTimeMin)/4 + lonDeg - 180)
	lat := rad(latDeg)

	// East, north and up components of the direction to the sun.
	east := -math.Cos(decl) * math.Sin(hourAngle)
	north := math.Cos(lat)*math.Sin(decl) - math.Sin(lat)*math.Cos(decl)*math.Cos(hourAngle)
	up := math.Sin(lat)*math.Sin(decl) + math.Cos(lat)*math.Cos(decl)*math.Cos(hourAngle)
	azimuth := deg(math.Atan2(east, north))
	if azimuth < 0 {
		azimuth += 360
	}
	return Position{ElevationDeg: deg(math.Atan2(up, math.Hypot(east, north))), AzimuthDeg: azimuth}
}

// orbit is the apparent declination in radians and the equation of time in
// minutes.
func orbit(t time.Time) (declRad, eqTimeMin float64) {
	c := julianCenturies(t)
	meanLong := rad(math.Mod(280.46646+c*(36000.76983+c*0.0003032), 360))
	anomaly := rad(357.52911 + c*(35999.05029-0.0001537*c))
	eccentricity := 0.016708634 - c*(0.000042037+0.0000001267*c)
	centre := math.Sin(anomaly)*(1.914602-c*(0.004817+0.000014*c)) +
		math.Sin(2*anomaly)*(0.019993-0.000101*c) + math.Sin(3*anomaly)*0.000289

	node := rad(125.04 - 1934.136*c)
	long := meanLong + rad(centre-0.00569-0.00478*math.Sin(node))
	meanObliquity := 23 + (26+(21.448-c*(46.815+c*(0.00059-c*0.001813)))/60)/60
	obliquity := rad(meanObliquity + 0.00256*math.Cos(node))
	declRad = math.Asin(math.Sin(obliquity) * math.Sin(long))

	y := math.Pow(math.Tan(obliquity/2), 2)
	eqTimeMin = 4 * deg(y*math.Sin(2*meanLong)-2*eccentricity*math.Sin(anomaly)+
		4*eccentricity*y*math.Sin(anomaly)*math.Cos(2*meanLong)-
		0.5*y*y*math.Sin(4*meanLong)-1.25*eccentricity*eccentricity*math.Sin(2*anomaly))
	return declRad, eqTimeMin
}

// julianCenturies counts from noon of 1 January 2000 UTC.
func julianCenturies(t time.Time) float64 {
	const unixOfJ2000 = 946728000
	return (float64(t.Unix()-unixOfJ2000) + float64(t.Nanosecond())*1e-9) / 86400 / 36525
}

func rad(d float64) float64 { return d * math.Pi / 180 }
func deg(r float64) float64 { return r * 180 / math.Pi }
