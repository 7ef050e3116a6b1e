// Package replay serves weather of one's own choosing in the formats of all the
// services that are read, on one address, with switches for the ways in which
// services fail. Demonstrations and tests run against it in place of the real
// hosts.
//
// It knows the formats from their documentation and not from the packages that
// read them, so that one can be checked against the other.
package replay
