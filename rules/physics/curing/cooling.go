package curing

import "math"

// WithinAirC is the difference to the air, 20 F, at which all protection may come
// off (ACI 306.1-90, 3.2.3).
const WithinAirC = 20.0 * 5 / 9

// MaxWindKMH is the wind up to which the graph behind [DifferenceC] holds.
const MaxWindKMH = 25.0

// Table of CSA A23.1, same graph in ACI 306R: largest difference between concrete
// surface and air at removal, C deg, by thickness in m and length over height.
var (
	thicknesses = []float64{0.3, 0.6, 0.9, 1.2}
	ratios      = []float64{0, 3, 5, 7, 20}
	differences = [][]float64{
		{29, 22, 19, 17, 12},
		{22, 18, 16, 15, 12},
		{18, 16, 15, 14, 12},
		{17, 15, 14, 13, 12},
	}
)

// DifferenceC is the largest difference between a concrete surface and the air when
// protection comes off, linear between the printed values and held at their ends.
// lengthOverHeight is that of the structure. It is not known (false) in wind above
// [MaxWindKMH].
func DifferenceC(thicknessMM, lengthOverHeight, windMS float64) (float64, bool) {
	if windMS*3.6 > MaxWindKMH {
		return 0, false
	}
	i, fi := locate(thicknesses, thicknessMM/1000)
	j, fj := locate(ratios, lengthOverHeight)
	thin := mixed(differences[i][j], differences[i][j+1], fj)
	thick := mixed(differences[i+1][j], differences[i+1][j+1], fj)
	return mixed(thin, thick, fi), true
}

// locate finds the interval of sorted marks x lies in and the share of it passed.
func locate(marks []float64, x float64) (int, float64) {
	i := 0
	for i < len(marks)-2 && x > marks[i+1] {
		i++
	}
	f := (x - marks[i]) / (marks[i+1] - marks[i])
	return i, math.Min(1, math.Max(0, f))
}

func mixed(a, b, f float64) float64 { return a + f*(b-a) }

// wholeF is a temperature as tables in whole degrees F read it.
func wholeF(c float64) float64 { return math.Round(c*9/5 + 32) }
