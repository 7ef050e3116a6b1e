// Package forecast holds public weather in one form and fetches it politely.
//
// A source (one package each below this one) turns a service's answer into an
// [Issue]: the hours of one grid cell as the service gave them at one time,
// aligned to UTC hours, in SI units with degrees Celsius, with every member
// nullable. [Issue.Check] refuses a set whose structure is wrong and drops
// single values that no weather can have. [Client] reads an answer over HTTP
// within limits of time and size, and says of each failure whether trying again
// makes sense.
package forecast
