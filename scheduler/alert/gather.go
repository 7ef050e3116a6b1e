package alert

import (
	"slices"
	"time"

	"github.com/google/uuid"
)

// A Waiting is a ruling to hold, whose time has come.
type Waiting struct {
	ID         uuid.UUID // of the ruling
	NoticeID   uuid.UUID
	AlertID    uuid.UUID // Nil: of no alert
	Transition int
	Severity   Severity
	Event      string
	Ends       bool
	Shelved    string // why it is put aside meanwhile; empty when it isn't
}

// A Line is what a message says of one matter: its latest state, and what led to
// it and was not told.
type Line struct {
	Last   Waiting
	Before []Waiting
}

// A Gathering is what becomes of what waits for one endpoint.
type Gathering struct {
	Lines   []Line    // of one message, in the order in which they came
	Over    []Waiting // told to nobody: it was over before it was told
	Aside   []Waiting // told to nobody: it is shelved
	FloodTo time.Time // when not zero all waits until then
}

// Gather makes one message of what waits for an endpoint. Of an alert it tells the
// latest state, and nothing when it was raised and cleared while it waited; knows
// are the alerts that the endpoint has been told of and not of their end.
func Gather(waiting []Waiting, knows map[uuid.UUID]bool, recent []time.Time, pace Pace, now time.Time) Gathering {
	critical := slices.ContainsFunc(waiting, func(w Waiting) bool { return w.Severity == Critical })
	if until, full := pace.Full(recent, now); full && !critical {
		return Gathering{FloodTo: until}
	}
	var g Gathering
	var order []uuid.UUID
	of := map[uuid.UUID][]Waiting{}
	for _, w := range waiting {
		subject := w.AlertID
		if subject == uuid.Nil {
			subject = w.NoticeID
		}
		if of[subject] == nil {
			order = append(order, subject)
		}
		of[subject] = append(of[subject], w)
	}
	for _, subject := range order {
		all := of[subject]
		slices.SortStableFunc(all, func(a, b Waiting) int { return a.Transition - b.Transition })
		last := all[len(all)-1]
		switch {
		case last.Shelved != "" && !last.Ends && (last.Event != EventShelved || !knows[subject]):
			g.Aside = append(g.Aside, all...)
		case last.Ends && !knows[subject]:
			g.Over = append(g.Over, all...)
		default:
			g.Lines = append(g.Lines, Line{Last: last, Before: all[:len(all)-1]})
		}
	}
	return g
}
