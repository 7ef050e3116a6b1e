package alert_test

import (
	"encoding/json"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"frostgate/rules"
	"frostgate/scheduler/alert"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
)

// shapes are all kinds of messages, with a name and a text from people in them.
func shapes(name, text string) map[string]*alert.Event {
	one := alert.Sample()
	one.Pour.Name, one.Pour.Site, one.Finding.Sentence = name, name, text
	one.Compose()
	at := time.Date(2027, 1, 14, 17, 0, 0, 0, time.UTC)
	link := "https://frostgate.example/alerts"
	group := alert.Grouped(uuid.Max, at, []*alert.Event{one, one, alert.Sample()}, nil, link)
	links := alert.Grouped(uuid.Max, at, []*alert.Event{one, alert.Sample()}, nil, link)
	for i := range links.Group.Items {
		links.Group.Items[i].Acknowledge = "https://frostgate.example/a/AAAA_-"
	}
	call := &alert.Event{
		Type: alert.CallBase, ID: uuid.Max, At: at, Pour: one.Pour, Call: &alert.EventCall{Severity: alert.Warning, Said: []string{text, name}},
		Links: one.Links,
	}
	call.Compose()
	digest := &alert.Event{Type: alert.EventDigestType, ID: uuid.Max, At: at, Links: alert.EventLinks{Alert: link}, Digest: alert.NewDigest(at, rules.UnitsUS,
		[]alert.EventDigestPour{{EventPour: *one.Pour, Verdict: rules.Move, Reason: text}, {EventPour: *one.Pour}})}
	digest.Compose()
	test := &alert.Event{Type: alert.EventDisabled, ID: uuid.Max, At: at, Text: name + ": " + text}
	acknowledge := *one
	acknowledge.Links.Acknowledge = "https://frostgate.example/a/AAAA_-"
	return map[string]*alert.Event{"alert": one, "group": group, "call": call, "digest": digest, "endpoint": test, "with link": &acknowledge, "group with links": links}
}

// Any event makes a body that its receiver can read and takes: text, or JSON with nothing after it, within the limit, and
// in HTML no element but ours.
func FuzzForms(f *testing.F) {
	f.Add("Bay 3", "The base will be frozen.")
	f.Add("<!channel> @everyone [x](javascript:alert(1))", strings.Repeat("👨‍👩‍👧‍👦&<>\"'", 500))
	f.Add("a\r\n\x00\u202e\u2028\xff", strings.Repeat("\\_*`", 2_000))
	f.Add("</a><script>", "{{.Link}}")
	ours := strings.NewReplacer(
		"<br>", "", `<a href="https://frostgate.example/pours/1">`, "", `<a href="https://frostgate.example/alerts">`, "",
		`<a href="https://frostgate.example/a/AAAA_-">`, "", "</a>", "",
	)
	f.Fuzz(func(t *testing.T, name, text string) {
		for shape, e := range shapes(name, text) {
			for _, form := range alert.Forms() {
				_, body, err := alert.Write(e, form, "")
				require.NoError(t, err, "%s as %s", shape, form)
				require.True(t, utf8.Valid(body), "%s as %s", shape, form)
				if size, limited := sizes[form]; limited {
					require.LessOrEqual(t, size.of(string(body)), size.limit, "%s as %s", shape, form)
				}
				if form == alert.FormMail {
					requireMail(t, body)
					continue
				}
				if form == alert.FormText {
					require.NotContains(t, string(body), "\x00")
					continue
				}
				var members map[string]any
				require.NoError(t, json.Unmarshal(body, &members), "%s as %s", shape, form)
				switch form {
				case alert.FormEntities:
					require.NotContains(t, members["text"], "<")
				case alert.FormHTML:
					require.NotContains(t, ours.Replace(members["html"].(string)), "<", shape)
				case alert.FormContent:
					require.Equal(t, map[string]any{"parse": []any{}}, members["allowed_mentions"])
				}
			}
		}
	})
}
