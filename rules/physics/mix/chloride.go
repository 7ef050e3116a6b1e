package mix

import (
	"math"

	"frostgate/rules/physics/concrete"
)

// chlorideOfCaCl2 is the mass share of chloride in calcium chloride, by atomic
// masses.
const chlorideOfCaCl2 = 2 * 35.453 / (40.078 + 2*35.453)

// MaxCalciumChloridePct is the published maximum of calcium chloride by mass of
// cement (ACI, several documents).
const MaxCalciumChloridePct = 2.0

// chlorideLimits is ACI 318-19 Table 19.3.2.1: water-soluble chloride in percent
// of cementitious mass.
var chlorideLimits = map[string]float64{"C0": 1.00, "C1": 0.30, "C2": 0.15, "prestressed": 0.06}

// ChlorideLimitPct is the largest water-soluble chloride for an exposure class (C0,
// C1, C2 or prestressed), in percent of cementitious mass (ACI 318-19; of cement
// up to 318-14), and whether the class is known.
func ChlorideLimitPct(exposure string) (float64, bool) {
	l, ok := chlorideLimits[exposure]
	return l, ok
}

// ChloridePct is the chloride that dosePct percent of a product brings, on the
// same base as the dose. An unknown product counts as anhydrous, which holds most.
func ChloridePct(dosePct float64, p concrete.Product) float64 {
	share, ok := concrete.CalciumChlorideShare(p)
	if !ok {
		share = 1
	}
	return dosePct * share * chlorideOfCaCl2
}

// MaxDosePct is the largest dose of a product that keeps within a chloride limit
// when other materials bring otherPct; never below 0.
func MaxDosePct(limitPct, otherPct float64, p concrete.Product) float64 {
	return math.Max(0, limitPct-otherPct) / ChloridePct(1, p)
}
