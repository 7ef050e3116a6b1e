package alert

import (
	"slices"
	"time"

	"frostgate/rules"
)

// Kind is what an alert is about.
type Kind string

// The kinds.
const (
	PourMove    Kind = "pour.move"    // the verdict on a pour is move
	SourceStale Kind = "source.stale" // a weather source has nothing fresh
)

// Condition is whether an alert holds.
type Condition string

// The conditions.
const (
	Cleared Condition = "cleared"
	Raised  Condition = "raised"
)

// Severity is how urgent an alert is (ITU-T X.733).
type Severity string

// The severities, from mild to urgent; Indeterminate is of sources only.
const (
	Indeterminate Severity = "indeterminate"
	Warning       Severity = "warning"
	Minor         Severity = "minor"
	Major         Severity = "major"
	Critical      Severity = "critical"
)

// AtLeast reports whether s is as urgent as other. Indeterminate counts as a
// warning.
func (s Severity) AtLeast(other Severity) bool { return s.rank() >= other.rank() }

func (s Severity) rank() int {
	return max(1, slices.Index([]Severity{Indeterminate, Warning, Minor, Major, Critical}, s))
}

func (s Severity) milder() Severity {
	return []Severity{Warning, Warning, Warning, Minor, Major}[s.rank()]
}

// State is what an alert is between evaluations.
type State struct {
	Condition Condition
	Severity  Severity
	Verified  bool // what it rests on is fresh
	Episode   int  // counts raises
	Memory    Memory
}

// Memory is what has been told in the running episode.
type Memory struct {
	Peak   Severity  `json:"peak,omitempty"`
	Causes []string  `json:"causes,omitempty"`
	Start  time.Time `json:"start,omitzero"`
}

// A Judgement is what one evaluation found.
type Judgement struct {
	Known    bool   // false: nothing trustworthy can be said
	Doubtful bool   // it rests on old input: enough to raise, not to clear
	Bad      bool   // the condition holds
	Gone     string // the subject needs no more watching: why
	Severity Severity
	Cause    string    // what is wrong, such as a rule's id
	Start    time.Time // of the pour judged; zero for a source
}

// Events are what a transition is called.
const (
	EventRaised  = "alert.raised"
	EventChanged = "alert.changed"
	EventCleared = "alert.cleared"
)

// EventTest is a message that says nothing, to see whether it arrives.
const EventTest = "endpoint.test"

// A Decision is the next state and, when there is a transition, its event and
// the reason for it. Without an event nobody is told.
type Decision struct {
	State  State
	Event  string
	Reason string
}

// Reasons of transitions.
const (
	ReasonRaised    = "condition_met"
	ReasonRecovered = "condition_over"
	ReasonGone      = "resource_gone"
	ReasonSeverity  = "severity_rose"
	ReasonCause     = "new_cause"
	ReasonStart     = "start_moved"
)

// Decide takes an alert from one evaluation to the next. Silence never clears:
// while nothing trustworthy is known, or only old input says that all is well, a
// raised alert stays as it is, marked unverified. Within an episode a message follows only news: a severity not yet
// reached, a cause not yet told, another start.
func Decide(s State, j Judgement) Decision {
	switch raised := s.Condition == Raised; {
	case j.Gone != "" && raised:
		return s.cleared(ReasonGone)
	case j.Gone != "":
		return Decision{State: s}
	case !j.Known, j.Doubtful && !j.Bad:
		s.Verified = s.Verified && !raised
		return Decision{State: s}
	case j.Bad && !raised:
		return s.raised(j)
	case j.Bad:
		return s.goesOn(j)
	case raised:
		return s.cleared(ReasonRecovered)
	}
	s.Verified = true
	return Decision{State: s}
}

func (s State) raised(j Judgement) Decision {
	s.Condition, s.Verified, s.Severity = Raised, !j.Doubtful, j.Severity
	s.Episode++
	s.Memory = Memory{Peak: j.Severity, Causes: []string{j.Cause}, Start: j.Start}
	return Decision{State: s, Event: EventRaised, Reason: ReasonRaised}
}

func (s State) cleared(reason string) Decision {
	s.Condition, s.Verified = Cleared, true
	return Decision{State: s, Event: EventCleared, Reason: reason}
}

func (s State) goesOn(j Judgement) Decision {
	d := Decision{State: s}
	d.State.Verified, d.State.Severity = !j.Doubtful, j.Severity
	m := &d.State.Memory
	m.Causes = slices.Clone(m.Causes)
	switch {
	case !m.Peak.AtLeast(j.Severity):
		d.Reason = ReasonSeverity
	case !m.Start.Equal(j.Start):
		d.Reason = ReasonStart
	case !slices.Contains(m.Causes, j.Cause):
		d.Reason = ReasonCause
	default:
		return d
	}
	d.Event = EventChanged
	if !m.Peak.AtLeast(j.Severity) {
		m.Peak = j.Severity
	}
	if !slices.Contains(m.Causes, j.Cause) {
		m.Causes = append(m.Causes, j.Cause)
	}
	m.Start = j.Start
	return d
}

// Hours before the last moment to act at which a verdict becomes more urgent:
// common practice, no source.
const (
	CriticalWithin = 4 * time.Hour
	MajorWithin    = 48 * time.Hour
)

// unlikely is a probability under which a verdict is one step less urgent.
const unlikely = 0.3

// SeverityOf says how urgent a verdict is at a time. The same verdict is more
// urgent the less time is left to act: until the order can last be cancelled, or
// until the start when that has passed or is not known. Concrete that is in
// place can't wait at all. Empty for a verdict that asks nothing.
func SeverityOf(v rules.Verdict, probability *float64, now, cancelBy, start time.Time, placed bool) Severity {
	deadline := start
	if cancelBy.After(now) && cancelBy.Before(start) {
		deadline = cancelBy
	}
	left := deadline.Sub(now)
	var s Severity
	switch v {
	case rules.Place, "":
		return ""
	case rules.Move:
		s = Minor
		if placed || left <= CriticalWithin {
			s = Critical
		} else if left <= MajorWithin {
			s = Major
		}
	case rules.Protect, rules.Unscored:
		s = Warning
		if placed || left <= CriticalWithin {
			s = Minor
		}
	}
	if probability != nil && *probability < unlikely {
		s = s.milder()
	}
	return s
}
