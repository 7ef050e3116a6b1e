// Package nws reads the United States National Weather Service: the raw grid of
// its forecast with the hourly forecast behind it, the observations of stations
// near a place, and the official warnings in force.
//
// A place is resolved to a grid cell of 2.5 km, to three stations and to its
// warning zones. The raw grid is run-length coded: a state stands for each hour
// that begins inside its interval, a total is shared out evenly over its
// interval, and a probability stands for a window of 6 or 12 hours. Units are
// those that an answer names, whatever they are expected to be.
package nws
