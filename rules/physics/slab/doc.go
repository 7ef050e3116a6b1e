// Package slab computes what an element of concrete and the ground under it will
// do under hourly weather: the ground alone ([Solver.RunGround]), and from the
// hour of placing the concrete on it ([Solver.RunPour]), with hydration, setting,
// strength and early freezing in every cell.
//
// It joins the column of package heat with the ages of package concrete. The
// ground is spun up once and its states are kept by the hour; any number of pours
// then start from them: other hours, other covers, other members of a forecast.
// Runs are lanes, computed heat.Width at a time; each gives what it would give
// alone.
//
// Times are hours on the clock of the weather: 0 is its first hour. Weather is
// states at the hour, linear between, except sunlight, which is the mean of the
// hour that begins there.
package slab
