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
	limit       int // of what write counts; 0 is none
	// write gives the body of some lines, and how much of the limit it takes.
	write func(e *Event, lines []string, at links) (body []byte, size int)
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
// has been seen to be refused.
var forms = map[string]form{
	FormText:     {contentType: "text/plain; charset=utf-8", limit: 4096, write: writeText},
	FormEntities: {contentType: "application/json", limit: 40_000, write: writeEntities, hook: true, answersOK: true},
	FormMarkdown: {contentType: "application/json", limit: 16_383, write: writeMarkdown, hook: true, answersOK: true},
	FormContent:  {contentType: "application/json", limit: 2000, write: writeContent, hook: true, query: "wait=true"},
	FormCard:     {contentType: "application/json", limit: 18_000, write: writeCard, hook: true},
	FormPlain:    {contentType: "application/json", limit: 32_000, write: writePlain, hook: true},
	FormHTML:     {contentType: "application/json", limit: 32_000, write: writeHTML, hook: true},
	FormMail:     {contentType: "message/rfc822", limit: mailTextLimit, write: writeMail},
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
	lines, link := e.lines(), cmp.Or(e.Links.Pour, e.Links.Alert)
	if name == FormText && template != "" {
		if text, err := fillTemplate(template, FieldsOf(e)); err == nil {
			body, _ = f.fit(e, strings.Split(text, "\n"), "", links{})
			return f.contentType, body, nil
		}
	}
	for i := range lines {
		lines[i] = printable(lines[i])
	}
	body, _ = f.fit(e, lines, e.tag(), links{link, e.Links.Acknowledge})
	return f.contentType, body, nil
}

// tag tells people a repeat from news.
func (e *Event) tag() string {
	switch {
	case e.Group != nil:
		return e.tagOfGroup()
	case e.Alert.ID == uuid.Nil: // a call, a digest, or about an endpoint
		return fmt.Sprintf("Message %.8s", e.ID)
	}
	return fmt.Sprintf("Alert %.8s, message %d.%d", e.Alert.ID, e.Alert.Episode, e.Alert.Transition)
}

// fit writes as many lines as the limit allows, whole ones from the top, the
// next cut between two characters as people see them, then how many more there
// were, the tag and the link.
func (f form) fit(e *Event, lines []string, tag string, at links) (body []byte, size int) {
	try := func(whole int, cut string) ([]byte, int) {
		said := slices.Clone(lines[:whole])
		left := len(lines) - whole
		if cut != "" {
			said, left = append(said, cut+"…"), left-1
		}
		switch {
		case left == 1:
			said = append(said, "1 more line left out.")
		case left > 1:
			said = append(said, fmt.Sprintf("%d more lines left out.", left))
		}
		if tag != "" {
			said = append(said, tag)
		}
		return f.write(e, said, at)
	}
	body, size = try(len(lines), "")
	if size <= f.limit {
		return body, size
	}
	fits := func(whole int, cut string) bool {
		_, size := try(whole, cut)
		return size <= f.limit
	}
	whole := len(lines) - 1
	for whole > 0 && !fits(whole, "") {
		whole--
	}
	ends := boundaries(lines[whole])
	n := sort.Search(len(ends), func(i int) bool { return !fits(whole, lines[whole][:ends[i]]) })
	if n == 0 {
		return try(whole, "")
	}
	return try(whole, lines[whole][:ends[n-1]])
}

// boundaries are the ends of the characters of a text as people see them.
func boundaries(text string) []int {
	var ends []int
	for g := uniseg.NewGraphemes(text); g.Next(); {
		_, end := g.Positions()
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

func eachLine(lines []string, change func(string) string) []string {
	changed := make([]string, len(lines))
	for i, line := range lines {
		changed[i] = change(line)
	}
	return changed
}

// links are addresses at the foot of a message; empty are none.
type links struct{ open, acknowledge string }

// text joins lines, and the links when there are any, each on a line of its own.
func text(lines []string, at links) string {
	lines = slices.Clone(lines)
	if at.open != "" {
		lines = append(lines, at.open)
	}
	if at.acknowledge != "" {
		lines = append(lines, "Acknowledge: "+at.acknowledge)
	}
	return strings.Join(lines, "\n")
}

// object is the JSON of what can't fail to be written.
func object(v any) []byte {
	body, err := json.Marshal(v)
	if err != nil {
		panic(err) // strings and maps of them alone
	}
	return body
}

func writeText(_ *Event, lines []string, at links) ([]byte, int) {
	body := []byte(text(lines, at))
	return body, len(body)
}

// entities are the three characters that form has a meaning for; without them
// there is no mention, such as <!channel>, and no link under another text.
var entities = strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;")

func writeEntities(_ *Event, lines []string, at links) ([]byte, int) {
	said := entities.Replace(text(lines, at))
	return object(map[string]string{"text": said}), utf8.RuneCountInString(said)
}

// apart stands between two characters that must not be read together. It takes
// no room.
const apart = "\u200b"

// markdown takes the meaning from what markdown and mentions are made of.
var markdown = strings.NewReplacer(
	`\`, `\\`, "*", `\*`, "_", `\_`, "~", `\~`, "`", "\\`", "|", `\|`, "#", `\#`, ">", `\>`,
	"[", `\[`, "]", `\]`, "<", `\<`, "@", "@"+apart,
)

func writeMarkdown(_ *Event, lines []string, at links) ([]byte, int) {
	said := text(eachLine(lines, markdown.Replace), at)
	return object(map[string]string{"text": said}), utf8.RuneCountInString(said)
}

// writeContent counts UTF-16 units, at least as many as characters.
func writeContent(_ *Event, lines []string, at links) ([]byte, int) {
	said := text(eachLine(lines, markdown.Replace), at)
	return object(map[string]any{"content": said, "allowed_mentions": map[string][]string{"parse": {}}}), len(utf16.Encode([]rune(said)))
}

// bare keeps a text from being read as a link under another text or a mention.
var bare = strings.NewReplacer("](", "]"+apart+"(", "<", "<"+apart, "@", "@"+apart)

func writeCard(_ *Event, lines []string, at links) ([]byte, int) {
	type block map[string]any
	var blocks []block
	for i, line := range lines {
		b := block{"type": "TextBlock", "wrap": true, "text": bare.Replace(line)}
		if i == 0 {
			b["weight"] = "Bolder"
		}
		blocks = append(blocks, b)
	}
	card := block{"type": "AdaptiveCard", "version": "1.2", "body": blocks}
	var actions []block
	if at.open != "" {
		actions = append(actions, block{"type": "Action.OpenUrl", "title": "Open", "url": at.open})
	}
	if at.acknowledge != "" {
		actions = append(actions, block{"type": "Action.OpenUrl", "title": "Acknowledge", "url": at.acknowledge})
	}
	if actions != nil {
		card["actions"] = actions
	}
	body := object(block{"type": "message", "attachments": []block{{"contentType": "application/vnd.microsoft.card.adaptive", "content": card}}})
	return body, len(body)
}

func writePlain(_ *Event, lines []string, at links) ([]byte, int) {
	body := object(map[string]string{"text": text(eachLine(lines, bare.Replace), at)})
	return body, len(body)
}

func writeHTML(_ *Event, lines []string, at links) ([]byte, int) {
	lines = eachLine(lines, bare.Replace)
	marked := strings.Join(eachLine(lines, html.EscapeString), "<br>")
	if at.open != "" {
		address := html.EscapeString(at.open)
		marked += `<br><a href="` + address + `">` + address + "</a>"
	}
	if at.acknowledge != "" {
		marked += `<br><a href="` + html.EscapeString(at.acknowledge) + `">Acknowledge</a>`
	}
	body := object(map[string]string{"text": text(lines, at), "html": marked})
	return body, len(body)
}

// writeMail counts the text, which stands in it twice.
func writeMail(e *Event, lines []string, at links) ([]byte, int) {
	body, err := e.mailBytes(lines, at)
	if err != nil {
		panic(err) // into memory alone
	}
	return body, len(text(lines, at))
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
