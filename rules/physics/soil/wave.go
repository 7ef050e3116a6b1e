package soil

import "math"

// Periods of the ground's waves in s.
const (
	DayS  = 86400.0
	YearS = 365 * 86400.0
)

// DampingDepthM is the depth at which a wave of a period has shrunk to 1/e in
// ground of a diffusivity.
func DampingDepthM(diffusivityM2S, periodS float64) float64 {
	return math.Sqrt(diffusivityM2S * periodS / math.Pi)
}

// A Year is the yearly wave of the ground (E35; Kusuda and Achenbach 1965; MEM).
type Year struct {
	MeanC          float64 // mean of the year: mean air plus 1 to 2 C under snow
	AmplitudeC     float64 // half the yearly swing
	ColdestDay     float64 // day of the year of the coldest surface, 20 to 35 in the north
	DiffusivityM2S float64
}

// TempC is the undisturbed ground temperature at a depth on a day of the year.
func (y Year) TempC(depthM, day float64) float64 {
	x := depthM / DampingDepthM(y.DiffusivityM2S, YearS)
	return y.MeanC - y.AmplitudeC*math.Exp(-x)*math.Cos(2*math.Pi/365*(day-y.ColdestDay)-x)
}

// Under is the wave of ground under a surface, where y is that of the air: it swings
// by the mean of the surface's factors of freezing and thawing (TM 5-852-4 Table
// 4-1; turf 0.65). The mean of the year is left as it is.
func (y Year) Under(n NFactor) Year {
	y.AmplitudeC *= (n.Freezing + n.Thawing) / 2
	return y
}
