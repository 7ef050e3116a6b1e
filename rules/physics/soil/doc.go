// Package soil holds what ground does in winter: conductivity and heat capacity
// by density and moisture, the freezing of its water, the yearly wave, snow on
// top, and the closed forms of frost depth and conduction that quick answers and
// the checks of the column solver use.
//
// Depths are in m, temperatures in C, indices in C days; moisture is in percent of
// dry mass, densities are dry.
package soil

const kelvinDay = 86400.0 // seconds of a day: turns C days into C s

// FusionJKg is the heat of fusion of water.
const FusionJKg = 334000.0
