// Package sun gives the sun's position, the hours of daylight and the sunlight
// that reaches the ground.
package sun
