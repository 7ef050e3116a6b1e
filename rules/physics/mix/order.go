package mix

import "math"

// VolumeM3 is the volume of an area of a thickness.
func VolumeM3(areaM2, thicknessMM float64) float64 { return areaM2 * thicknessMM / 1000 }

// Units of ordering.
const (
	CubicYardM3   = 0.764554857984
	QuarterYardM3 = CubicYardM3 / 4
)

// An Order is what to ask the plant for.
type Order struct {
	NetM3   float64 // plan volume
	GrossM3 float64 // with waste
	OrderM3 float64 // rounded up to the plant's step
	Trucks  int
	LastM3  float64 // on the last truck
}

// NewOrder is the order for a plan volume with wastePct percent over it, in steps
// of stepM3 and loads of truckM3; both must be above 0.
func NewOrder(netM3, wastePct, stepM3, truckM3 float64) Order {
	gross := netM3 * (1 + wastePct/100)
	steps := math.Ceil(tidy(gross / stepM3))
	o := Order{NetM3: netM3, GrossM3: gross, OrderM3: steps * stepM3}
	o.Trucks = int(math.Ceil(tidy(o.OrderM3 / truckM3)))
	if o.Trucks > 0 {
		o.LastM3 = o.OrderM3 - float64(o.Trucks-1)*truckM3
	}
	return o
}

// Densities of liquid admixtures in kg/l: calcium chloride of 32 % (MEM),
// non-chloride accelerator and water reducer (CAL, 1.3 to 1.4 and 1.1 to 1.25).
const (
	LiquidChlorideKgL = 1.31
	NonChlorideKgL    = 1.35
	WaterReducerKgL   = 1.18
)

// FlakeBagKg is a bag of calcium chloride of 50 lb, the usual one. CAL.
const FlakeBagKg = 22.68

// AdmixtureKg is the product a dose in percent by mass of cement takes.
func AdmixtureKg(dosePct, cementKgM3, volumeM3 float64) float64 {
	return dosePct / 100 * cementKgM3 * volumeM3
}

// Litres is the volume of a mass of product of a density.
func Litres(massKg, kgL float64) float64 { return massKg / kgL }

// Bags is how many whole bags a mass of product takes.
func Bags(massKg, bagKg float64) int { return int(math.Ceil(tidy(massKg / bagKg))) }
