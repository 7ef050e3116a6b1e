// Package alert decides what is worth telling and tells it.
//
// [Policy.Decide] is a pure function from what an alert was and what an evaluation
// found to what the alert is now and whether anybody is told. [Event] is what a
// message says; its JSON bytes are made once and sent unchanged on every
// attempt. [Poster] sends them, signed by the Standard Webhooks specification
// 1.0.0, to addresses that [Guard] lets through, and says of each answer whether
// it was taken, is to be tried again, or never.
package alert
