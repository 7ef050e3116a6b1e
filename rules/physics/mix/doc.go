// Package mix holds what the plant and the truck do: the temperature of a batch
// and of the water it needs, what the haul takes, the published limits on both,
// chloride, time to discharge, and how much to order.
//
// Masses are in kg of any one volume, temperatures in C. Tables printed in US and
// SI units differ by rounding: [Printed] chooses.
package mix
