package alert

import (
	"cmp"
	"errors"
	"fmt"
	"strings"
	"text/template"
	"text/template/parse"
	"time"

	"frostgate/rules"

	"github.com/google/uuid"
)

// Fields are what a template of the firm's own can name, such as {{.Pour}}. What
// a message has nothing to say about is empty.
type Fields struct {
	Type      string // such as alert.raised, alert.cleared, call.first_light or digest
	Severity  string // warning, minor, major, critical or indeterminate
	Reason    string // why it is said, such as condition_met
	Text      string // all of it in plain sentences
	Verdict   string // place, protect, move or unscored
	Headline  string
	Pour      string // its name
	Site      string
	Crew      string
	Plant     string
	Start     string // in the site's local time, like all times
	CancelBy  string
	Finding   string // the sentence of what decides
	Chance    string // its probability, such as 86 %
	Remedy    string // what to do
	RemedyBy  string
	NextStart string // with a better verdict
	Weather   string // what the verdict rests on, and when it was issued
	Source    string // of weather: whose alert it is
	Since     string // when the alert was raised
	Change    string // what the message before said otherwise
	Due       string // of a call: its time
	Link      string
	AckLink   string // to acknowledge; of several matters one on each line
}

// FieldsOf is what an event has for a template.
func FieldsOf(e *Event) Fields {
	f := Fields{
		Type: e.Type, Severity: string(e.Alert.Severity), Reason: e.Reason, Text: e.Text, Verdict: string(e.Verdict),
		Headline: e.Headline, NextStart: localOf(e.NextWindow), Link: cmp.Or(e.Links.Pour, e.Links.Alert),
	}
	if p := e.Pour; p != nil {
		f.Pour, f.Site, f.Crew, f.Plant, f.Start, f.CancelBy = p.Name, p.Site, p.Crew, p.Plant, p.Starts.Local, localOf(p.CancelBy)
	}
	if e.Finding != nil {
		f.Finding = e.Finding.Sentence
		if e.Finding.Probability != nil {
			f.Chance = rules.Percent(*e.Finding.Probability)
		}
	}
	f.Since, f.AckLink, f.Weather = e.Since, e.Links.Acknowledge, e.weather()
	if e.Group != nil {
		var all []string
		for _, item := range e.Group.Items {
			if item.Acknowledge != "" {
				all = append(all, item.Acknowledge)
			}
		}
		f.AckLink = strings.Join(all, "\n")
	}
	if e.Before != nil {
		f.Change = strings.Join(e.Before.Said, ". ")
	}
	if e.Call != nil {
		f.Due, f.Severity = e.Call.Due.Local, string(e.Call.Severity)
	}
	if e.Remedy != nil {
		f.Remedy, f.RemedyBy = e.Remedy.Sentence, localOf(e.Remedy.By)
	}
	if e.Source != nil {
		f.Source = e.Source.Name
	}
	for _, text := range []*string{&f.Pour, &f.Site, &f.Crew, &f.Plant, &f.Finding, &f.Headline, &f.Text, &f.Change} {
		*text = printable(*text)
	}
	return f
}

func localOf(m *EventMoment) string {
	if m == nil {
		return ""
	}
	return m.Local
}

// LongestTemplate is in bytes.
const LongestTemplate = 4000

// CheckTemplate tells what is wrong with a template of the firm's own. It may
// name fields, and choose by if and with; loops and templates in it are refused,
// so that none can run on.
func CheckTemplate(text string) error {
	ofSource := &Event{Type: EventRaised, Source: &EventSource{Name: "weather"}}
	ofSource.Compose()
	for _, e := range []*Event{Sample(), ofSource} {
		if _, err := fillTemplate(text, FieldsOf(e)); err != nil {
			return err
		}
	}
	return nil
}

// noFuncs are functions that would make much of little.
var noFuncs = template.FuncMap{"printf": notHere, "call": notHere, "js": notHere, "html": notHere, "urlquery": notHere}

func notHere(...any) (string, error) { return "", errors.New("not available here") }

func fillTemplate(text string, f Fields) (string, error) {
	if len(text) > LongestTemplate {
		return "", fmt.Errorf("template has %d bytes, more than %d", len(text), LongestTemplate)
	}
	t, err := template.New("message").Option("missingkey=error").Funcs(noFuncs).Parse(text)
	if err != nil {
		return "", fmt.Errorf("read template: %w", err)
	}
	if len(t.Templates()) > 1 || t.Tree == nil || !isPlain(t.Root) {
		return "", errors.New("read template: only fields, if and with may be used")
	}
	var filled strings.Builder
	if err := t.Execute(&filled, f); err != nil {
		return "", fmt.Errorf("fill template: %w", err)
	}
	if strings.TrimSpace(filled.String()) == "" {
		return "", errors.New("fill template: it says nothing")
	}
	return strings.ToValidUTF8(filled.String(), "�"), nil
}

// isPlain reports whether a piece of a template neither loops nor calls another.
func isPlain(n parse.Node) bool {
	switch n := n.(type) {
	case *parse.ListNode:
		if n == nil {
			return true
		}
		for _, part := range n.Nodes {
			if !isPlain(part) {
				return false
			}
		}
		return true
	case *parse.IfNode:
		return isPlain(n.List) && isPlain(n.ElseList)
	case *parse.WithNode:
		return isPlain(n.List) && isPlain(n.ElseList)
	case *parse.TextNode, *parse.ActionNode, *parse.CommentNode:
		return true
	}
	return false
}

// Sample is an event as one comes, to show what a form makes of it.
func Sample() *Event {
	start := time.Date(2027, 1, 15, 13, 0, 0, 0, time.UTC)
	moment := func(t time.Time) EventMoment { return EventMoment{At: t, Local: t.Format("Mon Jan 2, 15:04")} }
	cancelBy, next := moment(start.Add(-16*time.Hour)), moment(start.Add(75*time.Hour))
	limit, observed := -0.5, -3.9
	e := &Event{
		Type: EventRaised, ID: uuid.MustParse("01944000-0000-7000-8000-000000000001"), At: start.Add(-20 * time.Hour), Reason: ReasonRaised,
		Alert: EventAlert{
			ID: uuid.MustParse("01944000-0000-7000-8000-000000000002"), Kind: PourMove, Condition: Raised, Severity: Critical,
			Episode: 1, Transition: 1, RaisedAt: start.Add(-20 * time.Hour), Verified: true,
		},
		Pour: &EventPour{
			ID: uuid.MustParse("01944000-0000-7000-8000-000000000003"), Name: "Loading dock slab", Site: "Mill Road", Crew: "North", Plant: "Quarry", Timezone: "UTC",
			Starts: moment(start), CancelBy: &cancelBy, State: "planned",
		},
		Verdict: "move", Was: "place", Headline: "Move: the base is frozen",
		Finding: &EventFinding{
			Rule: "ground.frozen", Title: "Frozen base", Sentence: "The base will be frozen at the start",
			Observed: &observed, Limit: &limit, Unit: "°C",
		},
		Remedy:     &EventRemedy{Kind: "another_day", Sentence: "Thaw it under heated blankets for 2 days, or move"},
		NextWindow: &next,
		Links: EventLinks{
			Pour: "https://frostgate.example/pours/1", Alert: "https://frostgate.example/alerts/1", Schema: "https://frostgate.example/event-schema.json",
		},
	}
	e.Compose()
	return e
}
