package alert_test

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"

	"frostgate/scheduler/alert"

	"github.com/stretchr/testify/require"
)

func write(t *testing.T, e *alert.Event, form string) (contentType, body string) {
	t.Helper()
	contentType, bytes, err := alert.Write(e, form, "")
	require.NoError(t, err)
	return contentType, string(bytes)
}

// The bodies are the smallest documented ones of incoming webhooks; the lines in
// them come from a sample event.
func TestForms(t *testing.T) {
	const said = "Move: Loading dock slab at Mill Road, start Fri Jan 15, 13:00.|The base will be frozen at the start.|" +
		"Thaw it under heated blankets for 2 days, or move.|Next good start: Mon Jan 18, 16:00.|" +
		"The order can be cancelled until Thu Jan 14, 21:00.|Alert 00000002, message 1.1"
	const link = "https://frostgate.example/pours/1"
	lines := strings.Join(strings.Split(said, "|"), `\n`)
	cards := strings.ReplaceAll(said, "|", `","type":"TextBlock","wrap":true},{"text":"`)
	for form, want := range map[string][2]string{
		alert.FormText:     {"text/plain; charset=utf-8", strings.ReplaceAll(said, "|", "\n") + "\n" + link},
		alert.FormEntities: {"application/json", `{"text":"` + lines + `\n` + link + `"}`},
		alert.FormMarkdown: {"application/json", `{"text":"` + lines + `\n` + link + `"}`},
		alert.FormPlain:    {"application/json", `{"text":"` + lines + `\n` + link + `"}`},
		alert.FormContent:  {"application/json", `{"allowed_mentions":{"parse":[]},"content":"` + lines + `\n` + link + `"}`},
		alert.FormHTML: {
			"application/json", `{"html":"` + strings.ReplaceAll(said, "|", `\u003cbr\u003e`) + `\u003cbr\u003e\u003ca href=\"` + link + `\"\u003e` +
				link + `\u003c/a\u003e","text":"` + lines + `\n` + link + `"}`,
		},
		alert.FormCard: {
			"application/json", `{"attachments":[{"content":{"actions":[{"title":"Open","type":"Action.OpenUrl","url":"` + link + `"}],"body":[{"text":"` +
				strings.Replace(cards, `"type":"TextBlock","wrap":true`, `"type":"TextBlock","weight":"Bolder","wrap":true`, 1) +
				`","type":"TextBlock","wrap":true}],"type":"AdaptiveCard","version":"1.2"},"contentType":"application/vnd.microsoft.card.adaptive"}],"type":"message"}`,
		},
	} {
		t.Run(form, func(t *testing.T) {
			contentType, body := write(t, alert.Sample(), form)
			require.Equal(t, want[0], contentType)
			require.Equal(t, want[1], body)
		})
	}
	_, _, err := alert.Write(alert.Sample(), "fax", "")
	require.ErrorContains(t, err, `no form "fax"`)
	require.Len(t, alert.Forms(), 10)
}

// withFinding is the sample with a long finding, which comes second.
func withFinding(sentence string) *alert.Event {
	e := alert.Sample()
	e.Finding.Sentence = sentence + "."
	e.Compose()
	return e
}

// What people write into names can't call anybody or lead elsewhere. The marks
// are those the receivers document for mentions and links.
func TestFormsTakeNoOrders(t *testing.T) {
	names := []string{
		"<!channel>", "<!here>", "<@U024BE7LH>", "<users/all>", "<https://evil.example|Open>", "@everyone", "@here", "@channel", "@all", "@room",
		"<@&123>", "[Open](https://evil.example)", "[x](javascript:alert(1))", "![i](https://evil.example/p.png)", "<at>All</at>",
		"<script>alert(1)</script>", "<img src=x>", "a\r\n# Move it", "\u202egnihtyreve", "{{.Link}}", "`code`", "||spoiler||",
	}
	for _, name := range names {
		e := alert.Sample()
		e.Pour.Name = name
		e.Compose()
		for form := range sizes {
			_, body := write(t, e, form)
			require.NotContains(t, body, "\u202e", form)
			switch form {
			case alert.FormEntities:
				require.NotContains(t, member(body, "text"), "<")
			case alert.FormHTML:
				got := strings.NewReplacer("<br>", "", `<a href="`, "", "</a>", "").Replace(member(body, "html"))
				require.NotContains(t, got, "<")
				require.NotContains(t, member(body, "text"), "@room")
			case alert.FormText:
				require.NotContains(t, body, "\n# Move")
			case alert.FormMail:
				require.NotContains(t, readMail(body).text, "\n# Move")
				got := strings.NewReplacer("<!doctype html><html><body><p>", "", "</p></body></html>", "", "<br>", "", `<a href="https://frostgate.example/pours/1">Open</a>`, "").Replace(readMail(body).html)
				require.NotContains(t, got, "<")
			default:
				for _, live := range []string{"](http", "](java", "@everyone", "@here", "@channel", "@all", "@room", "@U024", "@&123", "\n# Move"} {
					var all any
					require.NoError(t, json.Unmarshal([]byte(body), &all))
					require.NotContains(t, strings.ReplaceAll(fmt.Sprint(all), `\]`, "escaped"), live, form)
				}
				require.NotContains(t, strings.ReplaceAll(body, `\\\u003c`, ""), `\u003cusers`, form)
			}
		}
	}
	_, body := write(t, alert.Sample(), alert.FormContent)
	require.Contains(t, body, `"allowed_mentions":{"parse":[]}`)
}

func TestOwnTemplate(t *testing.T) {
	const good = "{{.Severity}}: {{.Pour}} {{if .Source}}{{.Source}}{{else}}{{.Start}}{{end}}\n{{with .Remedy}}{{.}}{{end}}"
	require.NoError(t, alert.CheckTemplate(good))
	_, body, err := alert.Write(alert.Sample(), alert.FormText, good)
	require.NoError(t, err)
	require.Equal(t, "critical: Loading dock slab Fri Jan 15, 13:00\nThaw it under heated blankets for 2 days, or move", string(body))

	for name, bad := range map[string]string{
		"empty": "", "spaces": " \n ", "not closed": "{{.Pour", "unknown field": "{{.Secret}}", "not a field": "x{{.Pour.Name}}",
		"loop": "{{range 1000000000}}{{end}}x", "of itself": `{{template "message"}}`, "defines": `{{define "a"}}{{template "a"}}{{end}}x`,
		"much of little": `{{printf "%100000000d" 1}}`, "too long": strings.Repeat("x", alert.LongestTemplate+1), "nothing for a source": "{{.Pour}}",
		"hidden loop": "x{{if .Pour}}{{with .Site}}{{range 9}}{{end}}{{end}}{{end}}", "unknown function": "{{exec `ls`}}", "block": `{{block "a" .}}x{{end}}`,
	} {
		require.Error(t, alert.CheckTemplate(bad), name)
	}
	// A message is not lost to a template.
	_, body, err = alert.Write(alert.Sample(), alert.FormText, "{{.Nothing}}")
	require.NoError(t, err)
	require.Contains(t, string(body), "Move: Loading dock slab")
	long := strings.Repeat("{{.Text}}", 300)
	require.NoError(t, alert.CheckTemplate(long))
	_, body, err = alert.Write(alert.Sample(), alert.FormText, long)
	require.NoError(t, err)
	require.LessOrEqual(t, len(body), 4096)
	require.True(t, slices.Contains(alert.Forms(), alert.FormText))
}
