package concrete

import "math"

// StrengthQK is the activation parameter of strength gain, in K: Ea 41.5 kJ/mol
// (ASTM C1074 suggestion for type I without admixture; MEM). CAL: published
// values lie between 4700 and 7300, so gain below 10 C may be a fifth slower.
const StrengthQK = 5000.0

// CriticalMPa is the strength that survives one freeze, 500 psi (Powers 1962;
// ACI 306R); printed 3.5 MPa. It is no immunity afterwards.
const CriticalMPa = 500 / PSIPerMPa

// EarlyFreezeFactor is what is left of the ultimate strength when concrete
// freezes before CriticalMPa (E52; losses up to 50 % in ACI 306R and McNeese 1952).
const EarlyFreezeFactor = 0.5

// FreezeGuardC is the band above the freezing point in which to warn. CAL.
const FreezeGuardC = 1.0

const age28H = 672.0

// StrengthMPa is the strength at equivalent age teH of the strength process, in
// hours (E50; exponential of Freiesleben Hansen and Pedersen 1977).
func (m *Model) StrengthMPa(teH float64) float64 {
	return m.UltimateMPa * expCurve(m.StrengthTauH, m.StrengthBeta, teH)
}

// StrengthAgeH is the equivalent age in hours at which the strength is reached,
// of concrete that never froze; +Inf when it never is.
func (m *Model) StrengthAgeH(mpa float64) float64 {
	return expCurveInverse(m.StrengthTauH, m.StrengthBeta, mpa/m.UltimateMPa)
}

// ultimateMPa is Su from the strength at 28 days of equivalent age (E50).
func ultimateMPa(s28MPa, tauH, beta float64) float64 {
	return s28MPa / expCurve(tauH, beta, age28H)
}

// Hyperbolic is the strength-age function of Carino (MEM): ultimate strength su,
// rate kPerD per day, start t0D in days of equivalent age; 0 before t0D.
func Hyperbolic(su, kPerD, t0D, teD float64) float64 {
	x := kPerD * (teD - t0D)
	if x <= 0 {
		return 0
	}
	return su * x / (1 + x)
}

// NurseSaul is the temperature-time factor in C h that hours at tempC add to
// maturity over the datum: 0 C for type I between 0 and 40 C (ASTM C1074; MEM),
// -10 C traditional. Nothing is added below the datum.
func NurseSaul(tempC, datumC, hours float64) float64 {
	return math.Max(0, tempC-datumC) * hours
}

// Plowman is strength from maturity, a + b log10 M (Plowman 1956; MEM).
func Plowman(a, b, maturityCH float64) float64 { return a + b*math.Log10(maturityCH) }

// FHPRate is the rate at tempC relative to 20 C with the activation energy of
// Freiesleben Hansen and Pedersen 1977, which grows below 20 C (MEM).
func FHPRate(tempC float64) float64 { return Arr(tempC, FHPActivationEnergyJMol(tempC)/GasConstant) }

// FHPActivationEnergyJMol is 33.5 kJ/mol from 20 C up and 1.47 kJ/mol more per
// degree below (Freiesleben Hansen and Pedersen 1977; MEM).
func FHPActivationEnergyJMol(tempC float64) float64 {
	return 33500 + 1470*math.Max(0, RefTempC-tempC)
}

// ACI209Ratio is strength at ageD days of moist curing near 21 C over that at 28
// days (ACI 209; MEM), for type III or for the others.
func ACI209Ratio(t CementType, ageD float64) float64 {
	if t == TypeIII {
		return ageD / (2.3 + 0.92*ageD)
	}
	return ageD / (4 + 0.85*ageD)
}

// Saw-cut strengths of the top, in MPa (E54). Early entry 150 psi, CAL 100 to
// 300; conventional 700 psi, MEM: FHWA-RD-91-079 reports 310 to 1010 by aggregate.
const (
	EarlyEntrySawMPa   = 150 / PSIPerMPa
	ConventionalSawMPa = 700 / PSIPerMPa
)

// The saw should be through before the top has cooled this far from its peak, and
// within this time, whichever comes first (E54). CAL; the trade's range is 4 h in
// heat to 3 days in cold.
const (
	SawLatestCoolingC = 15.0 * 5 / 9
	SawLatestH        = 24.0
)
