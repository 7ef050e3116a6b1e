// Package concrete holds what fresh and young concrete does with time and
// temperature: heat of hydration, setting, strength, thermal properties and the
// freezing of its pore water.
//
// [New] resolves a [Mix] once into a [Model]; the methods of Model are cheap,
// pure and free of allocation, made for the inner loop of a column solver. Three
// equivalent ages at 20 C run side by side, because heat, setting and strength
// do not answer to temperature alike: see [Arr].
//
// Values marked CAL are engineering choices to be calibrated, those marked MEM
// are from memory of the named publication; each stands in one place with its
// range.
package concrete

// PSIPerMPa converts strength between the two systems of units.
const PSIPerMPa = 145.0377

// Kelvin is 0 C in kelvin.
const Kelvin = 273.15

// GasConstant is in J/(mol K).
const GasConstant = 8.314463
