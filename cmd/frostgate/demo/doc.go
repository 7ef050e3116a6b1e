// Package demo shows the whole service at work on one machine, without the internet: an invented contractor with a
// winter week ahead, a weather service that answers in a real one's format, a receiver of alerts, and a table of
// what the service decided. The weather service and the receiver also stand in for the world in end-to-end tests.
package demo
