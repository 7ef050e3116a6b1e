package concrete

import "math"

// RefTempC is the temperature all equivalent ages refer to.
const RefTempC = 20.0

// Arr is the rate of a process at tempC relative to 20 C, for the activation
// parameter qK = Ea/R in kelvin (Freiesleben Hansen and Pedersen 1977).
func Arr(tempC, qK float64) float64 {
	return math.Exp(qK * (1/(RefTempC+Kelvin) - 1/(tempC+Kelvin)))
}

// Degree is the degree of hydration at equivalent age teH in hours (E1;
// Freiesleben Hansen and Pedersen 1977); 0 at age 0.
func (h Hydration) Degree(teH float64) float64 {
	return h.UltimateDegree * expCurve(h.TauH, h.Beta, teH)
}

// AgeAt is the equivalent age in hours at which the degree of hydration is
// reached; +Inf at the ultimate degree and beyond.
func (h Hydration) AgeAt(degree float64) float64 {
	return expCurveInverse(h.TauH, h.Beta, degree/h.UltimateDegree)
}

// expCurve is exp(-(tau/te)^beta), 0 for te <= 0.
func expCurve(tau, beta, te float64) float64 {
	if te <= 0 {
		return 0
	}
	return math.Exp(-math.Exp(beta * math.Log(tau/te)))
}

// expCurveInverse is the te at which expCurve reaches share.
func expCurveInverse(tau, beta, share float64) float64 {
	switch {
	case share <= 0:
		return 0
	case share >= 1:
		return math.Inf(1)
	}
	return tau * math.Pow(-math.Log(share), -1/beta)
}

// Degree is the degree of hydration at equivalent age teH of the heat process.
func (m *Model) Degree(teH float64) float64 { return m.Hydration.Degree(teH) }

// HeatJM3 is the heat in J/m3 set free between two degrees of hydration (E1b): an
// exact difference, because the derivative is stiff near age 0.
func (m *Model) HeatJM3(degreeBefore, degreeAfter float64) float64 {
	return m.HeatPerDegreeJM3 * (degreeAfter - degreeBefore)
}

// HeatRate is, like SetRate and StrengthRate, the rate of its age at tempC
// relative to 20 C. Below the freezing point multiply each by
// [Model.UnfrozenShare] (E52).
func (m *Model) HeatRate(tempC float64) float64 { return Arr(tempC, m.HeatQK) }

// SetRate is the rate of the setting age; see HeatRate.
func (m *Model) SetRate(tempC float64) float64 { return Arr(tempC, m.SetQK) }

// StrengthRate is the rate of the strength age; see HeatRate.
func (m *Model) StrengthRate(tempC float64) float64 { return Arr(tempC, m.StrengthQK) }
