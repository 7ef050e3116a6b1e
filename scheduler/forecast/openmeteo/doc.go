// Package openmeteo reads the forecast of the Open-Meteo service: past and
// coming hours with sun, snow depth and soil temperature, for many points in
// one call, and the mean and spread of an ensemble.
//
// Questions are always asked in UTC, Unix time, degrees Celsius, metres per
// second and millimetres. The units that an answer states are checked all the
// same. Sums, means and maxima of the service cover the hour that ends at their
// time; here they are moved to the hour that begins there.
package openmeteo
