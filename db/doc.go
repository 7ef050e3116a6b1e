// Package db keeps the records of frostgate in PostgreSQL: sites, plants, crews,
// mixes and pours; forecasts as they were issued; assessments and observations;
// alerts with their notices and deliveries; tokens and the audit of edits.
//
// Reads are methods of both [DB] and [Tx]. Writes are methods of [Tx] alone: a
// transaction has one actor and one fixed now, and commits the audit row with
// the edit (a trigger writes it). A record that people edit carries a version;
// an update names the version it was made from and fails with [ErrStale] when
// the record has moved on. A [Scope] narrows what a caller may see or touch and
// is applied in SQL.
//
// The SQL stands above the method that runs it. Struct fields match columns by
// name, case and underscores aside.
package db
