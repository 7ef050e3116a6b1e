package concrete

import "math"

// ConductivityUltimate is k of hardened concrete in W/(m K): limestone or granite
// 1.6 to 2.2, quartzite up to 3. MEM (Khan 1998; Schindler 2002).
const ConductivityUltimate = 1.8

// Specific heats in J/(kg K): aggregate and cement, liquid water, ice.
const (
	solidHeat = 840.0
	waterHeat = 4187.0
	iceHeat   = 2090.0
)

// FusionJKg is the heat of fusion of water.
const FusionJKg = 334000.0

// ConductivityWmK is k at a degree of hydration (E11; Khan et al. 1998, Schindler
// 2002; MEM).
func (m *Model) ConductivityWmK(degree float64) float64 {
	return ConductivityUltimate * (1.33 - 0.33*degree)
}

// HeatCapacityJM3K is the unfrozen volumetric heat capacity at a degree of
// hydration and temperature (E12; van Breugel; MEM).
func (m *Model) HeatCapacityJM3K(degree, tempC float64) float64 {
	return m.freshCapacity + m.CementitiousKgM3*degree*(8.4*tempC+339-solidHeat)
}

// FreezableWaterKgM3 is the water that can freeze (E13; 0.23 bound and 0.19 gel
// per cement hydrated: Powers and Brownyard 1948; MEM).
func (m *Model) FreezableWaterKgM3(degree float64) float64 {
	return math.Max(0, m.WaterKgM3-0.42*degree*m.CementitiousKgM3)
}

// FrozenHeatCapacityJM3K is the volumetric heat capacity with all freezable water
// turned to ice.
func (m *Model) FrozenHeatCapacityJM3K(degree, tempC float64) float64 {
	return m.HeatCapacityJM3K(degree, tempC) - m.FreezableWaterKgM3(degree)*(waterHeat-iceHeat)
}

// LatentJM3 is the heat of fusion of all freezable water.
func (m *Model) LatentJM3(degree float64) float64 { return FusionJKg * m.FreezableWaterKgM3(degree) }

// UnfrozenShare is the share of the freezable water that is liquid at tempC: 1
// down to the freezing point, then Tf0/T (E15, ideal dilute solution).
func (m *Model) UnfrozenShare(tempC float64) float64 {
	if tempC >= m.FreezingPointC {
		return 1
	}
	return m.FreezingPointC / tempC
}
