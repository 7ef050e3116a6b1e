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
	Cleared  Condition = "cleared"
	Arming   Condition = "arming" // it holds, and not long enough yet
	Raised   Condition = "raised"
	Clearing Condition = "clearing" // it is over, and not long enough yet
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
	Condition  Condition
	Severity   Severity
	Verified   bool // what it rests on is fresh
	Chattering bool // it changes so often that its changes are not told
	Episode    int  // counts raises
	Memory     Memory
}

// Memory is what has been told in the running episode, and what is on its way.
type Memory struct {
	Peak   Severity  `json:"peak,omitempty"`
	Causes []string  `json:"causes,omitempty"`
	Start  time.Time `json:"start,omitzero"`

	Since   time.Time   `json:"since,omitzero"`    // of arming or clearing
	Count   int         `json:"count,omitempty"`   // of evaluations that agreed since then
	Changes []time.Time `json:"changes,omitempty"` // latest raises and clears
	Turned  time.Time   `json:"turned,omitzero"`   // when it last came back while clearing
	Loudest Severity    `json:"loudest,omitempty"` // told while chattering
}

// A Judgement is what one evaluation found.
type Judgement struct {
	At          time.Time
	Known       bool     // false: nothing trustworthy can be said
	Doubtful    bool     // it rests on old input: enough to raise, not to clear
	Bad         bool     // the condition holds
	Probability *float64 // of the condition; nil when there is none
	Gone        string   // the subject needs no more watching: why
	Severity    Severity
	Cause       string    // what is wrong, such as a rule's id
	Start       time.Time // of the pour judged; zero for a source
}

// Events are what a transition is called.
const (
	EventRaised     = "alert.raised"
	EventChanged    = "alert.changed"
	EventCleared    = "alert.cleared"
	EventChattering = "alert.chattering"
	EventSettled    = "alert.settled"
)

// A Decision is the next state and, when there is a transition, its event and
// the reason for it. Without an event nobody is told, nor when it is quiet.
type Decision struct {
	State  State
	Event  string
	Reason string
	Quiet  bool      // the transition is kept and not told
	WakeAt time.Time // when time alone may change the decision; zero never
}

// Reasons of transitions.
const (
	ReasonRaised     = "condition_met"
	ReasonRecovered  = "condition_over"
	ReasonGone       = "resource_gone"
	ReasonSeverity   = "severity_rose"
	ReasonCause      = "new_cause"
	ReasonStart      = "start_moved"
	ReasonChattering = "changes_too_often"
	ReasonSettled    = "quiet_again"
)

// A Delay is how long a condition must last, both counts together.
type Delay struct {
	Evaluations int
	Time        time.Duration
}

func (d Delay) over(count int, since, now time.Time) bool {
	return count >= d.Evaluations && now.Sub(since) >= d.Time
}

// A Policy is what it takes to raise and to clear. The zero policy does both at
// the first evaluation.
type Policy struct {
	Raise       Delay // of what went to and fro lately and isn't urgent; the rest is raised at once
	Clear       Delay // of what went to and fro lately; what was steady clears at once
	ClearUrgent Delay // of what is critical: people may be waiting for the word

	// A condition is raised from RaiseAt on and, once it is, holds as long as it
	// is not under ClearAt. What is critical is raised at any probability.
	RaiseAt, ClearAt float64

	// More than ChatterOver raises and clears within ChatterTime are chattering: it
	// is told once, until there was none for as long, or for the raise delay while
	// the condition holds.
	ChatterOver int
	ChatterTime time.Duration
}

// ForPours is the policy for alerts on pours: common practice, no source. New
// weather comes once an hour or less often, so that noise in it takes hours.
var ForPours = Policy{
	Raise: Delay{Evaluations: 2, Time: 10 * time.Minute}, Clear: Delay{Evaluations: 3, Time: 2 * time.Hour},
	ClearUrgent: Delay{Evaluations: 2, Time: 10 * time.Minute}, RaiseAt: 0.1, ClearAt: 0.05, ChatterOver: 3, ChatterTime: 6 * time.Hour,
}

// InForce reports whether an alert has been raised and not cleared yet.
func (c Condition) InForce() bool { return c == Raised || c == Clearing }

// Decide takes an alert from one evaluation to the next. Silence never clears:
// while nothing trustworthy is known, or only old input says that all is well, a
// raised alert stays as it is, marked unverified. Within an episode a message
// follows only news: a severity not yet reached, a cause not yet told, another
// start.
func (p Policy) Decide(s State, j Judgement) Decision {
	d := p.next(s, j)
	if d.Event == "" {
		return p.settle(d, j.At)
	}
	return p.damp(d, j)
}

func (p Policy) next(s State, j Judgement) Decision {
	inForce := s.Condition.InForce()
	bad := j.Bad && p.likely(j, inForce)
	switch {
	case j.Gone != "" && inForce:
		return s.cleared(ReasonGone)
	case j.Gone != "":
		return s.rest()
	case !j.Known, j.Doubtful && !bad:
		s.Verified = s.Verified && !inForce
		return Decision{State: s}
	case bad && inForce:
		return s.goesOn(j)
	case bad:
		return p.arm(s, j)
	case inForce:
		return p.clear(s, j)
	}
	s.Verified = true
	return s.rest()
}

func (p Policy) likely(j Judgement, inForce bool) bool {
	switch {
	case j.Probability == nil, j.Severity == Critical:
		return true
	case inForce:
		return *j.Probability >= p.ClearAt
	}
	return *j.Probability >= p.RaiseAt
}

// rest ends what was on its way to being raised.
func (s State) rest() Decision {
	s.Condition, s.Memory.Since, s.Memory.Count = Cleared, time.Time{}, 0
	return Decision{State: s}
}

// during counts an evaluation that agrees with the way an alert is going.
func (s State) during(c Condition, now time.Time) State {
	if s.Condition != c {
		s.Condition, s.Memory.Since, s.Memory.Count = c, now, 0
	}
	s.Memory.Count++
	return s
}

func (p Policy) arm(s State, j Judgement) Decision {
	delay := p.Raise
	if j.Severity.AtLeast(Major) || !p.restless(s, j.At) {
		delay = Delay{}
	}
	s = s.during(Arming, j.At)
	if delay.over(s.Memory.Count, s.Memory.Since, j.At) {
		return s.raised(j)
	}
	s.Severity, s.Verified = j.Severity, !j.Doubtful
	return Decision{State: s, WakeAt: p.wake(s, delay)}
}

// clear waits for what may be noise: an alert that was steady clears at once, one
// that went to and fro lately takes its time. A pour that somebody gave another
// start is no noise.
func (p Policy) clear(s State, j Judgement) Decision {
	delay := p.Clear
	switch {
	case !j.Start.Equal(s.Memory.Start):
		return s.cleared(ReasonStart)
	case !p.restless(s, j.At):
		delay = Delay{}
	case s.Memory.Peak == Critical:
		delay = p.ClearUrgent
	}
	s = s.during(Clearing, j.At)
	if delay.over(s.Memory.Count, s.Memory.Since, j.At) {
		return s.cleared(ReasonRecovered)
	}
	s.Verified = true
	return Decision{State: s, WakeAt: p.wake(s, delay)}
}

// restless reports whether an alert went to and fro not long ago, told or not.
func (p Policy) restless(s State, now time.Time) bool {
	recent := 0
	for _, at := range s.Memory.Changes {
		if now.Sub(at) <= p.ChatterTime {
			recent++
		}
	}
	return recent > 1 || !s.Memory.Turned.IsZero() && now.Sub(s.Memory.Turned) <= p.ChatterTime
}

// wake is when a delay can be over at the earliest.
func (p Policy) wake(s State, d Delay) time.Time {
	return s.Memory.Since.Add(max(d.Time, time.Minute*time.Duration(min(d.Evaluations-s.Memory.Count, 1))))
}

// damp keeps what changes all the time from being told all the time. What gets
// critical is told, once.
func (p Policy) damp(d Decision, j Judgement) Decision {
	m := &d.State.Memory
	if d.Event != EventChanged && p.ChatterOver > 0 {
		m.Changes = append(slices.Clone(m.Changes), j.At)
		m.Changes = m.Changes[max(0, len(m.Changes)-p.ChatterOver-1):]
	}
	byPeople := d.Event == EventCleared && d.Reason != ReasonRecovered
	often := p.ChatterOver > 0 && len(m.Changes) > p.ChatterOver && j.At.Sub(m.Changes[0]) <= p.ChatterTime
	switch {
	case byPeople:
		d.State.Chattering, m.Loudest, m.Changes = false, "", nil
	case d.State.Chattering:
		rose := d.State.Condition.InForce() && j.Severity == Critical && m.Loudest != Critical
		if rose {
			m.Loudest = Critical
		}
		d.Quiet, d.WakeAt = !rose, j.At.Add(p.ChatterTime)
	case often:
		d.State.Chattering, m.Loudest = true, m.Peak
		d.Event, d.Reason, d.WakeAt = EventChattering, ReasonChattering, j.At.Add(p.ChatterTime)
	}
	return d
}

// settle ends chattering after a time without a change, and tells how it stands.
func (p Policy) settle(d Decision, now time.Time) Decision {
	m := &d.State.Memory
	if !d.State.Chattering || len(m.Changes) == 0 {
		return d
	}
	steady := p.ChatterTime
	if d.State.Condition == Raised {
		steady = p.Raise.Time // what seems to stay is told as soon as anything that was not steady
	}
	quiet := m.Changes[len(m.Changes)-1].Add(steady)
	if now.Before(quiet) {
		if d.WakeAt.IsZero() {
			d.WakeAt = quiet
		}
		return d
	}
	d.State.Chattering, m.Loudest = false, ""
	d.Event, d.Reason = EventSettled, ReasonSettled
	return d
}

func (s State) raised(j Judgement) Decision {
	s.Condition, s.Verified, s.Severity = Raised, !j.Doubtful, j.Severity
	s.Episode++
	s.Memory = Memory{
		Peak: j.Severity, Causes: []string{j.Cause}, Start: j.Start, Changes: s.Memory.Changes, Turned: s.Memory.Turned, Loudest: s.Memory.Loudest,
	}
	return Decision{State: s, Event: EventRaised, Reason: ReasonRaised}
}

func (s State) cleared(reason string) Decision {
	s.Condition, s.Verified = Cleared, true
	s.Memory.Since, s.Memory.Count = time.Time{}, 0
	return Decision{State: s, Event: EventCleared, Reason: reason}
}

func (s State) goesOn(j Judgement) Decision {
	d := Decision{State: s}
	d.State.Condition, d.State.Verified, d.State.Severity = Raised, !j.Doubtful, j.Severity
	m := &d.State.Memory
	m.Since, m.Count = time.Time{}, 0
	if s.Condition == Clearing {
		m.Turned = j.At
	}
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
