package alert

import (
	"cmp"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"frostgate/rules"

	"github.com/google/uuid"
)

// Schema is the version of Event. Members are only added to a version.
const Schema = 1

// An Event is what one message says. Its JSON form is the body of a webhook.
// Quantities are SI with the unit beside them; text is in the firm's units and
// the site's local time.
type Event struct {
	Type       string         `json:"type" doc:"Such as alert.raised, alert.cleared, call.first_light, alerts.grouped or digest."`
	Schema     int            `json:"schema" doc:"Version of this schema: 1."`
	ID         uuid.UUID      `json:"id" doc:"Of the notice, the same for all endpoints."`
	At         time.Time      `json:"at" doc:"When it was made, UTC."`
	Text       string         `json:"text" doc:"All of it in plain sentences."`
	Reason     string         `json:"reason,omitempty" doc:"Why it is told, such as condition_met, severity_rose or not_acknowledged."`
	Alert      EventAlert     `json:"alert,omitzero" doc:"The alert after the transition that is told; left out of what is of no alert."`
	Pour       *EventPour     `json:"pour,omitempty" doc:"The pour that is told of."`
	Source     *EventSource   `json:"source,omitempty" doc:"The weather source that is told of."`
	Verdict    rules.Verdict  `json:"verdict,omitempty" doc:"One of place, protect, move and unscored."`
	Was        rules.Verdict  `json:"previous_verdict,omitempty" doc:"Of the pour before this assessment."`
	Headline   string         `json:"headline,omitempty" doc:"What the assessment comes to, in one sentence."`
	Finding    *EventFinding  `json:"finding,omitempty" doc:"What decides."`
	Remedy     *EventRemedy   `json:"remedy,omitempty" doc:"What to do."`
	NextWindow *EventMoment   `json:"next_window,omitempty" doc:"The next start with a better verdict."`
	Weather    []EventWeather `json:"weather,omitempty" doc:"The forecasts that the verdict rests on."`
	Links      EventLinks     `json:"links,omitzero" doc:"To pages of this program."`
	First      bool           `json:"first,omitempty" doc:"Its receiver has not heard before that the alert is raised, whatever the type."`
	Since      string         `json:"since,omitempty" doc:"When the alert was raised, in local time."`
	Group      *EventGroup    `json:"group,omitempty" doc:"Of alerts.grouped: several matters."`
	Covers     []EventCover   `json:"covers,omitempty" doc:"All transitions that this message tells, when they are not just that of alert."`
	Before     *EventBefore   `json:"before,omitempty" doc:"What the message before said, where it differs."`
	Call       *EventCall     `json:"call,omitempty" doc:"Of call.first_light and the like: what the clock has to say of a pour."`
	Digest     *EventDigest   `json:"digest,omitempty" doc:"Of digest: a day's pours."`
	Handling   *EventHandling `json:"handling,omitempty" doc:"Of what somebody did to an alert."`
}

// EventBefore is what the message before said of an alert, where it differs.
type EventBefore struct {
	Said        []string   `json:"said" doc:"The differences in words."`
	Verdict     string     `json:"verdict,omitempty" doc:"The verdict then."`
	Rule        string     `json:"rule,omitempty" doc:"The id of the rule that decided then."`
	Probability *float64   `json:"probability,omitempty" doc:"The probability then, 0 to 1."`
	First       *time.Time `json:"first,omitempty" doc:"When what is wrong was to begin."`
	Starts      *time.Time `json:"starts,omitempty" doc:"The start of the pour then."`
}

// EventCall is what the clock has to say of a pour.
type EventCall struct {
	Due      EventMoment `json:"due" doc:"Its time."`
	Until    EventMoment `json:"until" doc:"When it is of no more use."`
	Severity Severity    `json:"severity"`
	Said     []string    `json:"said" doc:"In words, a thought each."`
}

// EventDigest is a day's pours of those that an endpoint is for.
type EventDigest struct {
	Day   string            `json:"day" doc:"Such as 2027-01-15."`
	Title string            `json:"title" doc:"The day in words."`
	Pours []EventDigestPour `json:"pours" doc:"In the order of their starts, 20 at most."`
	More  int               `json:"more,omitempty" doc:"Others, for which there was no room."`
}

// EventDigestPour is a pour in a digest.
type EventDigestPour struct {
	EventPour
	Verdict rules.Verdict `json:"verdict,omitempty"`
	Reason  string        `json:"reason,omitempty" doc:"The worst, a sentence."`
	Text    string        `json:"text" doc:"All of it in one line."`
	Link    string        `json:"link,omitempty"`
}

// EventAlert is the alert after the transition that is told.
type EventAlert struct {
	ID         uuid.UUID `json:"id"`
	Kind       Kind      `json:"kind" doc:"One of pour.move and source.stale."`
	Condition  Condition `json:"condition" doc:"One of cleared, arming, raised and clearing."`
	Severity   Severity  `json:"severity" doc:"One of indeterminate, warning, minor, major and critical (ITU-T X.733)."`
	Episode    int       `json:"episode" doc:"Counts its raises."`
	Transition int       `json:"transition" doc:"Counts what happened to it, without a gap."`
	RaisedAt   time.Time `json:"raised_at,omitzero" doc:"Of the running or last episode."`
	Verified   bool      `json:"verified" doc:"False while there is no fresh weather to judge it by."`
}

// EventPour is the pour that is told of.
type EventPour struct {
	ID       uuid.UUID    `json:"id"`
	Name     string       `json:"name"`
	Site     string       `json:"site"`
	Crew     string       `json:"crew"`
	Plant    string       `json:"plant"`
	Timezone string       `json:"timezone" doc:"Of the site, by its IANA name."`
	Starts   EventMoment  `json:"starts"`
	CancelBy *EventMoment `json:"cancel_by,omitempty" doc:"Until when the order can be cancelled."`
	State    string       `json:"state" doc:"One of planned, placed, released and cancelled."`
}

// EventSource is the weather source that is told of.
type EventSource struct {
	Name     string    `json:"name"`
	IssuedAt time.Time `json:"issued_at,omitzero" doc:"Of its newest weather."`
	Issued   string    `json:"issued,omitempty" doc:"By the clock of the firm's first site."`
	Error    string    `json:"error,omitempty" doc:"Of the last attempt to fetch its weather."`
}

// EventMoment is a time, for programs and for people.
type EventMoment struct {
	At    time.Time `json:"at" doc:"UTC."`
	Local string    `json:"local" doc:"At the site."`
}

// EventFinding is the finding that decides.
type EventFinding struct {
	Rule        string       `json:"rule" doc:"Id of the rule."`
	Title       string       `json:"title"`
	Sentence    string       `json:"sentence" doc:"In the units of the firm, with what was found."`
	Observed    *float64     `json:"observed" doc:"In the unit."`
	Limit       *float64     `json:"limit" doc:"In the unit."`
	Unit        string       `json:"unit" doc:"Of observed and limit, SI."`
	First       *EventMoment `json:"first,omitempty" doc:"When what is wrong begins."`
	LengthH     float64      `json:"length_h,omitempty" doc:"How long it lasts, hours."`
	Probability *float64     `json:"probability,omitempty" doc:"0 to 1."`
	Source      string       `json:"source,omitempty" doc:"Document that the limit is taken from."`
}

// EventRemedy is what to do.
type EventRemedy struct {
	Kind     string       `json:"kind"`
	Sentence string       `json:"sentence"`
	By       *EventMoment `json:"by,omitempty" doc:"Until when."`
	AtHand   bool         `json:"at_hand" doc:"Whether the firm has what it takes."`
}

// EventWeather is a forecast that the verdict rests on.
type EventWeather struct {
	Source   string    `json:"source" doc:"Name of the weather source."`
	IssuedAt time.Time `json:"issued_at" doc:"When the source made it, UTC."`
	Issued   string    `json:"issued,omitempty" doc:"At the site."`
}

// EventLinks lead to the program's own pages; without an address at which people
// reach it there are none.
type EventLinks struct {
	Pour        string `json:"pour,omitempty" doc:"Page of the pour."`
	Alert       string `json:"alert,omitempty" doc:"Page of the alert, or of all."`
	Acknowledge string `json:"acknowledge,omitempty" doc:"Address to acknowledge by: signed, of one receiver, and good for a day."`
	Schema      string `json:"schema,omitempty" doc:"Of the event, in JSON Schema."`
}

// HeardBy is the event as a receiver gets it who knows, or not, that its alert is
// raised: who does not reads of a change, or a reminder, as news.
func (e *Event) HeardBy(knows bool) *Event {
	own := *e
	if own.First = !knows && e.Alert.Condition.InForce(); own.First {
		own.Before = nil // there was no message before
	}
	own.Compose()
	return &own
}

// Bytes is the body: made once, then sent unchanged.
func (e *Event) Bytes() ([]byte, error) {
	e.Schema = Schema
	body, err := json.Marshal(e)
	if err != nil {
		return nil, fmt.Errorf("write event %s: %w", e.ID, err)
	}
	return body, nil
}

// Compose puts the event into plain sentences, what matters most first.
func (e *Event) Compose() {
	said := e.lines()
	if e.Pour != nil && e.Type != EventCleared && e.Links.Pour != "" {
		said = append(said, e.Links.Pour)
	}
	e.Text = strings.Join(said, " ")
}

// lines are what there is to say, a thought each, what matters most first.
func (e *Event) lines() []string {
	var said []string
	say := func(format string, a ...any) { said = append(said, sentence(fmt.Sprintf(format, a...))) }
	switch {
	case e.Group != nil:
		e.composeGroup(say)
	case e.Digest != nil:
		e.composeDigest(say)
	case e.Call != nil:
		e.composeCall(say)
	case e.Handling != nil:
		e.composeHandling(say)
	case e.Pour != nil:
		e.composePour(say)
	case e.Source != nil:
		e.composeSource(say)
	default: // of neither: a test
		say("%s", e.Text)
	}
	return said
}

func (e *Event) composePour(say func(string, ...any)) {
	where := e.Pour.where()
	switch {
	case e.Type == EventChattering:
		say("Keeps changing: %s", where)
		say("The verdict goes to and fro, at present it is %s; the next message comes when it has settled", e.Verdict)
	case e.Type == EventCleared, e.Type == EventSettled && !e.Alert.Condition.InForce():
		e.composeEnd(say)
		return
	case e.news():
		say("Move: %s", where)
	default:
		say("Still move: %s", where)
	}
	e.composeHistory(say)
	if e.Finding != nil {
		say("%s", e.Finding.Sentence)
		e.composeProbability(say)
	} else if e.Headline != "" {
		say("%s", e.Headline)
	}
	if e.Remedy != nil {
		say("%s", e.Remedy.Sentence)
	}
	e.composeWindow(say)
	if e.Pour.CancelBy != nil && e.Pour.CancelBy.At.After(e.At) {
		say("The order can be cancelled until %s", e.Pour.CancelBy.Local)
	}
	e.composeWeather(say)
}

// weather is what an event rests on, in words.
func (e *Event) weather() string {
	var parts []string
	for _, w := range e.Weather {
		if w.Issued != "" {
			parts = append(parts, fmt.Sprintf("%s, issued %s", w.Source, w.Issued))
		}
	}
	return strings.Join(parts, "; ")
}

func (e *Event) composeWeather(say func(string, ...any)) {
	if weather := e.weather(); weather != "" {
		say("Weather: %s", weather)
	}
	if !e.Alert.Verified {
		say("There is no fresh weather to check it by")
	}
}

// news reports whether its receiver hears of an alert for the first time.
func (e *Event) news() bool { return e.Type == EventRaised || e.First }

// longAgo is after how long it is said since when an alert has been raised also to
// who hears of it first.
const longAgo = time.Hour

// composeHistory says why an alert is told again, since when it is so, and what was
// said otherwise before: as much of it as its receiver has heard of.
func (e *Event) composeHistory(say func(string, ...any)) {
	if because := becauses[e.Reason]; because != "" && (!e.news() || e.Reason == ReasonNobody) {
		say("%s", because)
	}
	if e.Since != "" && e.Type != EventChattering && (!e.news() || e.At.Sub(e.Alert.RaisedAt) >= longAgo) {
		say("It has been so since %s", e.Since)
	}
	if e.Before != nil && !e.news() {
		for _, said := range e.Before.Said {
			say("%s", said)
		}
	}
}

// becauses say why what is raised is told again.
var becauses = map[string]string{
	ReasonSeverity: "More urgent now", ReasonCause: "There is a new reason", ReasonStart: "The new start is no better",
	ReasonNobody: "Nobody has acknowledged it", ReasonAckOver: "The acknowledgement has expired",
	ReasonShelfOver: "It was shelved until now", ReasonPlanOver: "The planned suppression is over", ReasonSettled: "The verdict has settled",
}

func (e *Event) composeCall(say func(string, ...any)) {
	say("%s: %s", callTitles[e.Type], e.Pour.where())
	for _, said := range e.Call.Said {
		say("%s", said)
	}
}

var callTitles = map[string]string{
	CallAfternoon: "For tomorrow", CallCancel: "Last hours to cancel", CallBase: "First light", CallCover: "Blankets on",
	CallSaw: "Saw cut", CallUncover: "Protection may end",
}

func (e *Event) composeDigest(say func(string, ...any)) {
	switch n := len(e.Digest.Pours) + e.Digest.More; n {
	case 0:
		say("%s: no pours", e.Digest.Title)
	case 1:
		say("%s: 1 pour", e.Digest.Title)
	default:
		say("%s: %d pours", e.Digest.Title, n)
	}
	for _, p := range e.Digest.Pours {
		say("%s", p.Text)
	}
	if e.Digest.More > 0 {
		say("And %d more", e.Digest.More)
	}
}

// composeEnd says that an alert is over, and how its pour stands instead.
func (e *Event) composeEnd(say func(string, ...any)) {
	where := e.Pour.where()
	switch {
	case e.Reason == ReasonGone:
		say("Over: %s: the pour is %s", where, e.Pour.State)
	case e.Verdict == rules.Move: // at a probability that is not worth an alert
		say("Move unlikely now: %s", where)
		if e.Finding != nil {
			say("%s", e.Finding.Sentence)
		}
		e.composeProbability(say)
	default:
		say("No longer move: %s", where)
		say("%s", headline(e.Verdict, e.Headline))
	}
	if e.Reason != ReasonGone {
		e.composeWeather(say)
	}
}

// headline is what an assessment comes to: the engine's, which begins with the
// verdict.
func headline(v rules.Verdict, text string) string {
	if text == "" {
		return fmt.Sprintf("The verdict is %s", v)
	}
	return text
}

func (e *Event) composeProbability(say func(string, ...any)) {
	if e.Finding != nil && e.Finding.Probability != nil {
		say("Probability of that: %s", rules.Percent(*e.Finding.Probability))
	}
}

// composeWindow says when else the pour can start.
func (e *Event) composeWindow(say func(string, ...any)) {
	switch {
	case e.NextWindow != nil:
		say("Next good start: %s", e.NextWindow.Local)
	case e.Verdict == rules.Move && e.Pour.State == statePlanned:
		say("With what is at hand no start within the forecast works")
	}
}

func (e *Event) composeSource(say func(string, ...any)) {
	name, issued := e.Source.Name, cmp.Or(e.Source.Issued, e.Source.IssuedAt.UTC().Format("2006-01-02 15:04 UTC"))
	switch {
	case e.Type == EventCleared && e.Source.IssuedAt.IsZero():
		say("Weather from %s is fresh again", name)
		return
	case e.Type == EventCleared:
		say("Weather from %s is fresh again: issued %s", name, issued)
		return
	case e.Source.IssuedAt.IsZero():
		say("No weather from %s yet", name)
	default:
		say("No fresh weather from %s: the newest was issued %s", name, issued)
	}
	e.composeHistory(say)
	say("Meanwhile verdicts that rest on it are not renewed, and no alert that does is cleared")
}

// Where a pour stands, as its state says it.
const (
	statePlanned = "planned"
	statePlaced  = "placed"
)

// where names a pour, its place and its start.
func (p *EventPour) where() string {
	how := "start"
	if p.State == statePlaced {
		how = "placed"
	}
	return fmt.Sprintf("%s at %s, %s %s", p.Name, p.Site, how, p.Starts.Local)
}

// sentence ends a text as one, unless it already does or is an address.
func sentence(text string) string {
	text = strings.TrimSpace(text)
	if text == "" || strings.ContainsAny(text[len(text)-1:], ".!?") || strings.HasPrefix(text, "http") {
		return text
	}
	return text + "."
}
