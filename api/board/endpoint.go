package board

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"frostgate/api/access"
	"frostgate/db"
	"frostgate/rules"

	"github.com/google/uuid"
)

// messageForms are the kinds of endpoints, by what they are for.
var messageForms = []choice{
	{Value: "standard", Text: "A program: JSON, signed"},
	{Value: "cloudevents", Text: "A program: CloudEvents 1.0"},
	{Value: "text", Text: "Plain text, by a template of your own"},
	{Value: "chat_entities", Text: "Chat: {text}, with <&> escaped"},
	{Value: "chat_markdown", Text: "Chat: markdown in {text}"},
	{Value: "chat_content", Text: "Chat: {content}"},
	{Value: "chat_card", Text: "Chat: adaptive card"},
	{Value: "chat_text", Text: "Chat: plain text in {text}"},
	{Value: "chat_html", Text: "Chat: {text} and {html}"},
	{Value: "mail", Text: "E-mail"},
}

var severities = []choice{
	{Value: "warning", Text: "Everything"}, {Value: "minor", Text: "Minor and above"}, {Value: "major", Text: "Major and above"}, {Value: "critical", Text: "Critical only"},
}

func endpointKind() *recordKind {
	return &recordKind{
		path: "/v1/endpoints", at: "/firm/endpoints", nav: "firm", one: "endpoint", many: "endpoints", roles: []access.Role{access.Dispatcher},
		lead:     "Where alerts go: the web address that a chat system or a program gave you. It is kept secret and not shown again.",
		lacking:  "Add the first: until then, alerts stand on the board and reach nobody.",
		deleting: "With everything that was sent to it. To keep that, switch it off instead.",
		fresh: func(b *Board, v *visit) (texts, error) {
			home, err := b.homeZone(v)
			return texts{"kind": "standard", "enabled": "true", "digest/timezone": home.zone.String()}, err
		},
		groups: (*Board).endpointGroups, page: func(b *Board) func(*visit) error { return b.endpointPage },
		saved: func(_ *Board, _ *visit, d doc) string { return "/firm/endpoints/" + newID(d) + "?done=kept" },
		made:  (*Board).showSecret,
		columns: []column{
			{"Turn", func(_ voice, d doc) string { return turnText(d) }},
			{"Goes to", func(_ voice, d doc) string { return d.text("host") }},
			{"As", func(_ voice, d doc) string { return textOf(messageForms, d.text("kind")) }},
			{"Takes", func(_ voice, d doc) string { return textOf(severities, d.text("min_severity")) }},
			{"Digest", digestText},
			{"State", func(_ voice, d doc) string { return endpointState(d) }},
		},
	}
}

func textOf(choices []choice, value string) string {
	for _, c := range choices {
		if c.Value == value {
			return c.Text
		}
	}
	return value
}

// endpointState says how an endpoint is, in a word or two.
func endpointState(d doc) string {
	enabled, _ := d.at("enabled").(bool)
	switch {
	case !enabled:
		return "off, " + d.text("state_reason")
	case d.text("failing_since") != "":
		return "failing"
	case d.text("accepted_at") != "":
		return "well"
	}
	return "nothing sent yet"
}

func (b *Board) endpointGroups(v *visit, stored doc) ([]group, error) {
	crews, plants, err := b.scopeChoices(v)
	if err != nil {
		return nil, err
	}
	address := input{pointer: "url", label: "Web address", hint: "https, and reachable from here; for e-mail mailto: and the addresses, separated by commas.", kind: asAddress, required: stored == nil}
	if stored != nil {
		address.hint = "Empty: the one that is kept, at " + stored.text("host") + "."
	}
	return []group{
		{title: "Where to", fields: []input{
			{pointer: "name", label: "Name", kind: asWords, required: true},
			address,
			{pointer: "kind", label: "What takes it there", kind: asPick, choices: messageForms, required: true},
			{pointer: "enabled", label: "Switched", kind: asPick, raw: true, choices: []choice{{Value: "true", Text: "On"}, {Value: "false", Text: "Off"}}},
			{pointer: "template", label: "Template", hint: "For plain text: fields such as {{.Pour}}; the API page lists them.", kind: asParagraph},
		}},
		{title: "What for", hint: "Nothing ticked is all of them.", fields: []input{
			{pointer: "min_severity", label: "Severity", hint: "Empty: everything.", kind: asPick, choices: severities},
			{pointer: "crew_ids", label: "Crews", kind: asSeveral, choices: crews},
			{pointer: "plant_ids", label: "Plants", kind: asSeveral, choices: plants},
		}},
		{title: "In which order", hint: quietHint(v.units(), v.firm), fields: []input{
			{pointer: "rank", label: "Turn", hint: "Empty: first, at once.", kind: asPick, raw: true, choices: turns},
			{pointer: "acknowledgements", label: "When somebody acknowledges or shelves", hint: "Empty: told, too.", kind: asPick, raw: true, choices: []choice{{Value: "true", Text: "Told, too"}, {Value: "false", Text: "Not told"}}},
			{pointer: "delay_min", label: "How long after the turn before it", hint: "Only for those that come later. Empty: at once when the turn before was told.", kind: asFigure, measure: minutes},
		}},
		{title: "Digest", hint: "Besides alerts, one message with the pours of a day: on the day itself, the afternoon before, or both. Empty: none.", fields: []input{
			{pointer: "digest/morning", label: "In the morning, of the same day", kind: asClock},
			{pointer: "digest/afternoon", label: "In the afternoon, of the next day", kind: asClock},
			{pointer: "digest/timezone", label: "Time zone", hint: "Of these times, by its IANA name.", kind: asWords, list: "zones"},
			{pointer: "digest/empty", label: "Also on days without a pour", kind: asTick},
		}},
	}, nil
}

// turns are the ranks after the first, which is told at once.
var turns = []choice{
	{Value: "1", Text: "Second, when nobody acknowledges"},
	{Value: "2", Text: "Third"},
	{Value: "3", Text: "Fourth"},
	{Value: "4", Text: "Fifth"},
	{Value: "5", Text: "Sixth"},
	{Value: "6", Text: "Seventh"},
	{Value: "7", Text: "Eighth"},
	{Value: "8", Text: "Ninth"},
	{Value: "9", Text: "Tenth"},
}

// quietHint says when the firm is not to be disturbed, and where that is set.
func quietHint(s voice, f db.Firm) string {
	hours := quietText(s, f)
	if hours == "" {
		return "The firm has no quiet hours; they are set under Settings."
	}
	return "Quiet hours are those of the firm, " + hours + "; they are set under Settings."
}

// quietText is the firm's quiet hours; empty without.
func quietText(s voice, f db.Firm) string {
	if f.QuietStartsMin == nil || f.QuietEndsMin == nil {
		return ""
	}
	at := func(minutes int) string { return s.Hour(time.Date(2026, 1, 5, 0, minutes, 0, 0, time.UTC)) }
	text := at(*f.QuietStartsMin) + " to " + at(*f.QuietEndsMin)
	if f.QuietCriticalExempt {
		return text + " but for what is critical"
	}
	return text
}

// turnText is when an endpoint is told of what it takes.
func turnText(d doc) string {
	rank := amount(d, "rank")
	if rank == 0 {
		return "first, at once"
	}
	text, _, _ := strings.Cut(textOf(turns, strconv.Itoa(int(rank))), ",")
	if delay := amount(d, "delay_min"); delay > 0 {
		return fmt.Sprintf("%s, when nobody acknowledges for %s", strings.ToLower(text), rules.Duration(delay/60))
	}
	return strings.ToLower(text) + ", when nobody acknowledges"
}

// digestText is when the pours of a day are sent; none without.
func digestText(s voice, d doc) string {
	var when []string
	if at := d.text("digest/morning"); at != "" {
		when = append(when, s.timeOfDay(at)+" of the day")
	}
	if at := d.text("digest/afternoon"); at != "" {
		when = append(when, s.timeOfDay(at)+" the day before")
	}
	if len(when) == 0 {
		return "none"
	}
	return strings.Join(when, " and ") + ", " + d.text("digest/timezone")
}

// A secretPage shows a secret that was just made, this once.
type secretPage struct {
	Name, Says    string // what is so from now on
	Label, Secret string
	About, Link   string
}

func (b *Board) showSecret(v *visit, d doc) error {
	return b.drawSecret(v, http.StatusCreated, d, "is told from now on.")
}

func (b *Board) drawSecret(v *visit, status int, d doc, says string) error {
	return b.draw(v.Context, v, status, "secret", frame{Title: "Endpoint", Nav: "firm", Page: secretPage{
		Name: d.text("name"), Says: says, Label: "Signing secret", Secret: d.text("secret"), Link: "/firm/endpoints/" + newID(d),
		About: "It proves to a program that a message is ours (Standard Webhooks). Copy it now; it is not shown again. Chat systems do without.",
	}})
}

// rotateSecret gives an endpoint a new signing secret, which is shown this once.
func (b *Board) rotateSecret(v *visit) error {
	id, err := idParam(v)
	if err != nil {
		return err
	}
	d, err := b.exchange(v, change{method: http.MethodPost, path: "/v1/endpoints/" + id.String() + "/rotate"})
	if err != nil {
		return err
	}
	return b.drawSecret(v, http.StatusOK, d, "has a new secret. For a day, messages are signed with the old one, too.")
}

// An endpointPage is how an endpoint does, and what went to it.
type endpointPage struct {
	ID, Name, State string
	Failing, Off    bool
	Facts           []fact
	Told            []toldLine
}

func (b *Board) endpointPage(v *visit) error {
	d, err := b.stored(v, endpointKind())
	if err != nil {
		return err
	}
	s, err := b.homeZone(v)
	if err != nil {
		return err
	}
	id, err := uuid.Parse(d.text("id"))
	if err != nil {
		return err
	}
	told, err := b.db.Deliveries(v.ctx(), v.caller.Scope, db.DeliveryFilter{EndpointID: id}, db.Page{Limit: 50})
	if err != nil {
		return err
	}
	page := endpointPage{ID: id.String(), Name: d.text("name"), State: endpointState(d), Failing: d.text("failing_since") != ""}
	enabled, _ := d.at("enabled").(bool)
	page.Off = !enabled
	page.Facts = []fact{
		{"State", capital(page.State)},
		{"Since", s.moment(d.text("state_at"))},
		{"Goes to", d.text("host")},
		{"As", textOf(messageForms, d.text("kind"))},
		{"Takes", textOf(severities, d.text("min_severity"))},
		{"Crews", someOrAll(d.length("crew_ids"))},
		{"Plants", someOrAll(d.length("plant_ids"))},
		{"Turn", turnText(d)},
		{"Digest", digestText(s, d)},
		{"Quiet hours", cmp.Or(quietText(s, v.firm), "none")},
		{"Last taken", s.moment(d.text("accepted_at"))},
	}
	if page.Failing {
		page.Facts = append(page.Facts, fact{"Failing since", s.moment(d.text("failing_since"))})
	}
	if folded := int(amount(d, "folded")); folded > 0 {
		page.Facts = append(page.Facts, fact{"Folded into others", fmt.Sprintf("%s, for too many came at once; lately until %s", plural(folded, "message"), s.moment(d.text("flooded_until")))})
	}
	for _, l := range told.Items {
		page.Told = append(page.Told, newToldLine(s, l))
	}
	return b.show(v, "endpoint", "firm", d.text("name"), page)
}

// askEndpoint asks before something is done with an endpoint.
func (b *Board) askEndpoint(word, ask string) func(*visit) error {
	return func(v *visit) error {
		if !v.dispatcher() {
			return notAllowed
		}
		d, err := b.stored(v, endpointKind())
		if err != nil {
			return err
		}
		return b.draw(v.Context, v, http.StatusOK, "put", frame{Title: word, Nav: "firm", Page: putPage{
			Word: word, Name: d.text("name"), Ask: ask, Back: "/firm/endpoints/" + d.text("id"),
		}})
	}
}

func (b *Board) testEndpoint(v *visit) error {
	id, err := idParam(v)
	if err != nil {
		return err
	}
	result, err := b.exchange(v, change{method: http.MethodPost, path: "/v1/endpoints/" + id.String() + "/test"})
	if err != nil {
		return err
	}
	return v.Redirect(http.StatusSeeOther, "/firm/endpoints/"+id.String()+"?done=tested_"+result.text("outcome"))
}

func (b *Board) restoreEndpoint(v *visit) error {
	id, err := idParam(v)
	if err != nil {
		return err
	}
	if _, err := b.send(v, change{method: http.MethodPost, path: "/v1/endpoints/" + id.String() + "/restore", body: doc{}}); err != nil {
		return err
	}
	return v.Redirect(http.StatusSeeOther, "/firm/endpoints/"+id.String()+"?done=restarted")
}

func someOrAll(n int) string {
	if n == 0 {
		return "all"
	}
	return strconv.Itoa(n) + " chosen"
}

// moment says a time of the API.
func (s voice) moment(text string) string {
	at, err := time.Parse(time.RFC3339, text)
	if err != nil {
		return dash
	}
	return s.day(&at)
}

// A deliveryPage is one message to one endpoint, and each try to bring it there.
type deliveryPage struct {
	To, ToLink, AlertLink string
	Again                 string // address to send it again; empty where that is not to be done
	Facts                 []fact
	Tries                 []tryLine
	Body                  string
}

type tryLine struct {
	Number, At, Outcome, Status, Took, Said string
}

var outcomeWords = map[string]string{
	"accepted": "taken", "retry": "failed, tried again", "permanent": "refused for good", "gone": "no longer there", "unknown": "no answer known",
}

func (b *Board) deliveryPage(v *visit) error {
	id, err := idParam(v)
	if err != nil {
		return err
	}
	d, err := b.read(v, "/v1/deliveries/"+id.String())
	if err != nil {
		return err
	}
	s, err := b.homeZone(v)
	if err != nil {
		return err
	}
	page := deliveryPage{To: "Message", ToLink: "/firm/endpoints/" + d.text("endpoint_id"), Body: indented(d.text("body"))}
	if alert := d.text("alert_id"); alert != "" {
		page.AlertLink = "/alerts/" + alert
	}
	if v.dispatcher() && d.text("state") != "pending" {
		page.Again = "/deliveries/" + id.String() + "/again"
	}
	for _, f := range []fact{
		{"Made", s.moment(d.text("created_at"))},
		{"State", textOr(deliveryWords, d.text("state"))},
		{"Reason", d.text("reason")},
		{"Severity", d.text("severity")},
		{"Next try", s.moment(d.text("next_attempt_at"))},
		{"Settled", s.moment(d.text("settled_at"))},
		{"Id", d.text("webhook_id")},
	} {
		if f.Value != "" && f.Value != dash {
			page.Facts = append(page.Facts, f)
		}
	}
	for i := range d.length("tries") {
		at := "tries/" + strconv.Itoa(i) + "/"
		line := tryLine{
			Number: strconv.Itoa(int(amount(d, at+"number"))), At: s.moment(d.text(at + "at")), Outcome: textOr(outcomeWords, d.text(at+"outcome")),
			Status: dash, Took: strconv.Itoa(int(amount(d, at+"duration_ms"))) + " ms", Said: d.text(at + "error"),
		}
		if status := amount(d, at+"status"); status > 0 {
			line.Status = strconv.Itoa(int(status))
		}
		if line.Said == "" {
			line.Said = d.text(at + "response")
		}
		line.Said = withAddresses(line.Said, d, at)
		page.Tries = append(page.Tries, line)
	}
	return b.show(v, "delivery", "alerts", "Message", page)
}

// withAddresses adds what a mail server said to each address.
func withAddresses(said string, d doc, at string) string {
	for i := range d.length(at + "addresses") {
		one := at + "addresses/" + strconv.Itoa(i) + "/"
		status := amount(d, one+"status")
		word := "refused"
		if status >= 200 && status < 300 {
			word = "has it"
		}
		said += fmt.Sprintf("\n%s: %s (%.0f %s)", apart(d.text(one+"address")), word, status, d.text(one+"response"))
	}
	return strings.TrimSpace(said)
}

// indented lays JSON out for reading; other text stays as it is.
func indented(text string) string {
	var out bytes.Buffer
	if json.Indent(&out, []byte(text), "", "  ") != nil {
		return text
	}
	return out.String()
}

func textOr(words map[string]string, value string) string {
	if text, ok := words[value]; ok {
		return text
	}
	return value
}

// askAgain asks before a message is sent once more.
func (b *Board) askAgain(v *visit) error {
	id, err := idParam(v)
	if err != nil {
		return err
	}
	if !v.dispatcher() {
		return notAllowed
	}
	d, err := b.read(v, "/v1/deliveries/"+id.String())
	if err != nil {
		return err
	}
	s, err := b.homeZone(v)
	if err != nil {
		return err
	}
	return b.draw(v.Context, v, http.StatusOK, "put", frame{Title: "Send again", Nav: "alerts", Page: putPage{
		Word: "Send again", Name: "Message of " + s.moment(d.text("created_at")), Back: "/deliveries/" + id.String(),
		Ask: "The very same message goes there once more, under the same id, by which a program knows it.",
	}})
}

func (b *Board) sendAgain(v *visit) error {
	id, err := idParam(v)
	if err != nil {
		return err
	}
	if _, err := b.send(v, change{method: http.MethodPost, path: "/v1/deliveries/" + id.String() + "/replay"}); err != nil {
		return err
	}
	return v.Redirect(http.StatusSeeOther, "/deliveries/"+id.String()+"?done=again")
}
