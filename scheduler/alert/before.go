package alert

import (
	"fmt"
	"math"
	"time"

	"frostgate/rules"
)

// Told is what a message said of an alert, kept until the next one.
type Told struct {
	Text        string        `json:"text,omitempty"`
	Verdict     rules.Verdict `json:"verdict,omitempty"`
	Rule        string        `json:"rule,omitempty"`
	Title       string        `json:"title,omitempty"` // of the rule
	Probability *float64      `json:"probability,omitempty"`
	First       *EventMoment  `json:"first,omitempty"`
	Starts      *EventMoment  `json:"starts,omitempty"`
}

// ToldBy is what an event says.
func ToldBy(e *Event) Told {
	t := Told{Text: e.Text, Verdict: e.Verdict}
	if e.Pour != nil {
		t.Starts = &e.Pour.Starts
	}
	if f := e.Finding; f != nil {
		t.Rule, t.Title, t.Probability, t.First = f.Rule, f.Title, f.Probability, f.First
	}
	return t
}

// What differs by less is told the same way again.
const (
	probabilityStep = 0.1
	timeStep        = 2 * time.Hour
)

// Compare tells what an event says otherwise than the message before it in the
// same episode; nil when there is nothing.
func Compare(before Told, e *Event) *EventBefore {
	now := ToldBy(e)
	var b EventBefore
	say := func(format string, a ...any) { b.Said = append(b.Said, fmt.Sprintf(format, a...)) }
	if before.Verdict != "" && now.Verdict != "" && before.Verdict != now.Verdict {
		b.Verdict = string(before.Verdict)
		say("The verdict was %s", before.Verdict)
	}
	if moved(before.Starts, now.Starts, time.Minute) {
		b.Starts = &before.Starts.At
		say("The start was %s", before.Starts.Local)
	}
	if before.Rule != "" && now.Rule != "" && before.Rule != now.Rule {
		b.Rule = before.Rule
		say("The reason before: %s", before.Title)
		return &b // numbers of another rule compare with nothing
	}
	if p, q := before.Probability, now.Probability; p != nil && q != nil && math.Abs(*p-*q) >= probabilityStep {
		b.Probability = p
		say("The probability was %s", rules.Percent(*p))
	}
	if b.Starts == nil && moved(before.First, now.First, timeStep) { // another start moves it by itself
		b.First = &before.First.At
		say("Before, it was to begin on %s", before.First.Local)
	}
	if len(b.Said) == 0 {
		return nil
	}
	return &b
}

func moved(a, b *EventMoment, least time.Duration) bool {
	return a != nil && b != nil && a.At.Sub(b.At).Abs() >= least
}
