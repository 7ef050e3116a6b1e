package rules

import (
	"math"
	"time"

	"frostgate/rules/physics/soil"
)

// Where the ground is spun up, its depth has to begin somewhere. The estimate
// below needs only the place: annual mean air and half the yearly swing fall off
// with latitude and height, less so where the Atlantic keeps Europe mild. CAL on
// published annual means (Chicago 9.8, Minneapolis 7.9, Fairbanks -2.3, Boston
// 10.9, Denver 10.3, Oslo 6.3, Moscow 5.8, Warsaw 8.5 C): within 2.5 C. It holds
// for latitudes 30 to 70 and matters below about 1 m only.
const (
	deepDiffusivity  = 7.5e-7 // m2/s
	groundOverAirC   = 1.0    // ground stays warmer than air: snow (E35)
	coldestDayNorth  = 24.0
	halfYearD        = 182.5
	longestSpinUp    = 45 * 24 * time.Hour
	enoughSpinUp     = 10 * 24 * time.Hour
	recentMean       = 10 * 24 * time.Hour
	recentFadeM      = 0.8 // depth over which the recent days' anomaly fades, sqrt(a 10 d)
	mostRecentShiftC = 12.0
)

// undisturbed is the yearly wave of the ground at a site.
func undisturbed(s *Site) soil.Year {
	lat := math.Abs(s.Latitude)
	mean := 32 - 0.53*lat - 0.0015*s.ElevationM
	swing := 14 + 0.27*(lat-42)
	if s.Latitude > 40 && s.Longitude > -12 && s.Longitude < 40 {
		mean += 5 * math.Min(1, (lat-40)/20)
		swing *= 0.65
	}
	coldest := coldestDayNorth
	if s.Latitude < 0 {
		coldest += halfYearD
	}
	return soil.Year{
		MeanC:          mean + groundOverAirC,
		AmplitudeC:     min(20, max(4, swing)),
		ColdestDay:     coldest,
		DiffusivityM2S: deepDiffusivity,
	}
}

// year is the yearly wave of the ground of the case, whose turf damps it.
func (c *Case) year() soil.Year {
	year := undisturbed(&c.Site)
	if c.Pour.Base.Turf {
		turf, _ := soil.NFactorOf("turf")
		year = year.Under(turf)
	}
	return year
}

// groundGuess is the ground temperature at a depth at the first hour used: the
// yearly wave, pulled near the surface to the mean air of the following days.
func groundGuess(year soil.Year, w *weather, from time.Time) func(depthM float64) float64 {
	day := float64(from.YearDay()) + float64(from.Hour())/24
	shift := w.meanAirC(from, from.Add(recentMean)) - year.TempC(0, day)
	shift = min(mostRecentShiftC, max(-mostRecentShiftC, shift))
	return func(depthM float64) float64 {
		return year.TempC(depthM, day) + shift*math.Exp(-depthM/recentFadeM)
	}
}
