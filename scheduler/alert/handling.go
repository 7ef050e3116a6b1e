package alert

// EventUnacknowledged is an acknowledgement that somebody takes back.
const EventUnacknowledged = "alert.unacknowledged"

// ReasonPerson is of what somebody did, and no evaluation or clock.
const ReasonPerson = "by_a_person"

// RuleHandling is of endpoints that are not told what people do to alerts.
const RuleHandling = "acknowledgements.off"

// An EventHandling is what somebody did to an alert.
type EventHandling struct {
	By    string       `json:"by" doc:"Who did it."`
	Note  string       `json:"note,omitempty"`
	Until *EventMoment `json:"until,omitempty" doc:"When it ends by itself."`
}

// handled reports whether an event is what somebody did to an alert. It is told to
// those who were told of the alert, for their information: nobody need act on it.
func handled(event string) bool {
	return event == EventAcknowledged || event == EventUnacknowledged || event == EventShelved
}

// Urgency is how much it matters that a matter is told soon, and not folded into
// others.
func (m Matter) Urgency() Severity {
	if handled(m.Event) {
		return Warning
	}
	return m.Severity
}

// informed keeps what people do to an alert to those who know of it.
func informed(m Matter, to Listener) (Ruling, bool) {
	switch {
	case !handled(m.Event):
		return Ruling{}, false
	case to.Unconcerned:
		return never(RuleHandling, "The endpoint is not told what people do to alerts.")
	case !to.Told:
		return never(RuleNotTold, "The endpoint was not told of the alert.")
	}
	return Ruling{}, false
}

var handlingWords = map[string]struct{ done, means string }{
	EventAcknowledged:   {"Acknowledged", "Until then nobody is reminded, unless it gets more urgent"},
	EventUnacknowledged: {"Acknowledgement taken back", "Nobody is on it now"},
	EventShelved:        {"Shelved", "Until then nothing is told of it"},
}

func (e *Event) composeHandling(say func(string, ...any)) {
	words, until, about := handlingWords[e.Type], "", ""
	if e.Handling.Until != nil {
		until = " until " + e.Handling.Until.Local
	}
	switch {
	case e.Pour != nil:
		about = e.Pour.Name + " at " + e.Pour.Site + ", start " + e.Pour.Starts.Local
	case e.Source != nil:
		about = "no fresh weather from " + e.Source.Name
	}
	say("%s by %s%s: %s", words.done, e.Handling.By, until, about)
	if e.Handling.Note != "" {
		say("Note: %s", e.Handling.Note)
	}
	say("%s", words.means)
	if e.Headline != "" {
		say("%s", e.Headline)
	}
}
