package alert

import (
	"fmt"
	"slices"
	"time"
)

// Following is what the coming steps on a raised alert depend on.
type Following struct {
	InForce           bool
	Severity          Severity
	AcknowledgedUntil time.Time // zero when nobody has
	ShelvedUntil      time.Time // zero when it isn't
	PlannedUntil      time.Time // of a planned suppression that it falls under; zero when none
	Inhibited         string    // the source whose alert speaks for it
	Chattering        bool

	Level    int       // rank that is told
	LevelAt  time.Time // since when
	Steps    []Step    // all ranks of endpoints that it concerns
	Accepted time.Time // when a message on it was last accepted; zero when none was
	Reminded time.Time // when a reminder was last made
}

// A Step is a rank that is told when nobody acknowledges for a time after the rank
// before.
type Step struct {
	Rank  int
	Delay time.Duration // the shortest of its endpoints
}

// A FollowUp is something that time alone will do to an alert.
type FollowUp struct {
	At       time.Time
	Event    string
	Rank     int // of an escalation
	Sentence string
}

// Reasons of what time does.
const (
	ReasonNobody    = "not_acknowledged"
	ReasonAckOver   = "acknowledgement_expired"
	ReasonShelfOver = "shelf_over"
	ReasonPlanOver  = "planned_suppression_over"
)

// AckLasts is how long somebody is taken to be on it who does not say how long:
// common practice, no source.
func AckLasts(s Severity) time.Duration {
	if s == Critical {
		return 30 * time.Minute
	}
	return 4 * time.Hour
}

// reminders are how long after the last accepted message people are reminded:
// common practice, no source. Of what is milder they aren't.
var reminders = map[Severity]time.Duration{Critical: time.Hour, Major: 4 * time.Hour}

// Coming lists what time will do to an alert as it stands, the next first.
func (f Following) Coming() []FollowUp {
	var list []FollowUp
	add := func(at time.Time, event string, rank int, format string, a ...any) {
		list = append(list, FollowUp{At: at, Event: event, Rank: rank, Sentence: fmt.Sprintf(format, a...)})
	}
	switch {
	case !f.ShelvedUntil.IsZero():
		add(f.ShelvedUntil, EventUnshelved, 0, "The shelf ends; what is still raised then is told.")
	case !f.InForce:
	case !f.AcknowledgedUntil.IsZero():
		add(f.AcknowledgedUntil, EventAckExpired, 0, "The acknowledgement expires; what is still raised then is told.")
	default:
		if step, ok := f.nextStep(); ok {
			add(f.notBefore(f.LevelAt.Add(step.Delay)), EventEscalated, step.Rank, "Endpoints of rank %d are told unless somebody acknowledges.", step.Rank)
		}
		if every, ok := reminders[f.Severity]; ok && !f.Accepted.IsZero() && !f.Chattering && f.Inhibited == "" {
			last := f.Accepted
			if f.Reminded.After(last) {
				last = f.Reminded
			}
			add(f.notBefore(last.Add(every)), EventReminder, 0, "A reminder, unless somebody acknowledges.")
		}
	}
	slices.SortStableFunc(list, func(a, b FollowUp) int { return a.At.Compare(b.At) })
	return list
}

// nextStep is the lowest rank that is not told yet.
func (f Following) nextStep() (Step, bool) {
	var next Step
	found := false
	for _, s := range f.Steps {
		if s.Rank > f.Level && (!found || s.Rank < next.Rank || s.Rank == next.Rank && s.Delay < next.Delay) {
			next, found = s, true
		}
	}
	return next, found
}

// notBefore waits for the end of a planned suppression, but with what is critical.
func (f Following) notBefore(at time.Time) time.Time {
	if f.PlannedUntil.After(at) {
		return f.PlannedUntil
	}
	return at
}
