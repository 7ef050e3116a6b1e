package alert

import (
	"cmp"
	"encoding/json"
	"fmt"
	"html"
	"maps"
	"slices"
	"sort"
	"strings"
	"time"
	"unicode"
	"unicode/utf16"
	"unicode/utf8"

	"github.com/google/uuid"
	"github.com/rivo/uniseg"
)

// The forms of messages, named by what goes over the wire. The chat forms are
// those of incoming webhooks.
const (
	FormStandard = "standard"      // the JSON of Event
	FormCloud    = "cloudevents"   // CloudEvents 1.0, structured, with Event as data
	FormText     = "text"          // plain text, by the firm's own template when there is one
	FormEntities = "chat_entities" // {"text"} with &amp; &lt; &gt;, answered by ok
	FormMarkdown = "chat_markdown" // {"text"} in markdown, answered by ok
	FormContent  = "chat_content"  // {"content"} in markdown, with allowed_mentions
	FormCard     = "chat_card"     // {"attachments"} with an adaptive card
	FormPlain    = "chat_text"     // {"text"} as it is
	FormHTML     = "chat_html"     // {"text", "html"}
)

// A form is how messages to a kind of receiver are written.
type form struct {
	contentType string
	limit       int // of what size counts
	// size is how much of the limit some lines take.
	size func(lines []line, at links) int
	body func(e *Event, lines []line, at links) []byte
	// answersOK is of receivers that answer 200 also when they took nothing; what
	// they took they answer with the word ok.
	answersOK bool
	// hook is of chat systems' incoming webhooks: each is made for one room, takes
	// one message at a time, and is not found any more when it was removed.
	hook bool
	// query is needed at the address for an answer that can be believed.
	query string
}

// Limits are those that the receivers document: characters, UTF-16 units or
// bytes. The card's is of bytes before the receiver expands it, well under what
// has been seen to be refused. Of a mail the text counts, which stands in it twice.
var forms = map[string]form{
	FormText:     {contentType: "text/plain; charset=utf-8", limit: 4096, size: bytesOf(textBody), body: textBody},
	FormEntities: {contentType: "application/json", limit: 40_000, size: charactersOf(inEntities), body: textMember(inEntities), hook: true, answersOK: true},
	FormMarkdown: {contentType: "application/json", limit: 16_383, size: charactersOf(inMarkdown), body: textMember(inMarkdown), hook: true, answersOK: true},
	FormContent:  {contentType: "application/json", limit: 2000, size: contentSize, body: contentBody, hook: true, query: "wait=true"},
	FormCard:     {contentType: "application/json", limit: 18_000, size: bytesOf(cardBody), body: cardBody, hook: true},
	FormPlain:    {contentType: "application/json", limit: 32_000, size: bytesOf(textMember(inBare)), body: textMember(inBare), hook: true},
	FormHTML:     {contentType: "application/json", limit: 32_000, size: bytesOf(htmlBody), body: htmlBody, hook: true},
	FormMail:     {contentType: "message/rfc822", limit: mailTextLimit, size: bytesOf(textBody), body: mailBody},
}

// Forms lists the names of all forms.
func Forms() []string {
	return slices.Sorted(maps.Keys(joined(forms, FormStandard, FormCloud)))
}

func joined(m map[string]form, more ...string) map[string]form {
	m = maps.Clone(m)
	for _, name := range more {
		m[name] = form{}
	}
	return m
}

// AtOnce is how many messages a receiver of a form is sent at the same time.
func AtOnce(name string) int {
	if forms[name].hook {
		return 1
	}
	return 4
}

// Write gives the bytes of an event in a form, and what they are. The event is
// composed and complete. A template is of the form text alone; one that fails is
// left out rather than the message.
func Write(e *Event, name, template string) (contentType string, body []byte, err error) {
	switch name {
	case FormStandard:
		body, err = e.Bytes()
		return "application/json", body, err
	case FormCloud:
		body, err = e.cloudBytes()
		return "application/cloudevents+json", body, err
	}
	f, ok := forms[name]
	if !ok {
		return "", nil, fmt.Errorf("write event %s: no form %q", e.ID, name)
	}
	if name == FormText && template != "" {
		if text, err := fillTemplate(template, FieldsOf(e)); err == nil {
			return f.contentType, f.fit(e, linesOf(strings.Split(text, "\n")), "", links{}), nil
		}
	}
	lines := linesOf(e.lines())
	for i := range lines {
		lines[i].text = printable(lines[i].text)
	}
	if e.Group != nil {
		e.Group.acknowledgeBy(lines)
	}
	return f.contentType, f.fit(e, lines, e.tag(), links{cmp.Or(e.Links.Pour, e.Links.Alert), e.Links.Acknowledge}), nil
}

// tag tells people a repeat from news.
func (e *Event) tag() string {
	if e.Alert.ID == uuid.Nil { // a call, a digest, several matters, or about an endpoint
		return "Message " + short(e.ID)
	}
	return fmt.Sprintf("Alert %s, message %d.%d", short(e.Alert.ID), e.Alert.Episode, e.Alert.Transition)
}

// short is what tells ids apart to people: their end, for they begin with the time.
func short(id uuid.UUID) string {
	text := id.String()
	return text[len(text)-8:]
}

// A line is one thought of a message, with the address by which what it tells can
// be acknowledged when there is one.
type line struct{ text, acknowledge string }

func linesOf(texts []string) []line {
	lines := make([]line, len(texts))
	for i, text := range texts {
		lines[i].text = text
	}
	return lines
}

// fit writes as many lines as the limit allows, whole ones from the top, the
// next cut between two characters as people see them, then how many more there
// were, the tag and the link. When all lines fit they get their links to acknowledge
// by, from the top, as far as there is room. What it takes grows with the length of
// the lines, and no faster.
func (f form) fit(e *Event, lines []line, tag string, at links) []byte {
	some := func(whole int, cut string) []line {
		said := linesWith(lines[:whole], 0)
		left := len(lines) - whole
		if cut != "" {
			said, left = append(said, line{text: cut + "…"}), left-1
		}
		switch {
		case left == 1:
			said = append(said, line{text: "1 more line left out."})
		case left > 1:
			said = append(said, line{text: fmt.Sprintf("%d more lines left out.", left)})
		}
		if tag != "" {
			said = append(said, line{text: tag})
		}
		return said
	}
	fits := func(whole int, cut string) bool { return f.size(some(whole, cut), at) <= f.limit }
	room := f.room(lines)
	if room == len(lines) && fits(room, "") {
		said := some(room, "")
		with := func(links int) []line { return append(linesWith(lines, links), said[room:]...) }
		n := sort.Search(len(lines), func(i int) bool { return f.size(with(i+1), at) > f.limit })
		return f.body(e, with(n), at)
	}
	room = min(room, len(lines)-1)
	whole := sort.Search(room, func(n int) bool { return !fits(n+1, "") })
	next := lines[whole].text
	ends := boundaries(next, f.limit)
	n := sort.Search(len(ends), func(i int) bool { return !fits(whole, next[:ends[i]]) })
	if n == 0 {
		return f.body(e, some(whole, ""), at)
	}
	return f.body(e, some(whole, next[:ends[n-1]]), at)
}

// linesWith is lines with the links of the first few of them.
func linesWith(lines []line, links int) []line {
	said := slices.Clone(lines)
	for i := links; i < len(said); i++ {
		said[i].acknowledge = ""
	}
	return said
}

// room is how many whole lines there may be room for: a character takes one of the
// limit at least, in whatever form.
func (f form) room(lines []line) int {
	taken := 0
	for i, l := range lines {
		if taken += utf8.RuneCountInString(l.text); taken > f.limit {
			return i
		}
	}
	return len(lines)
}

// boundaries are the ends of the characters of a text as people see them, as far as
// some runes.
func boundaries(text string, most int) []int {
	var ends []int
	end, state := 0, -1
	for rest := text; rest != "" && most > 0; {
		var seen string
		seen, rest, _, state = uniseg.FirstGraphemeClusterInString(rest, state)
		end, most = end+len(seen), most-utf8.RuneCountInString(seen)
		ends = append(ends, end)
	}
	return ends
}

// printable takes out what would break a line or turn its direction: names come
// from people.
func printable(line string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case unicode.IsControl(r), r == '\u2028', r == '\u2029':
			return ' '
		case r >= '\u202a' && r <= '\u202e', r >= '\u2066' && r <= '\u2069', r == '\u200e', r == '\u200f', r == '\ufeff':
			return -1
		}
		return r
	}, strings.ToValidUTF8(line, "�"))
}

// eachLine is lines with their texts changed.
func eachLine(lines []line, change func(string) string) []line {
	lines = slices.Clone(lines)
	for i := range lines {
		lines[i].text = change(lines[i].text)
	}
	return lines
}

// links are addresses at the foot of a message; empty are none.
type links struct{ open, acknowledge string }

// text joins lines, and the links when there are any, each on a line of its own.
func text(lines []line, at links) string {
	var said strings.Builder
	for i, l := range lines {
		if i > 0 {
			said.WriteByte('\n')
		}
		said.WriteString(l.text)
		if l.acknowledge != "" {
			said.WriteString("\nAcknowledge: " + l.acknowledge)
		}
	}
	if at.open != "" {
		said.WriteString("\n" + at.open)
	}
	if at.acknowledge != "" {
		said.WriteString("\nAcknowledge: " + at.acknowledge)
	}
	return said.String()
}

// object is the JSON of what can't fail to be written.
func object(v any) []byte {
	body, err := json.Marshal(v)
	if err != nil {
		panic(err) // strings and maps of them alone
	}
	return body
}

// bytesOf is the size of bodies that are counted in bytes.
func bytesOf(body func(*Event, []line, links) []byte) func([]line, links) int {
	return func(lines []line, at links) int { return len(body(nil, lines, at)) }
}

// charactersOf is the size of bodies whose text is counted in characters.
func charactersOf(said func([]line, links) string) func([]line, links) int {
	return func(lines []line, at links) int { return utf8.RuneCountInString(said(lines, at)) }
}

// textMember is the body of receivers that take a text alone.
func textMember(said func([]line, links) string) func(*Event, []line, links) []byte {
	return func(_ *Event, lines []line, at links) []byte {
		return object(map[string]string{"text": said(lines, at)})
	}
}

func textBody(_ *Event, lines []line, at links) []byte { return []byte(text(lines, at)) }

// entities are the three characters that form has a meaning for; without them
// there is no mention, such as <!channel>, and no link under another text.
var entities = strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;")

func inEntities(lines []line, at links) string { return entities.Replace(text(lines, at)) }

// apart stands between two characters that must not be read together. It takes
// no room.
const apart = "\u200b"

// markdown takes the meaning from what markdown and mentions are made of.
var markdown = strings.NewReplacer(
	`\`, `\\`, "*", `\*`, "_", `\_`, "~", `\~`, "`", "\\`", "|", `\|`, "#", `\#`, ">", `\>`,
	"[", `\[`, "]", `\]`, "<", `\<`, "@", "@"+apart,
)

func inMarkdown(lines []line, at links) string { return text(eachLine(lines, markdown.Replace), at) }

// contentSize is in UTF-16 units, at least as many as characters.
func contentSize(lines []line, at links) int {
	units := 0
	for _, r := range inMarkdown(lines, at) {
		units += utf16.RuneLen(r)
	}
	return units
}

func contentBody(_ *Event, lines []line, at links) []byte {
	return object(map[string]any{"content": inMarkdown(lines, at), "allowed_mentions": map[string][]string{"parse": {}}})
}

// bare keeps a text from being read as a link under another text or a mention.
var bare = strings.NewReplacer("](", "]"+apart+"(", "<", "<"+apart, "@", "@"+apart)

func inBare(lines []line, at links) string { return text(eachLine(lines, bare.Replace), at) }

// block is a piece of an adaptive card.
type block map[string]any

func cardBody(_ *Event, lines []line, at links) []byte {
	var blocks []block
	for i, l := range lines {
		b := block{"type": "TextBlock", "wrap": true, "text": bare.Replace(l.text)}
		if i == 0 {
			b["weight"] = "Bolder"
		}
		blocks = append(blocks, b)
		if l.acknowledge != "" {
			blocks = append(blocks, block{"type": "ActionSet", "actions": []block{opens("Acknowledge", l.acknowledge)}})
		}
	}
	card := block{"type": "AdaptiveCard", "version": "1.2", "body": blocks}
	var actions []block
	if at.open != "" {
		actions = append(actions, opens("Open", at.open))
	}
	if at.acknowledge != "" {
		actions = append(actions, opens("Acknowledge", at.acknowledge))
	}
	if actions != nil {
		card["actions"] = actions
	}
	return object(block{"type": "message", "attachments": []block{{"contentType": "application/vnd.microsoft.card.adaptive", "content": card}}})
}

// opens is a button that leads to an address.
func opens(title, address string) block {
	return block{"type": "Action.OpenUrl", "title": title, "url": address}
}

func htmlBody(_ *Event, lines []line, at links) []byte {
	lines = eachLine(lines, bare.Replace)
	return object(map[string]string{"text": text(lines, at), "html": marked(lines, at, at.open, "<br>")})
}

// marked is lines in HTML, and the links, the one to open under a title.
func marked(lines []line, at links, open, between string) string {
	var said []string
	for _, l := range lines {
		said = append(said, html.EscapeString(l.text))
		if l.acknowledge != "" {
			said = append(said, anchor("Acknowledge", l.acknowledge))
		}
	}
	if at.open != "" {
		said = append(said, anchor(open, at.open))
	}
	if at.acknowledge != "" {
		said = append(said, anchor("Acknowledge", at.acknowledge))
	}
	return strings.Join(said, between)
}

func anchor(title, address string) string {
	return `<a href="` + html.EscapeString(address) + `">` + html.EscapeString(title) + "</a>"
}

// cloudBytes is the structured form of CloudEvents 1.0.
func (e *Event) cloudBytes() ([]byte, error) {
	data, err := e.Bytes()
	if err != nil {
		return nil, err
	}
	body, err := json.Marshal(struct {
		Version string          `json:"specversion"`
		ID      string          `json:"id"`
		Source  string          `json:"source"`
		Type    string          `json:"type"`
		Subject string          `json:"subject,omitempty"`
		Time    time.Time       `json:"time"`
		Content string          `json:"datacontenttype"`
		Schema  string          `json:"dataschema,omitempty"`
		Data    json.RawMessage `json:"data"`
	}{"1.0", e.ID.String(), "/v1/alerts", e.Type, e.subject(), e.At.UTC(), "application/json", e.Links.Schema, data})
	if err != nil {
		return nil, fmt.Errorf("write event %s: %w", e.ID, err)
	}
	return body, nil
}

// subject is the id of what an event is about: its alert, else its pour; empty
// when it is about neither, or about several.
func (e *Event) subject() string {
	switch {
	case e.Alert.ID != uuid.Nil:
		return e.Alert.ID.String()
	case e.Pour != nil:
		return e.Pour.ID.String()
	}
	return ""
}
