package air

import "math"

// Coefficients of Magnus over water, in kPa and C: 0.61094, 17.625, 243.04
// (Alduchov and Eskridge 1996). Good to 0.4 % from -40 to 50 C.
const (
	magnusA = 0.61094
	magnusB = 17.625
	magnusC = 243.04
)

// SaturationPressureKPa is the saturation vapour pressure over water at tempC, by
// Magnus; for temperatures above -100 C.
func SaturationPressureKPa(tempC float64) float64 {
	return magnusA * math.Exp(magnusB*tempC/(magnusC+tempC))
}

// SaturationSlopeKPaK is the slope of [SaturationPressureKPa] at tempC from its
// value there.
func SaturationSlopeKPaK(tempC, saturationKPa float64) float64 {
	d := magnusC + tempC
	return saturationKPa * magnusB * magnusC / (d * d)
}

// TetensKPa is the older form printed with the evaporation formulas of concrete
// practice (Tetens 1930; Uno 1998), within 1 % of Magnus above -20 C.
func TetensKPa(tempC float64) float64 { return 0.61 * math.Exp(17.3*tempC/(237.3+tempC)) }

// VapourPressureKPa is the vapour pressure of air at tempC and relative humidity
// rh (0 to 1).
func VapourPressureKPa(tempC, rh float64) float64 { return rh * SaturationPressureKPa(tempC) }

// minRelHumidity keeps the logarithm of the dew point finite.
const minRelHumidity = 0.001

// DewPointC is the dew point of air at tempC and relative humidity rh; rh is held
// between 0.001 and 1.
func DewPointC(tempC, rh float64) float64 {
	g := math.Log(math.Min(1, math.Max(minRelHumidity, rh))) + magnusB*tempC/(magnusC+tempC)
	return magnusC * g / (magnusB - g)
}

// RelHumidity is the relative humidity (0 to 1) of air at tempC with a dew point,
// which counts as saturated when it lies above tempC.
func RelHumidity(tempC, dewPointC float64) float64 {
	return math.Min(1, SaturationPressureKPa(dewPointC)/SaturationPressureKPa(tempC))
}
