package alert

import (
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
)

// EventGrouped is a message that tells several matters.
const EventGrouped = "alerts.grouped"

// MostItems is how many matters a grouped message spells out.
const MostItems = 20

// An EventGroup is what a grouped message tells, a line each.
type EventGroup struct {
	Items []EventItem `json:"items" doc:"The matters, 20 at most."`
	More  int         `json:"more,omitempty" doc:"Others, for which there was no room."`
	Link  string      `json:"link,omitempty" doc:"To all of them."`
}

// An EventItem is one matter in a grouped message.
type EventItem struct {
	ID          uuid.UUID  `json:"id" doc:"Of its notice."`
	Type        string     `json:"type" doc:"As that of an event."`
	At          time.Time  `json:"at"`
	Text        string     `json:"text" doc:"One line."`
	Reason      string     `json:"reason,omitempty"`
	Alert       EventAlert `json:"alert,omitzero"`
	Pour        *EventPour `json:"pour,omitempty"`
	Link        string     `json:"link,omitempty" doc:"Page of the pour."`
	Acknowledge string     `json:"acknowledge,omitempty" doc:"Address to acknowledge by: signed, of one receiver, and good for a day."`
}

// An EventCover is one transition that a message tells, as it stands or by what
// followed it: by the covers of all its messages a receiver can prove that none of
// an alert's transitions is missing.
type EventCover struct {
	NoticeID   uuid.UUID `json:"notice_id"`
	AlertID    uuid.UUID `json:"alert_id"`
	Transition int       `json:"transition"`
}

// Grouped makes one event of several.
func Grouped(id uuid.UUID, at time.Time, events []*Event, covers []EventCover, link string) *Event {
	e := &Event{Type: EventGrouped, ID: id, At: at, Covers: covers, Group: &EventGroup{Link: link}, Links: EventLinks{Alert: link}}
	for i, one := range events {
		if i == MostItems {
			e.Group.More = len(events) - MostItems
			break
		}
		e.Group.Items = append(e.Group.Items, EventItem{
			ID: one.ID, Type: one.Type, At: one.At, Text: one.line(), Reason: one.Reason, Alert: one.Alert, Pour: one.Pour, Link: one.Links.Pour,
		})
	}
	e.Compose()
	return e
}

// line is what an event says in a message that tells several: its first two
// thoughts, and what is wrong where they don't say it.
func (e *Event) line() string {
	said := e.lines()
	said = said[:min(2, len(said))]
	if e.Finding != nil && e.Alert.Condition.InForce() && e.Handling == nil {
		if finding := sentence(e.Finding.Sentence); !slices.Contains(said, finding) {
			said = append(said, finding)
		}
	}
	return strings.Join(said, " ")
}

func (e *Event) composeGroup(say func(string, ...any)) {
	say("%d items in one message", len(e.Group.Items)+e.Group.More)
	for _, item := range e.Group.Items {
		say("%s", item.Text)
	}
	if e.Group.More > 0 {
		say("And %d more", e.Group.More)
	}
}

// acknowledgeBy gives the lines of a grouped message the links of their matters.
func (g *EventGroup) acknowledgeBy(lines []line) {
	for i, item := range g.Items {
		lines[1+i].acknowledge = item.Acknowledge // the first is the headline
	}
}
