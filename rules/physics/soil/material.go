package soil

import "math"

// A Material is a class of base or subgrade.
type Material struct {
	Texture            Texture
	DryKgM3            float64
	DefaultMoisturePct float64
	FreezingC          float64 // where freezing begins
	FreezingWidthC     float64 // over which it runs to its end (E34)
}

// materials holds the ground the product knows. Density and moisture CAL within
// the usual ranges (gravel and sand 1920 to 2240 kg/m3 and 2 to 15 %, silt and
// clay 1440 to 1600 kg/m3, silts 5 to 40 %, clays 10 to 50 %); freezing ranges CAL
// (E34).
var materials = map[string]Material{
	"gravel":    {Coarse, 1900, 4, 0, 0.3},
	"sand":      {Coarse, 1700, 8, 0, 0.3},
	"silt_clay": {Fine, 1650, 16, -0.1, 0.6},
}

// MaterialOf returns a material by name (gravel, sand or silt_clay) and whether
// it is known.
func MaterialOf(name string) (Material, bool) {
	m, ok := materials[name]
	return m, ok
}

// A Layer is ground as the column solver takes it.
type Layer struct {
	UnfrozenWmK, FrozenWmK   float64
	UnfrozenJM3K, FrozenJM3K float64
	LatentJM3                float64
	FreezingC                float64
	FreezingWidthC           float64
}

// At is the layer a material makes at a moisture, held between 0 and saturation
// (E31, E33).
func (m Material) At(moisturePct float64) Layer {
	w := math.Min(SaturationPct(m.DryKgM3), math.Max(0, moisturePct))
	return Layer{
		UnfrozenWmK:    KerstenWmK(m.DryKgM3, w, m.Texture, false),
		FrozenWmK:      KerstenWmK(m.DryKgM3, w, m.Texture, true),
		UnfrozenJM3K:   CapacityJM3K(m.DryKgM3, w, false),
		FrozenJM3K:     CapacityJM3K(m.DryKgM3, w, true),
		LatentJM3:      LatentJM3(m.DryKgM3, w),
		FreezingC:      m.FreezingC,
		FreezingWidthC: m.FreezingWidthC,
	}
}

// WetGravel is a wet base of 2000 kg/m3 and 8 %. CAL.
func WetGravel() Layer {
	return Layer{2.2, 3.0, 2.09e6, 1.75e6, LatentJM3(2000, 8), 0, 0.3}
}

// ConductivityWmK is the conductivity at a frozen share, linear between the two.
func (l Layer) ConductivityWmK(frozenShare float64) float64 {
	return l.UnfrozenWmK + (l.FrozenWmK-l.UnfrozenWmK)*frozenShare
}

// DiffusivityM2S is that of the unfrozen layer.
func (l Layer) DiffusivityM2S() float64 { return l.UnfrozenWmK / l.UnfrozenJM3K }
