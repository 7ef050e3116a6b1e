package heat

import "math"

// A Material is what conducts, stores and freezes in a cell.
//
// Two laws of freezing are known. With RangeK above 0 the water freezes linearly
// between FreezeC and FreezeC-RangeK (soils, E34). With RangeK 0 it freezes as an
// ideal dilute solution, whose liquid share is FreezeC/T below FreezeC (pore
// water of concrete, E15); FreezeC must then be below 0 C. With LatentJM3 0 only
// capacity and conductivity change. A lone FreezeC of [NeverFreezes] makes a
// material of constant properties.
type Material struct {
	KUnfrozen, KFrozen float64 // conductivity, W/(m K)
	CUnfrozen, CFrozen float64 // heat capacity, J/(m3 K)
	LatentJM3          float64 // heat of fusion of all freezable water
	FreezeC            float64 // where freezing begins
	RangeK             float64 // width of the freezing range; 0 is the solute law
}

// NeverFreezes is a freezing point far below any weather.
const NeverFreezes = -1000.0

// Constant is a material that never freezes.
func Constant(k, c float64) Material {
	return Material{KUnfrozen: k, KFrozen: k, CUnfrozen: c, CFrozen: c, FreezeC: NeverFreezes, RangeK: 1}
}

// mean is the heat capacity while freezing, and below FreezeC in the solute law.
func (m *Material) mean() float64 { return (m.CUnfrozen + m.CFrozen) / 2 }

// EnthalpyJM3 is the enthalpy at tempC, 0 at FreezeC.
func (m *Material) EnthalpyJM3(tempC float64) float64 {
	d := tempC - m.FreezeC
	switch {
	case d >= 0:
		return m.CUnfrozen * d
	case m.RangeK == 0:
		return m.mean()*d - m.LatentJM3*(1-m.FreezeC/tempC)
	case d >= -m.RangeK:
		return (m.mean() + m.LatentJM3/m.RangeK) * d
	default:
		return m.CFrozen*(d+m.RangeK) - m.mean()*m.RangeK - m.LatentJM3
	}
}

// TempC is the temperature at an enthalpy, the inverse of EnthalpyJM3.
func (m *Material) TempC(enthalpyJM3 float64) float64 {
	if enthalpyJM3 >= 0 {
		return m.FreezeC + enthalpyJM3/m.CUnfrozen
	}
	c := m.mean()
	if m.RangeK == 0 {
		b := c*m.FreezeC + m.LatentJM3 + enthalpyJM3
		root := math.Sqrt(b*b - 4*c*m.LatentJM3*m.FreezeC)
		if b > 0 { // the same root without cancellation
			return 2 * m.LatentJM3 * m.FreezeC / (b + root)
		}
		return (b - root) / (2 * c)
	}
	all := -c*m.RangeK - m.LatentJM3
	if enthalpyJM3 >= all {
		return m.FreezeC + enthalpyJM3*m.RangeK/(-all)
	}
	return m.FreezeC - m.RangeK + (enthalpyJM3-all)/m.CFrozen
}

// SlopeJM3K is dH/dT at tempC.
func (m *Material) SlopeJM3K(tempC float64) float64 {
	d := tempC - m.FreezeC
	switch {
	case d >= 0:
		return m.CUnfrozen
	case m.RangeK == 0:
		return m.mean() - m.LatentJM3*m.FreezeC/(tempC*tempC)
	case d >= -m.RangeK:
		return m.mean() + m.LatentJM3/m.RangeK
	default:
		return m.CFrozen
	}
}

// FrozenShare is the share of the freezable water that is ice at tempC.
func (m *Material) FrozenShare(tempC float64) float64 {
	d := tempC - m.FreezeC
	switch {
	case d >= 0:
		return 0
	case m.RangeK == 0:
		return 1 - m.FreezeC/tempC
	case d >= -m.RangeK:
		return -d / m.RangeK
	default:
		return 1
	}
}

// linear is the interval around tempC in which EnthalpyJM3 is linear; empty in
// the frozen branch of the solute law.
func (m *Material) linear(tempC float64) (loC, hiC float64) {
	d := tempC - m.FreezeC
	switch {
	case d >= 0:
		return m.FreezeC, math.Inf(1)
	case m.RangeK == 0:
		return math.Inf(1), math.Inf(-1)
	case d >= -m.RangeK:
		return m.FreezeC - m.RangeK, m.FreezeC
	default:
		return math.Inf(-1), m.FreezeC - m.RangeK
	}
}

// ConductivityWmK is the conductivity at tempC, mixed by the share of ice.
func (m *Material) ConductivityWmK(tempC float64) float64 {
	return m.KUnfrozen + (m.KFrozen-m.KUnfrozen)*m.FrozenShare(tempC)
}
