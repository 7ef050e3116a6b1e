// Package board draws what people look at: the week, a pour, its sheet for the site, alerts, calendars and the
// reference of the API. Pages are drawn on the server and work without script; a small script only keeps them fresh.
// It reads records itself and has every change made by the API, so that both refuse and allow the same.
package board
