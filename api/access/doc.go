// Package access knows who is asking: it mints bearer tokens, looks them up, remembers them for a few seconds, and
// says how often each may ask. The JSON API and the board share it.
package access
