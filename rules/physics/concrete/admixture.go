package concrete

import "math"

// A Product is the form calcium chloride is dosed in.
type Product string

// The products of calcium chloride; the dose of each is its own mass.
const (
	Flake     Product = "flake"
	Pellet    Product = "pellet"
	Anhydrous Product = "anhydrous"
	Liquid    Product = "liquid"
)

// calciumChlorideShare is the mass share of CaCl2 in each product. Flake 0.77 to
// 0.80 as printed by trade surveys, pellet 0.94 (MEM), liquid CAL: sold between
// 0.28 and 0.42.
var calciumChlorideShare = map[Product]float64{Flake: .77, Pellet: .94, Anhydrous: 1, Liquid: .32}

// CalciumChlorideShare is the mass share of CaCl2 in a product and whether the
// product is known; the empty product is flake.
func CalciumChlorideShare(p Product) (float64, bool) {
	if p == "" {
		p = Flake
	}
	share, ok := calciumChlorideShare[p]
	return share, ok
}

// An Accelerator is what a dose does: three multipliers on rates (they divide
// the time constants) and the shift of the freezing point.
type Accelerator struct {
	Set, Heat, Strength float64
	FreezeShiftC        float64 // 0 or below
}

// NoAccelerator leaves everything as it is.
var NoAccelerator = Accelerator{Set: 1, Heat: 1, Strength: 1}

type dosed struct {
	pct float64
	Accelerator
}

// calciumChloride is by percent of 77 % flake by mass of cement. Heat and set of
// 1 % from Neville's "acts like 6.1 C"; 2 % from the halved time to peak
// temperature; CAL between, set at 2 % 1.4 to 2.2, strength 1.4 to 2.0.
var calciumChloride = []dosed{
	{0, NoAccelerator},
	{1, Accelerator{1.35, 1.35, 1.30, -0.7}},
	{2, Accelerator{1.70, 1.75, 1.60, -1.4}},
}

// nonChloride is by percent of liquid product by mass of cement: about 8, 16 and
// 30 fl oz per 100 lb at 1.35 kg/l, which is 0.70, 1.41 and 2.64 %. CAL; makers
// differ, set +-25 %.
var nonChloride = []dosed{
	{0, NoAccelerator},
	{0.70, Accelerator{1.15, 1.10, 1.10, -0.5}},
	{1.41, Accelerator{1.35, 1.20, 1.20, -1.0}},
	{2.64, Accelerator{1.60, 1.35, 1.35, -1.8}},
}

// CalciumChloride is the effect of dosePct percent of a product by mass of
// cement. Beyond 2 % of flake, the published maximum, nothing more is gained; an
// unknown product counts as flake.
func CalciumChloride(dosePct float64, p Product) Accelerator {
	share, ok := CalciumChlorideShare(p)
	if !ok {
		share = calciumChlorideShare[Flake]
	}
	return interpolate(calciumChloride, dosePct*share/calciumChlorideShare[Flake])
}

// NonChloride is the effect of dosePct percent of a liquid non-chloride product
// by mass of cement. Beyond 2.64 % nothing more is gained.
func NonChloride(dosePct float64) Accelerator { return interpolate(nonChloride, dosePct) }

// NonChlorideLike is the least dose of a liquid non-chloride product, percent by mass
// of cement, that sets concrete as soon as a multiplier of set; the highest dose
// that gains anything where none does.
func NonChlorideLike(set float64) (dosePct float64) {
	for i := 1; i < len(nonChloride); i++ {
		lo, hi := nonChloride[i-1], nonChloride[i]
		if set <= hi.Set {
			return lo.pct + math.Max(0, set-lo.Set)/(hi.Set-lo.Set)*(hi.pct-lo.pct)
		}
	}
	return nonChloride[len(nonChloride)-1].pct
}

func interpolate(table []dosed, pct float64) Accelerator {
	for i := 1; i < len(table); i++ {
		lo, hi := table[i-1], table[i]
		if pct >= hi.pct {
			continue
		}
		f := math.Max(0, pct-lo.pct) / (hi.pct - lo.pct)
		return Accelerator{
			Set:          lo.Set + f*(hi.Set-lo.Set),
			Heat:         lo.Heat + f*(hi.Heat-lo.Heat),
			Strength:     lo.Strength + f*(hi.Strength-lo.Strength),
			FreezeShiftC: lo.FreezeShiftC + f*(hi.FreezeShiftC-lo.FreezeShiftC),
		}
	}
	return table[len(table)-1].Accelerator
}

// And joins two accelerators by taking the stronger of each effect: doses of
// different kinds are not known to add up.
func (a Accelerator) And(b Accelerator) Accelerator {
	return Accelerator{
		Set:          math.Max(a.Set, b.Set),
		Heat:         math.Max(a.Heat, b.Heat),
		Strength:     math.Max(a.Strength, b.Strength),
		FreezeShiftC: math.Min(a.FreezeShiftC, b.FreezeShiftC),
	}
}

// ordinaryReducerPct and strongReducerPct bound the dose of a type A water
// reducer, percent of liquid product by mass of cement: about 3.5 and 7 fl oz per
// 100 lb. CAL.
const (
	ordinaryReducerPct = 0.25
	strongReducerPct   = 0.50
)

// WaterReducerSetFactor is the factor of a type A water reducer on setting times:
// 1.05 to 1.2 (CAL), linear up to 1.12 at the ordinary dose and 1.2 at twice it.
func WaterReducerSetFactor(dosePct float64) float64 {
	switch {
	case dosePct <= 0:
		return 1
	case dosePct <= ordinaryReducerPct:
		return 1.05 + 0.07*dosePct/ordinaryReducerPct
	default:
		return 1.12 + 0.08*math.Min(1, (dosePct-ordinaryReducerPct)/(strongReducerPct-ordinaryReducerPct))
	}
}

// reducerBeyondField is what a water reducer adds to the field factor on setting,
// which already holds an ordinary dose.
func reducerBeyondField(dosePct float64) float64 {
	return math.Max(1, WaterReducerSetFactor(dosePct)/WaterReducerSetFactor(ordinaryReducerPct))
}
