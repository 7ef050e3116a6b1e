// Package heat solves heat conduction with freezing in one dimension: a column
// of cells from the surface down, under weather, for several weathers at once.
//
// Cells are finite volumes with the temperature in the middle, the step is
// backward Euler, and freezing is solved by Newton's method on enthalpy
// (Swaminathan and Voller 1992): the update of enthalpy is linear in the solved
// temperature, so energy closes to rounding however early the iteration stops.
//
// A [Column] carries [Width] lanes side by side, which share cells and steps but
// not weather, temperatures or properties; lanes never mix, so each gives what
// it would give alone. Elimination runs from the bottom up, so that the factors
// of quiet ground are kept from step to step. A step allocates nothing.
//
// The package knows nothing of hydration: heat is put into the upper cells
// through [Column.Source].
package heat
