package soil

import "math"

// A RangeLaw is the enthalpy of ground whose water freezes evenly over a range of
// temperatures (E34). Enthalpy is 0 at the upper end of the range.
type RangeLaw struct {
	FreezingC    float64 // upper end
	WidthC       float64 // above 0
	UnfrozenJM3K float64
	FrozenJM3K   float64
	LatentJM3    float64
}

// slopeWithin is dH/dT inside the range.
func (l RangeLaw) slopeWithin() float64 {
	return l.LatentJM3/l.WidthC + (l.UnfrozenJM3K+l.FrozenJM3K)/2
}

// EnthalpyJM3 is the enthalpy at tempC.
func (l RangeLaw) EnthalpyJM3(tempC float64) float64 {
	d := tempC - l.FreezingC
	switch {
	case d >= 0:
		return l.UnfrozenJM3K * d
	case d >= -l.WidthC:
		return l.slopeWithin() * d
	default:
		return -l.slopeWithin()*l.WidthC + l.FrozenJM3K*(d+l.WidthC)
	}
}

// TempC is the temperature at an enthalpy, the exact inverse of EnthalpyJM3.
func (l RangeLaw) TempC(enthalpyJM3 float64) float64 {
	if enthalpyJM3 >= 0 {
		return l.FreezingC + enthalpyJM3/l.UnfrozenJM3K
	}
	within := l.slopeWithin()
	end := -within * l.WidthC
	if enthalpyJM3 >= end {
		return l.FreezingC + enthalpyJM3/within
	}
	return l.FreezingC - l.WidthC + (enthalpyJM3-end)/l.FrozenJM3K
}

// SlopeJM3K is dH/dT at tempC.
func (l RangeLaw) SlopeJM3K(tempC float64) float64 {
	switch d := tempC - l.FreezingC; {
	case d >= 0:
		return l.UnfrozenJM3K
	case d >= -l.WidthC:
		return l.slopeWithin()
	default:
		return l.FrozenJM3K
	}
}

// FrozenShare is the share of the water that is ice at tempC.
func (l RangeLaw) FrozenShare(tempC float64) float64 {
	return math.Min(1, math.Max(0, (l.FreezingC-tempC)/l.WidthC))
}
