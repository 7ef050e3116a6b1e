package soil

import "math"

// Texture splits soils as Kersten did.
type Texture int

// The textures.
const (
	Coarse Texture = iota // gravel and sand
	Fine                  // silt and clay
)

// Least moisture Kersten's formulas hold for, percent.
const (
	kerstenMinCoarse = 1.0
	kerstenMinFine   = 7.0
)

// KerstenWmK is the conductivity of soil (E31; Kersten 1949; MEM, met two
// published chart readings). Moisture below 1 % (coarse) or 7 % (fine), where the
// formula ends, counts as that.
func KerstenWmK(dryKgM3, moisturePct float64, t Texture, frozen bool) float64 {
	const wmKPerBtuIn, pcfPerKgM3 = 0.1442279, 1 / 16.01846
	g := dryKgM3 * pcfPerKgM3
	pow10 := func(x float64) float64 { return math.Pow(10, x) }
	var btuIn float64
	if t == Coarse {
		w := math.Max(kerstenMinCoarse, moisturePct)
		if frozen {
			btuIn = 0.076*pow10(0.013*g) + 0.032*pow10(0.0146*g)*w
		} else {
			btuIn = (0.7*math.Log10(w) + 0.4) * pow10(0.01*g)
		}
	} else {
		w := math.Max(kerstenMinFine, moisturePct)
		if frozen {
			btuIn = 0.01*pow10(0.022*g) + 0.085*pow10(0.008*g)*w
		} else {
			btuIn = (0.9*math.Log10(w) - 0.2) * pow10(0.01*g)
		}
	}
	return btuIn * wmKPerBtuIn
}

// grainKgM3 is the density of the grains of soil.
const grainKgM3 = 2700.0

// Porosity is the share of voids in soil of a dry density.
func Porosity(dryKgM3 float64) float64 { return 1 - dryKgM3/grainKgM3 }

// SaturationPct is the moisture at which all voids are full.
func SaturationPct(dryKgM3 float64) float64 { return 100 * Porosity(dryKgM3) * 1000 / dryKgM3 }

// JohansenWmK is the conductivity of soil (E32; Johansen 1975; MEM) with a share
// quartz of quartz in the grains. Saturation is held between 0.05 (coarse) or 0.1
// (fine) and 1.
func JohansenWmK(dryKgM3, moisturePct, quartz float64, t Texture, frozen bool) float64 {
	n := Porosity(dryKgM3)
	other := 2.0
	if quartz <= 0.2 {
		other = 3.0
	}
	solid := math.Pow(7.7, quartz) * math.Pow(other, 1-quartz)
	water, sr := 0.57, moisturePct/SaturationPct(dryKgM3)
	least := 0.05
	if t == Fine {
		least = 0.1
	}
	sr = math.Min(1, math.Max(least, sr))

	var ke float64
	switch {
	case frozen:
		water, ke = 2.2, sr
	case t == Coarse:
		ke = 0.7*math.Log10(sr) + 1
	default:
		ke = math.Log10(sr) + 1
	}
	dry := (0.135*dryKgM3 + 64.7) / (grainKgM3 - 0.947*dryKgM3)
	saturated := math.Pow(solid, 1-n) * math.Pow(water, n)
	return (saturated-dry)*ke + dry
}

// CapacityJM3K is the heat capacity of soil (E33).
func CapacityJM3K(dryKgM3, moisturePct float64, frozen bool) float64 {
	water := 4187.0
	if frozen {
		water = 2090
	}
	return dryKgM3 * (710 + water*moisturePct/100)
}

// LatentJM3 is the heat that freezing all the water sets free.
func LatentJM3(dryKgM3, moisturePct float64) float64 { return FusionJKg * dryKgM3 * moisturePct / 100 }

// BtuLbF is the specific heat 1 Btu/(lb F) in J/(kg K), for the Corps forms.
const BtuLbF = 4186.8

// CorpsCapacityJM3K is the average of frozen and unfrozen heat capacity as the
// frost depth methods of the Corps of Engineers use it: rd (0.17 + 0.75 w)
// Btu/ft3 F (TM 5-852-6).
func CorpsCapacityJM3K(dryKgM3, moisturePct float64) float64 {
	return dryKgM3 * (0.17 + 0.75*moisturePct/100) * BtuLbF
}

// CorpsLatentJM3 is 144 Btu per lb of water (TM 5-852-6).
func CorpsLatentJM3(dryKgM3, moisturePct float64) float64 {
	return dryKgM3 * moisturePct / 100 * 144 * BtuLbF * 5 / 9
}
