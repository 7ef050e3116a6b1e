package soil

import "math"

// The closed forms below hold for one uniform material without freezing. They are
// yardsticks for the column solver (Carslaw and Jaeger 1959).

// StepChangeC is the temperature in a half space that was at initialC when its
// surface went to surfaceC.
func StepChangeC(diffusivityM2S, initialC, surfaceC, depthM, timeS float64) float64 {
	return surfaceC + (initialC-surfaceC)*math.Erf(depthM/(2*math.Sqrt(diffusivityM2S*timeS)))
}

// ConstantFluxC is the temperature in a half space that was at initialC when a
// flux into its surface began.
func ConstantFluxC(diffusivityM2S, conductivityWmK, initialC, fluxWm2, depthM, timeS float64) float64 {
	s := math.Sqrt(diffusivityM2S * timeS)
	x := depthM / (2 * s)
	ierfc := math.Exp(-x*x)/math.Sqrt(math.Pi) - x*math.Erfc(x)
	return initialC + 2*fluxWm2*s/conductivityWmK*ierfc
}

// ConvectiveC is the temperature in a half space that was at initialC when air at
// airC began to act through the coefficient hWm2K.
func ConvectiveC(diffusivityM2S, conductivityWmK, hWm2K, initialC, airC, depthM, timeS float64) float64 {
	s := math.Sqrt(diffusivityM2S * timeS)
	x, b := depthM/(2*s), hWm2K*s/conductivityWmK
	share := math.Erfc(x) - math.Exp(hWm2K*depthM/conductivityWmK+b*b)*math.Erfc(x+b)
	return initialC + (airC-initialC)*share
}

// PlateC is the temperature in a plate that was at initialC when air at airC began
// to act on both faces, at fromMidM from the middle.
func PlateC(thicknessM, diffusivityM2S, conductivityWmK, hWm2K, initialC, airC, fromMidM, timeS float64) float64 {
	half := thicknessM / 2
	biot, fourier := hWm2K*half/conductivityWmK, diffusivityM2S*timeS/(half*half)
	sum := 0.0
	for n := range 40 {
		// The n-th root of z tan z = Bi lies between n pi and n pi + pi/2.
		lo := float64(n) * math.Pi
		z := bisect(lo, lo+math.Pi/2, func(z float64) float64 { return biot*math.Cos(z) - z*math.Sin(z) })
		if n%2 == 1 {
			z = bisect(lo, lo+math.Pi/2, func(z float64) float64 { return z*math.Sin(z) - biot*math.Cos(z) })
		}
		sum += 4 * math.Sin(z) / (2*z + math.Sin(2*z)) * math.Exp(-z*z*fourier) * math.Cos(z*fromMidM/half)
	}
	return airC + (initialC-airC)*sum
}

// ContactC is the temperature between two bodies just brought together, from
// their conductivities and heat capacities: what the bottom of fresh concrete
// takes on at once.
func ContactC(aWmK, aJM3K, aC, bWmK, bJM3K, bC float64) float64 {
	ea, eb := math.Sqrt(aWmK*aJM3K), math.Sqrt(bWmK*bJM3K)
	return (ea*aC + eb*bC) / (ea + eb)
}

// bisect finds the root of a function that falls from positive at lo to negative
// at hi.
func bisect(lo, hi float64, f func(float64) float64) float64 {
	for range 100 {
		mid := (lo + hi) / 2
		if f(mid) > 0 {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}
