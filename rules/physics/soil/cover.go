package soil

// Snow densities in kg/m3. CAL.
const (
	SnowFresh   = 100.0
	SnowSettled = 200.0
	SnowPacked  = 300.0
)

// SnowConductivityWmK is the conductivity of snow of a density (Sturm et al. 1997;
// form read, coefficients MEM), held between 30 and 600 kg/m3.
func SnowConductivityWmK(kgM3 float64) float64 {
	rho := min(0.6, max(0.03, kgM3/1000))
	if rho < 0.156 {
		return 0.023 + 0.234*rho
	}
	return 0.138 - 1.01*rho + 3.233*rho*rho
}

// SnowResistanceM2KW is that of a layer of snow.
func SnowResistanceM2KW(depthM, kgM3 float64) float64 { return depthM / SnowConductivityWmK(kgM3) }

// SnowCapacityJM3K is the heat capacity of snow.
func SnowCapacityJM3K(kgM3 float64) float64 { return 2.09e3 * kgM3 }

// TurfM2KW is the resistance of grass and thatch on the ground. Fit to soil
// temperatures under grass, 0.3 to 0.45.
const TurfM2KW = 0.30

// An NFactor turns an air index into that of a surface.
type NFactor struct{ Freezing, Thawing float64 }

// nFactors by surface (TM 5-852-4 Table 4-1); thawing where a range is printed:
// its lower end.
var nFactors = map[string]NFactor{
	"snow":       {1.0, 1.0},
	"concrete":   {0.75, 1.5},
	"bituminous": {0.7, 1.6},
	"bare":       {0.7, 1.4},
	"shaded":     {0.9, 1.0},
	"turf":       {0.5, 0.8},
	"trees":      {0.3, 0.4},
}

// NFactorOf returns the n-factor of a surface (snow, concrete, bituminous, bare,
// shaded, turf or trees) and whether it is known. For snow no thawing factor is
// published; it is 1.
func NFactorOf(surface string) (NFactor, bool) {
	n, ok := nFactors[surface]
	return n, ok
}
