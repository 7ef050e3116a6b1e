// Package metno reads the Locationforecast of MET Norway: hours for two days,
// then steps of six hours up to ten days, anywhere on the globe.
//
// Amounts and probabilities look ahead from their time. A step of several hours
// is filled: temperature and humidity go straight from one end to the other,
// the temperature by way of the step's lowest; the wind is the stronger of both
// ends, as a straight line would hide it; amounts are shared out evenly.
package metno
