package mix

import "math"

// A Truck is the equipment concrete is hauled in.
type Truck string

// The trucks.
const (
	Drum        Truck = "drum" // revolving, agitated
	CoveredDump Truck = "covered_dump"
	OpenDump    Truck = "open_dump"
)

// dropPerHour is the share of the difference to the air that concrete loses in an
// hour (ACI 306R-88 3.8; PCA; Petersons 1966; MEM-H).
var dropPerHour = map[Truck]float64{Drum: 0.25, CoveredDump: 0.10, OpenDump: 0.20}

// drop is the share lost in a haul; an unknown truck counts as a drum, which loses
// most.
func drop(t Truck, hours float64) float64 {
	share, ok := dropPerHour[t]
	if !ok {
		share = dropPerHour[Drum]
	}
	return share * math.Max(0, hours)
}

// HaulDropC is the drop in temperature over a haul for concrete that has to arrive
// at requiredC. It is a rule for loss: 0 when the air is warmer.
func HaulDropC(t Truck, hours, requiredC, airC float64) float64 {
	return drop(t, hours) * math.Max(0, requiredC-airC)
}

// DeliveredC is the temperature at which concrete that left the mixer at mixedC
// arrives, the inverse of adding [HaulDropC].
func DeliveredC(t Truck, hours, mixedC, airC float64) float64 {
	if mixedC <= airC {
		return mixedC
	}
	k := drop(t, hours)
	return (mixedC + k*airC) / (1 + k)
}

// AtMixerC is the temperature concrete needs at the mixer to arrive at requiredC,
// no less than mixMinC, and whether the haul governs.
func AtMixerC(t Truck, hours, requiredC, airC, mixMinC float64) (tempC float64, haulGoverns bool) {
	byHaul := requiredC + HaulDropC(t, hours, requiredC, airC)
	if byHaul > mixMinC {
		return byHaul, true
	}
	return mixMinC, false
}
