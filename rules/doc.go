// Package rules decides whether a pour of concrete is to be placed as planned,
// placed with protection, or moved, and says why.
//
// [Assess] takes one [Case]: a site, a pour and the hourly weather around it.
// It computes what the ground and the concrete will do (rules/physics), judges
// the outcome against published cold-weather limits and returns an
// [Assessment]: a verdict with findings, remedies, the hours of the day and the
// series they rest on. The package is pure: the same case gives the same
// assessment, and nothing here reads a clock, a file or the network.
package rules
