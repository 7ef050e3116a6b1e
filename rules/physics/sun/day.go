package sun

import (
	"math"
	"time"
)

// Elevations of the sun's centre at which the day turns, in degrees.
const (
	HorizonDeg       = -0.833 // sunrise and sunset: refraction and half the disc
	CivilTwilightDeg = -6.0   // civil dawn and dusk
)

// Light says whether the sun crosses an elevation on a day.
type Light int

// The kinds of day.
const (
	Crosses     Light = iota // rises above it and sinks below it
	AlwaysAbove              // stays above it
	AlwaysBelow              // never reaches it
)

// Noon is the moment of solar noon on the civil date that day carries in its own
// location.
func Noon(day time.Time, lonDeg float64) time.Time {
	y, m, d := day.Date()
	clockNoon := time.Date(y, m, d, 12, 0, 0, 0, day.Location())
	// Two steps settle it: the equation of time moves by half a minute a day.
	noon := clockNoon
	for range 2 {
		_, eqTimeMin := orbit(noon)
		utcNoon := time.Date(y, m, d, 12, 0, 0, 0, time.UTC)
		noon = utcNoon.Add(minutes(-4*lonDeg - eqTimeMin))
	}
	return nearestDay(noon, clockNoon).In(day.Location())
}

// nearestDay moves t by whole days to within half a day of ref, for zones far
// from their longitude.
func nearestDay(t, ref time.Time) time.Time {
	days := math.Round(ref.Sub(t).Hours() / 24)
	return t.Add(time.Duration(days) * 24 * time.Hour)
}

// Crossing gives the moments at which the sun rises above and sinks below
// elevationDeg around solar noon of day, at a place. The times are zero unless the
// answer is Crosses. Within about a minute up to latitude 60, less sure close to
// the limit of a polar day.
func Crossing(day time.Time, latDeg, lonDeg, elevationDeg float64) (up, down time.Time, kind Light) {
	noon := Noon(day, lonDeg)
	up, kind = cross(noon, latDeg, elevationDeg, -1)
	if kind != Crosses {
		return time.Time{}, time.Time{}, kind
	}
	down, kind = cross(noon, latDeg, elevationDeg, +1)
	if kind != Crosses {
		return time.Time{}, time.Time{}, kind
	}
	return up, down, Crosses
}

// cross finds the crossing before (-1) or after (+1) noon, with the declination of
// the moment itself.
func cross(noon time.Time, latDeg, elevationDeg, side float64) (time.Time, Light) {
	lat, target := rad(latDeg), math.Sin(rad(elevationDeg))
	_, eqNoon := orbit(noon)
	t := noon
	for range 4 {
		decl, eqTimeMin := orbit(t)
		c := (target - math.Sin(lat)*math.Sin(decl)) / (math.Cos(lat) * math.Cos(decl))
		switch {
		case c < -1:
			return time.Time{}, AlwaysAbove
		case c > 1:
			return time.Time{}, AlwaysBelow
		}
		t = noon.Add(minutes(side*4*deg(math.Acos(c)) - (eqTimeMin - eqNoon)))
	}
	return t, Crosses
}

// Sunset is the moment of sunset on a day at a place; see Crossing.
func Sunset(day time.Time, latDeg, lonDeg float64) (time.Time, Light) {
	_, down, kind := Crossing(day, latDeg, lonDeg, HorizonDeg)
	return down, kind
}

// Sunrise is the moment of sunrise on a day at a place; see Crossing.
func Sunrise(day time.Time, latDeg, lonDeg float64) (time.Time, Light) {
	up, _, kind := Crossing(day, latDeg, lonDeg, HorizonDeg)
	return up, kind
}

// CivilDusk is the moment civil twilight ends on a day at a place, after which
// outdoor work needs lights; see Crossing.
func CivilDusk(day time.Time, latDeg, lonDeg float64) (time.Time, Light) {
	_, down, kind := Crossing(day, latDeg, lonDeg, CivilTwilightDeg)
	return down, kind
}

// CivilDawn is the moment civil twilight begins on a day at a place, first light;
// see Crossing.
func CivilDawn(day time.Time, latDeg, lonDeg float64) (time.Time, Light) {
	up, _, kind := Crossing(day, latDeg, lonDeg, CivilTwilightDeg)
	return up, kind
}

func minutes(m float64) time.Duration { return time.Duration(m * float64(time.Minute)) }
