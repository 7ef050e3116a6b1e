package concrete

import "math"

// A SoluteLaw is the enthalpy of a material whose pore water freezes as an ideal
// dilute solution (E15). Enthalpy is 0 at the freezing point.
type SoluteLaw struct {
	FreezingC    float64 // initial freezing point, below 0
	UnfrozenJM3K float64 // heat capacity above it
	BelowJM3K    float64 // mean of unfrozen and frozen heat capacity
	LatentJM3    float64 // of all freezable water
}

// NewSoluteLaw makes the law from unfrozen and frozen heat capacity (J/m3K), the
// latent heat of all freezable water (J/m3) and the freezing point, which must be
// below 0 C.
func NewSoluteLaw(unfrozenJM3K, frozenJM3K, latentJM3, freezingC float64) SoluteLaw {
	return SoluteLaw{
		FreezingC:    freezingC,
		UnfrozenJM3K: unfrozenJM3K,
		BelowJM3K:    (unfrozenJM3K + frozenJM3K) / 2,
		LatentJM3:    latentJM3,
	}
}

// EnthalpyJM3 is the enthalpy at tempC.
func (l SoluteLaw) EnthalpyJM3(tempC float64) float64 {
	d := tempC - l.FreezingC
	if d >= 0 {
		return l.UnfrozenJM3K * d
	}
	return l.BelowJM3K*d - l.LatentJM3*(1-l.FreezingC/tempC)
}

// TempC is the temperature at an enthalpy, the exact inverse of EnthalpyJM3.
func (l SoluteLaw) TempC(enthalpyJM3 float64) float64 {
	if enthalpyJM3 >= 0 {
		return l.FreezingC + enthalpyJM3/l.UnfrozenJM3K
	}
	c := l.BelowJM3K
	b := c*l.FreezingC + l.LatentJM3 + enthalpyJM3
	root := math.Sqrt(b*b - 4*c*l.LatentJM3*l.FreezingC)
	if b > 0 {
		// The same root without the cancellation of b against it.
		return 2 * l.LatentJM3 * l.FreezingC / (b + root)
	}
	return (b - root) / (2 * c)
}

// SlopeJM3K is dH/dT at tempC, the slope Newton's method steps with.
func (l SoluteLaw) SlopeJM3K(tempC float64) float64 {
	if tempC >= l.FreezingC {
		return l.UnfrozenJM3K
	}
	return l.BelowJM3K - l.LatentJM3*l.FreezingC/(tempC*tempC)
}

// FrozenShare is the share of the freezable water that is ice at tempC.
func (l SoluteLaw) FrozenShare(tempC float64) float64 { return 1 - unfrozenShare(tempC, l.FreezingC) }
