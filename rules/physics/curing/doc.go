// Package curing holds the published periods and limits of protecting young
// concrete: days of protection, cooling at its end, covers and form removal.
package curing
