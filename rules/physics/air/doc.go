// Package air holds what the air does to a surface and to people: vapour,
// longwave sky, convection, wind near the ground, evaporation of fresh concrete
// and cold stress. Scalar functions in SI units, without allocation.
package air

// StefanBoltzmann is in W/(m2 K4).
const StefanBoltzmann = 5.670374419e-8

const kelvin = 273.15
