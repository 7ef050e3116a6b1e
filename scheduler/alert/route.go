package alert

import (
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"
)

// Events that people and time make, beside those that a decision makes.
const (
	EventAcknowledged = "alert.acknowledged"
	EventAckExpired   = "alert.ack_expired"
	EventShelved      = "alert.shelved"
	EventUnshelved    = "alert.unshelved"
	EventUnsuppressed = "alert.unsuppressed" // the end of a planned suppression
	EventReminder     = "alert.reminder"
	EventEscalated    = "alert.escalated"
)

// A Matter is something to be told, as far as it decides who is told and when.
type Matter struct {
	Event    string
	Severity Severity // now
	Peak     Severity // worst of the episode: who was told of it is told of its end; Severity when empty
	Ends     bool     // it says that an alert is over
	Quiet    bool     // the alert is chattering, and this is kept and not told
	Level    int      // rank that the alert has been escalated to

	PourID, SiteID  uuid.UUID      // Nil: of no pour
	CrewID, PlantID uuid.UUID      // Nil: everybody's
	Zone            *time.Location // whose clock the quiet hours go by; nil is UTC

	Shelved   *Pause // by a person
	Planned   *Pause // by a planned suppression
	Inhibited string // the source whose alert speaks for this one; empty when there is none
}

// A Pause is why and until when something is not told.
type Pause struct {
	Until       time.Time
	By          string
	Reason      string
	CriticalToo bool // of a planned suppression: also what is critical
}

// A Listener is an endpoint, as far as it decides what it is told and when.
type Listener struct {
	ID          uuid.UUID
	Stopped     string      // why it is disabled; empty when it isn't
	CrewIDs     []uuid.UUID // nil is all
	PlantIDs    []uuid.UUID // nil is all
	MinSeverity Severity
	Rank        int
	DelayMin    int // after the rank before

	Unconcerned bool // it is not told what people do to alerts

	Told     bool        // it has heard of the alert, and not of its end
	Waiting  time.Time   // when it will be told what waits of the same alert; zero when nothing does
	GatherAt time.Time   // when its next message goes that is being gathered; zero when there is none
	Recent   []time.Time // of its latest messages, in order
}

// QuietHours are the firm's, in minutes of the local day. They go through midnight
// when they end before they start.
type QuietHours struct {
	StartsMin, EndsMin int
	Set                bool
	CriticalExempt     bool
}

// Tell is what a ruling comes to.
type Tell string

// The outcomes of a ruling.
const (
	Now   Tell = "now"
	Hold  Tell = "hold"
	Never Tell = "never"
)

// Rules of who is told what, when. A ruling names the one that decided.
const (
	RuleTold       = "told"
	RuleStopped    = "endpoint.disabled"
	RuleCrew       = "scope.crew"
	RulePlant      = "scope.plant"
	RuleSeverity   = "scope.severity"
	RuleNotTold    = "clear.not_told"
	RuleLater      = "escalation.later"
	RuleOthers     = "escalation.others"
	RuleShelved    = "shelved"
	RulePlanned    = "planned"
	RuleInhibited  = "inhibited"
	RuleChattering = "chattering"
	RuleQuiet      = "quiet_hours"
	RuleFlood      = "flood"
	RuleOrder      = "order"
	RuleGroup      = "group"
	RuleClearedYet = "clear.before_told" // of what was held and is over
	RuleAckEnded   = "ack.ended_by_change"
)

// A Ruling is whether an endpoint is told of a matter, when, and why.
type Ruling struct {
	Tell     Tell
	At       time.Time // of Hold
	Rule     string
	Sentence string
}

// A Pace is how much an endpoint is told at a time. The zero Pace tells each thing
// by a message of its own.
type Pace struct {
	Window time.Duration // in which what is major is gathered into one message; the rest thrice as long; what is critical never
	Most   int           // messages within FloodTime, but for what is critical; 0 is any number
}

// UsualPace gathers for 10 s what is major and for 30 s the rest, and sends at most
// ten messages in ten minutes: common practice, no source.
var UsualPace = Pace{Window: 10 * time.Second, Most: 10}

// FloodTime is how long messages count against the most that an endpoint gets.
const FloodTime = 10 * time.Minute

func (p Pace) window(s Severity) time.Duration {
	switch s {
	case Critical:
		return 0
	case Major:
		return p.Window
	}
	return 3 * p.Window
}

// Full reports whether an endpoint has had its most, and until when.
func (p Pace) Full(recent []time.Time, now time.Time) (until time.Time, full bool) {
	recent = slices.DeleteFunc(slices.Clone(recent), func(at time.Time) bool { return now.Sub(at) >= FloodTime })
	if p.Most == 0 || len(recent) < p.Most {
		return time.Time{}, false
	}
	return recent[len(recent)-p.Most].Add(FloodTime), true
}

// Route rules whether an endpoint is told of a matter at a time. What concerns it
// and is not told is so for a reason that people chose: a disabled endpoint, a
// shelf, a planned suppression, a rank that is not reached yet. What is critical is
// held by nothing but quiet hours that the firm does not exempt it from.
func Route(m Matter, to Listener, quiet QuietHours, pace Pace, now time.Time) Ruling {
	for _, rule := range []func() (Ruling, bool){
		func() (Ruling, bool) { return concerned(m, to) },
		func() (Ruling, bool) { return inRank(m, to) },
		func() (Ruling, bool) { return informed(m, to) },
		func() (Ruling, bool) { return paused(m, now) },
		func() (Ruling, bool) { return repeated(m) },
		func() (Ruling, bool) { return quiet.hold(m, now) },
		func() (Ruling, bool) { return pace.hold(m, to, now) },
	} {
		if r, decided := rule(); decided {
			return r.behind(to.Waiting)
		}
	}
	return Ruling{Tell: Now, Rule: RuleTold, Sentence: "It is told at once."}
}

func never(rule, format string, a ...any) (Ruling, bool) {
	return Ruling{Tell: Never, Rule: rule, Sentence: fmt.Sprintf(format, a...)}, true
}

func hold(until time.Time, rule, format string, a ...any) (Ruling, bool) {
	return Ruling{Tell: Hold, At: until, Rule: rule, Sentence: fmt.Sprintf(format, a...)}, true
}

// concerned sorts out whom a matter does not concern.
func concerned(m Matter, to Listener) (Ruling, bool) {
	peak := m.Peak
	if !peak.AtLeast(m.Severity) || peak == "" {
		peak = m.Severity
	}
	switch {
	case to.Stopped != "":
		return never(RuleStopped, "The endpoint is disabled: %s.", to.Stopped)
	case m.CrewID != uuid.Nil && to.CrewIDs != nil && !slices.Contains(to.CrewIDs, m.CrewID):
		return never(RuleCrew, "The endpoint is for other crews.")
	case m.PlantID != uuid.Nil && to.PlantIDs != nil && !slices.Contains(to.PlantIDs, m.PlantID):
		return never(RulePlant, "The endpoint is for other plants.")
	case !peak.AtLeast(to.MinSeverity):
		return never(RuleSeverity, "It is %s, and the endpoint is told from %s on.", m.Severity, to.MinSeverity)
	case m.Ends && !to.Told:
		return never(RuleNotTold, "The endpoint was not told that it began.")
	}
	return Ruling{}, false
}

// Concerns reports whether an endpoint is told of a matter at all, sooner or later.
func Concerns(m Matter, to Listener) bool {
	_, not := concerned(m, to)
	return !not
}

// inRank keeps to the order of escalation.
func inRank(m Matter, to Listener) (Ruling, bool) {
	switch {
	case to.Rank > m.Level:
		return never(RuleLater, "The endpoint is of rank %d: it is told when nobody acknowledges within %d minutes of the rank before.", to.Rank, to.DelayMin)
	case m.Event == EventEscalated && to.Rank < m.Level:
		return never(RuleOthers, "The endpoint was told before; this goes to those of rank %d.", m.Level)
	}
	return Ruling{}, false
}

// paused keeps what people put aside. An end that somebody waits for is told when
// the pause is over.
func paused(m Matter, now time.Time) (Ruling, bool) {
	p, rule, how := m.Shelved, RuleShelved, "shelved"
	if p == nil || !now.Before(p.Until) {
		p, rule, how = m.Planned, RulePlanned, planned
		if p != nil && m.Severity == Critical && !p.CriticalToo {
			return Ruling{}, false
		}
	}
	if p == nil || !now.Before(p.Until) {
		return Ruling{}, false
	}
	why := m.because(how, *p)
	if m.Ends {
		return hold(p.Until, rule, "%s", why)
	}
	return never(rule, "%s", why)
}

const planned = "suppressed as planned"

func (m Matter) because(how string, p Pause) string {
	return fmt.Sprintf("It is %s by %s until %s: %s.", how, p.By, m.clock(p.Until), p.Reason)
}

// Suppressed says why a planned suppression holds a matter, and until when.
func (m Matter) Suppressed(p Pause) string { return m.because(planned, p) }

// repeated leaves out what would only be said again.
func repeated(m Matter) (Ruling, bool) {
	again := m.Event == EventReminder || m.Event == EventEscalated || m.Event == EventChanged && m.Severity != Critical
	switch {
	case m.Quiet:
		return never(RuleChattering, "The alert keeps changing, which has been told; its changes are kept and not told.")
	case m.Inhibited != "" && again:
		return never(RuleInhibited, "The weather it rests on is not fresh, which the alert on %s tells.", m.Inhibited)
	}
	return Ruling{}, false
}

func (q QuietHours) hold(m Matter, now time.Time) (Ruling, bool) {
	end, in := q.Over(m.zone(), now)
	if !in || m.Severity == Critical && q.CriticalExempt {
		return Ruling{}, false
	}
	return hold(end, RuleQuiet, "Quiet hours of the firm until %s.", m.clock(end))
}

// Over is when the quiet hours end in which a moment lies. They start and end when
// the clock on the wall first shows their minute or has passed it: also where the
// minute is left out or comes twice.
func (q QuietHours) Over(zone *time.Location, now time.Time) (end time.Time, in bool) {
	if !q.Set || q.StartsMin == q.EndsMin {
		return time.Time{}, false
	}
	if zone == nil {
		zone = time.UTC
	}
	day := now.In(zone)
	for d := -1; d <= 0; d++ {
		starts, ends := onWall(day, d, q.StartsMin), onWall(day, d, q.EndsMin)
		if q.EndsMin < q.StartsMin {
			ends = onWall(day, d+1, q.EndsMin)
		}
		if !now.Before(starts) && now.Before(ends) {
			return ends, true
		}
	}
	return time.Time{}, false
}

// onWall is the first moment of a local day, some days from another, at which the
// clock on the wall shows a minute or has passed it.
func onWall(day time.Time, days, minute int) time.Time {
	at := time.Date(day.Year(), day.Month(), day.Day()+days, minute/60, minute%60, 0, 0, day.Location())
	start, end := at.ZoneBounds()
	wanted := time.Date(day.Year(), day.Month(), day.Day()+days, minute/60, minute%60, 0, 0, time.UTC)
	shown := time.Date(at.Year(), at.Month(), at.Day(), at.Hour(), at.Minute(), 0, 0, time.UTC)
	switch { // in the first two cases the clock went past it
	case shown.After(wanted):
		return start
	case shown.Before(wanted):
		return end
	case start.IsZero():
		return at
	}
	_, after := at.Zone()
	_, before := start.Add(-time.Second).Zone()
	back := time.Duration(before-after) * time.Second // how far the clock went back at the last change
	if first := at.Add(-back); back > 0 && first.Before(start) {
		return first // the minute comes twice
	}
	return at
}

// hold folds what is too much, or waits a little for what else there is to say.
func (p Pace) hold(m Matter, to Listener, now time.Time) (Ruling, bool) {
	window := p.window(m.Urgency())
	if m.Urgency() == Critical {
		return Ruling{}, false
	}
	if until, full := p.Full(to.Recent, now); full {
		return hold(until, RuleFlood, "The endpoint has had %d messages in %d minutes; the next one folds all that comes until %s.",
			p.Most, int(FloodTime.Minutes()), m.clock(until))
	}
	at := now.Add(window)
	if to.GatherAt.After(now) && to.GatherAt.Before(at) {
		at = to.GatherAt
	}
	switch {
	case window > 0:
		return hold(at, RuleGroup, "What comes within %d s goes in one message.", int(window.Seconds()))
	case to.Waiting.After(now):
		return hold(to.Waiting, RuleOrder, "What came before it of the same alert is told with it.")
	}
	return Ruling{}, false
}

// behind keeps what is held of an alert in order.
func (r Ruling) behind(waiting time.Time) Ruling {
	if r.Tell == Hold && waiting.After(r.At) {
		r.At = waiting
	}
	return r
}

func (m Matter) zone() *time.Location {
	if m.Zone == nil {
		return time.UTC
	}
	return m.Zone
}

func (m Matter) clock(t time.Time) string {
	return t.In(m.zone()).Format("2006-01-02 15:04 MST")
}
