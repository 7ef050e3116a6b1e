package alert_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"html"
	"io"
	"maps"
	"mime"
	"mime/multipart"
	"mime/quotedprintable"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf16"
	"unicode/utf8"

	"frostgate/rules"
	"frostgate/scheduler/alert"

	"github.com/google/uuid"
	"github.com/rivo/uniseg"
	"github.com/stretchr/testify/require"
)

// sizes are what the receivers count, by their documentation.
var sizes = map[string]struct {
	limit int
	of    func(body string) int
}{
	alert.FormText:     {4096, func(b string) int { return len(b) }},
	alert.FormEntities: {40_000, func(b string) int { return utf8.RuneCountInString(member(b, "text")) }},
	alert.FormMarkdown: {16_383, func(b string) int { return utf8.RuneCountInString(member(b, "text")) }},
	alert.FormContent:  {2000, func(b string) int { return len(utf16.Encode([]rune(member(b, "content")))) }},
	alert.FormCard:     {18_000, func(b string) int { return len(b) }},
	alert.FormPlain:    {32_000, func(b string) int { return len(b) }},
	alert.FormHTML:     {32_000, func(b string) int { return len(b) }},
	alert.FormMail:     {100_000, func(b string) int { return len(readMail(b).text) }},
}

func member(body, name string) string {
	var m map[string]any
	if err := json.Unmarshal([]byte(body), &m); err != nil {
		return strings.Repeat("not JSON", 10_000)
	}
	return m[name].(string)
}

// A letter is a mail as a mail program shows it.
type letter struct{ subject, text, html string }

// readMail reads a mail by the standard library's parsers.
func readMail(body string) (l letter) {
	head, rest, _ := strings.Cut(body, "\r\n\r\n")
	head = strings.ReplaceAll(head, "\r\n ", " ")
	for line := range strings.SplitSeq(head, "\r\n") {
		switch name, value, _ := strings.Cut(line, ": "); name {
		case "Subject":
			l.subject, _ = new(mime.WordDecoder).DecodeHeader(value)
		case "Content-Type":
			_, params, _ := mime.ParseMediaType(value)
			parts := multipart.NewReader(strings.NewReader(rest), params["boundary"])
			l.text, l.html = nextPart(parts), nextPart(parts)
		}
	}
	return l
}

func nextPart(r *multipart.Reader) string {
	p, err := r.NextRawPart()
	if err != nil {
		return strings.Repeat("no part", 20_000)
	}
	said, err := io.ReadAll(quotedprintable.NewReader(p))
	if err != nil {
		return strings.Repeat("not quoted-printable", 10_000)
	}
	return strings.ReplaceAll(string(said), "\r\n", "\n")
}

// long are all kinds of messages with a text of some length in their middle, where
// it comes from in the program.
var long = map[string]func(text string) *alert.Event{
	"alert": withFinding,
	"call": func(text string) *alert.Event {
		e := alert.Sample()
		until := e.Pour.Starts.At.Add(-10 * time.Hour)
		course := alert.Course{StartsAt: e.Pour.Starts.At, CancelBy: &until, Zone: time.UTC, Assessment: &rules.Assessment{
			Verdict: rules.Protect, Headline: text, Batch: &rules.Batch{OrderM3: 8, PlacedTempC: 13},
			Protection: &rules.ProtectionPlan{Layers: 2, RM2KW: 1.4, DoubleEdges: true},
		}}
		call := &alert.Event{
			Type: alert.CallAfternoon, ID: uuid.Max, At: e.At, Reason: alert.ReasonClock, Pour: e.Pour, Links: alert.EventLinks{Pour: e.Links.Pour},
			Call: &alert.EventCall{Severity: alert.Warning, Said: course.Words(alert.CallAfternoon, rules.UnitsUS)},
		}
		call.Compose()
		return call
	},
	"digest": func(text string) *alert.Event {
		sample := alert.Sample()
		pour := func(name, reason string, v rules.Verdict) alert.EventDigestPour {
			p := alert.EventDigestPour{EventPour: *sample.Pour, Verdict: v, Reason: reason}
			p.Name = name
			return p
		}
		e := &alert.Event{
			Type: alert.EventDigestType, ID: uuid.Max, At: sample.At, Reason: alert.ReasonClock,
			Links: alert.EventLinks{Alert: "https://frostgate.example"},
			Digest: alert.NewDigest(sample.Pour.Starts.At, rules.UnitsSI, []alert.EventDigestPour{
				pour("Footing", "", rules.Place), pour("Slab", text, rules.Move), pour("Wall", "It freezes before it is strong", rules.Protect),
			}),
		}
		e.Compose()
		return e
	},
	"grouped": func(text string) *alert.Event {
		last := alert.Sample()
		last.Pour.Name = "Footing"
		covers := make([]alert.EventCover, 3)
		return alert.Grouped(uuid.Max, last.At, []*alert.Event{alert.Sample(), withFinding(text), last}, covers, "https://frostgate.example/alerts")
	},
}

// filler is a text that takes some of the room of a form, exactly: a letter takes
// what each does, an apostrophe 11 where it is escaped in HTML and in JSON.
func filler(room, each int) string {
	text := ""
	if room%each != 0 {
		text, room = "'", room-11
	}
	return text + strings.Repeat("x", room/each)
}

// atLimit is an event that takes so much more than the limit in a form.
func atLimit(t *testing.T, build func(string) *alert.Event, form string, over int) *alert.Event {
	t.Helper()
	size := sizes[form]
	_, ten := write(t, build(strings.Repeat("x", 10)), form)
	_, twenty := write(t, build(strings.Repeat("x", 20)), form)
	each := (size.of(twenty) - size.of(ten)) / 10
	return build(filler(size.limit+over-size.of(ten)+10*each, each))
}

// asRead is what people read of a body, a line each, by the receivers' rules of
// what its marks mean.
func asRead(t *testing.T, form, body string) []string {
	t.Helper()
	unmark := strings.NewReplacer("\u200b", "", `\\`, `\`, `\*`, "*", `\_`, "_", `\~`, "~", "\\`", "`", `\|`, "|", `\#`, "#", `\>`, ">", `\[`, "[", `\]`, "]", `\<`, "<")
	said := body
	switch form {
	case alert.FormEntities:
		said = html.UnescapeString(member(body, "text"))
	case alert.FormMarkdown:
		said = unmark.Replace(member(body, "text"))
	case alert.FormContent:
		said = unmark.Replace(member(body, "content"))
	case alert.FormPlain:
		said = strings.ReplaceAll(member(body, "text"), "\u200b", "")
	case alert.FormHTML:
		said = strings.ReplaceAll(member(body, "text"), "\u200b", "")
		marked := strings.ReplaceAll(member(body, "html"), "<br>", "\n")
		marked = regexp.MustCompile(`<a href="([^"]*)">Acknowledge</a>`).ReplaceAllString(marked, "Acknowledge: $1")
		marked = regexp.MustCompile(`<[^<>]*>`).ReplaceAllString(marked, "")
		require.Equal(t, said, strings.ReplaceAll(html.UnescapeString(marked), "\u200b", ""), "both parts say the same")
	case alert.FormMail:
		said = readMail(body).text
	case alert.FormCard:
		return cardLines(t, body)
	}
	return strings.Split(said, "\n")
}

func cardLines(t *testing.T, body string) (lines []string) {
	t.Helper()
	var card struct {
		Attachments []struct {
			Content struct {
				Body []struct {
					Text    string
					Actions []struct{ Title, URL string }
				}
				Actions []struct{ URL string }
			}
		}
	}
	require.NoError(t, json.Unmarshal([]byte(body), &card))
	content := card.Attachments[0].Content
	for _, b := range content.Body {
		for _, a := range b.Actions {
			lines = append(lines, a.Title+": "+a.URL)
		}
		if b.Text == "" {
			continue
		}
		lines = append(lines, strings.ReplaceAll(b.Text, "\u200b", ""))
	}
	for _, a := range content.Actions {
		lines = append(lines, a.URL)
	}
	return lines
}

// At one under the limit of a form and at the limit a message is whole; at one
// over it the last line is cut, as little as there has to be.
func TestEveryMessageAtTheLimits(t *testing.T) {
	t.Parallel()
	for form, size := range sizes {
		for kind, build := range long {
			t.Run(form+"/"+kind, func(t *testing.T) {
				_, whole := write(t, build("short"), form)
				count := len(asRead(t, form, whole))
				for _, over := range []int{-1, 0} {
					_, body := write(t, atLimit(t, build, form, over), form)
					require.Equal(t, size.limit+over, size.of(body))
					require.NotContains(t, strings.Join(asRead(t, form, body), "\n"), "…")
					require.Len(t, asRead(t, form, body), count)
				}
				event := atLimit(t, build, form, 1)
				_, body := write(t, event, form)
				require.LessOrEqual(t, size.of(body), size.limit)
				require.Greater(t, size.of(body), size.limit-4, "no more is cut than one character and room for the mark that says so")
				lines, all := asRead(t, form, body), linesOf(event)
				require.Len(t, lines, count)
				last := len(all) - 1
				require.Equal(t, all[:last], lines[:last], "all but the last are whole")
				kept, cut := strings.CutSuffix(lines[last], "…")
				require.True(t, cut)
				require.True(t, strings.HasPrefix(all[last], kept))
			})
		}
	}
}

// Of a message that tells several matters each can be acknowledged by a link of
// its own, while there is room: one over the limit costs the last link, not a word;
// what is longer than all links is cut like any.
func TestLinksOfMattersAtTheLimits(t *testing.T) {
	t.Parallel()
	for form, size := range sizes {
		for over, links := range map[int]int{-1: 3, 0: 3, 1: 2} {
			event := atLimit(t, linked, form, over)
			_, body := write(t, event, form)
			require.LessOrEqual(t, size.of(body), size.limit, form)
			lines := asRead(t, form, body)
			want := []string{"3 items in one message."}
			for i, item := range event.Group.Items {
				want = append(want, item.Text)
				if i < links {
					want = append(want, "Acknowledge: "+item.Acknowledge)
				}
			}
			require.Equal(t, want, lines[:len(want)], "%s, %+d", form, over)
			require.Len(t, lines, len(want)+2, "the tag and the link to all")
		}
		_, body := write(t, atLimit(t, linked, form, 3*size.limit), form)
		lines := asRead(t, form, body)
		require.NotContains(t, strings.Join(lines, "\n"), "Acknowledge")
		require.Equal(t, "1 more line left out.", lines[3])
	}
	// Of chats the shortest has room for the links of a night's matters.
	e := linked("It freezes on Wed 5:30 a.m., before the concrete has 500 psi (on Thu 9:00 a.m.), 3 hours at 24 °F or colder")
	e.Group.Items = append(e.Group.Items, e.Group.Items[:2]...)
	_, body := write(t, e, alert.FormContent)
	require.Equal(t, 5, strings.Count(body, "Acknowledge: "))
}

// linked is a message of three matters with a link each, as they are.
func linked(text string) *alert.Event {
	e := long["grouped"](text)
	for i := range e.Group.Items {
		link := alert.AckLink{AlertID: e.Group.Items[i].Alert.ID, EndpointID: uuid.Max, Episode: i + 1, Expires: e.At}
		e.Group.Items[i].Acknowledge = "https://frostgate.example/a/" + link.Token([]byte("a key"))
	}
	return e
}

// linesOf are the lines of an event, as the form without limits has them.
func linesOf(e *alert.Event) []string {
	_, body, err := alert.Write(e, alert.FormMail, "")
	if err != nil {
		panic(err)
	}
	lines := strings.Split(readMail(string(body)).text, "\n")
	return lines[:len(lines)-2] // without tag and link
}

// A family of four, a flag and a letter with its accent are one character each to
// people (Unicode TR 29), of up to 25 bytes; four-byte letters are one each; the
// others are escaped. A cut falls between two of them in every kind of message.
func TestCutsFallBetweenCharacters(t *testing.T) {
	t.Parallel()
	kinds, names := slices.Sorted(maps.Keys(long)), slices.Sorted(maps.Keys(sizes))
	for i, char := range []string{"👨‍👩‍👧‍👦", "🇨🇦", "e\u0301", "𝔽", "❄️", "&", "<", `"`, "'", "*", "_", `\`, "`", "@"} {
		require.Equal(t, 1, uniseg.GraphemeClusterCount(char))
		for j, form := range names { // by turns: each character in each form, each form with each kind
			kind, limit := kinds[(i+j)%len(kinds)], sizes[form].limit
			full := strings.Repeat(char, limit/utf8.RuneCountInString(char)+1)
			_, body := write(t, long[kind](full), form)
			require.LessOrEqual(t, sizes[form].of(body), limit)
			require.True(t, utf8.ValidString(body))
			lines := asRead(t, form, body)
			at := slices.IndexFunc(lines, func(l string) bool { return strings.HasSuffix(l, "…") })
			require.Positive(t, at, "%s as %s", kind, form)
			_, kept, found := strings.Cut(strings.TrimSuffix(lines[at], "…"), char)
			require.True(t, found)
			require.Empty(t, strings.ReplaceAll(kept, char, ""), "%s as %s", kind, form)
			require.Regexp(t, `^\d+ more lines? left out\.$`, lines[at+1])
		}
	}
}

// What programs read has no limit, and is whole.
func TestEventsForProgramsAreNotCut(t *testing.T) {
	t.Parallel()
	text := strings.Repeat("x", 200_000)
	for kind, build := range long {
		for _, form := range []string{alert.FormStandard, alert.FormCloud} {
			_, body := write(t, build(text), form)
			require.True(t, json.Valid([]byte(body)))
			require.Contains(t, body, text, kind)
		}
	}
}

// What a mail program lists is cut between two characters as people see them, at
// 150. A line of a mail has 998 bytes at most (RFC 5322, 2.1.1), an encoded word 75
// (RFC 2047, 2).
func TestSubjectAtItsLimit(t *testing.T) {
	t.Parallel()
	const tail = " at Mill Road, start Fri Jan 15, 13:00."
	for _, char := range []string{"x", "é", "𝔽", "👨‍👩‍👧‍👦", "e\u0301", "="} {
		for over, cut := range map[int]bool{-1: false, 0: false, 1: true} {
			e := alert.Sample()
			e.Pour.Name = strings.Repeat(char, 150+over-len("Move: "+tail))
			e.Compose()
			_, body := write(t, e, alert.FormMail)
			requireMail(t, []byte(body))
			for line := range strings.SplitSeq(body[:strings.Index(body, "Date:")], "\r\n") {
				require.True(t, !strings.Contains(line, "=?") || len(strings.TrimPrefix(strings.TrimSpace(line), "Subject: ")) <= 75, line)
			}
			want := "Move: " + e.Pour.Name + tail
			if cut {
				want = strings.TrimSuffix(want, "0.") + "…"
			}
			require.Equal(t, want, readMail(body).subject)
			require.Equal(t, min(150, 150+over), uniseg.GraphemeClusterCount(readMail(body).subject))
		}
	}
}

// squeezed is a body with the fillers of tests made short.
func squeezed(form, body string) string {
	if form == alert.FormMail {
		l := readMail(body)
		body = "Subject: " + l.subject + "\n\n" + l.text + "\n\n" + l.html
	}
	return regexp.MustCompile(`x{21,}`).ReplaceAllStringFunc(body, func(run string) string { return fmt.Sprintf("xxx(%d)", len(run)) })
}

// TestGoldenMessages holds every kind of message in every form at its limits; read
// it when it changes. UPDATE_GOLDEN=1 writes it anew.
func TestGoldenMessages(t *testing.T) {
	kinds := maps.Clone(long)
	kinds["linked"] = linked
	for kind, build := range kinds {
		var out bytes.Buffer
		for _, form := range alert.Forms() {
			size, limited := sizes[form]
			if !limited {
				_, body := write(t, build("It is short."), form)
				fmt.Fprintf(&out, "== %s\n%s\n\n", form, body)
				continue
			}
			for _, over := range []int{-1, 0, 1, size.limit} {
				_, body := write(t, atLimit(t, build, form, over), form)
				fmt.Fprintf(&out, "== %s, %+d to its limit of %d: takes %d\n%s\n\n", form, over, size.limit, size.of(body), squeezed(form, body))
			}
		}
		file := filepath.Join("testdata", "limits_"+kind+".txt")
		if os.Getenv("UPDATE_GOLDEN") != "" {
			require.NoError(t, os.MkdirAll("testdata", 0o750))
			require.NoError(t, os.WriteFile(file, out.Bytes(), 0o600))
		}
		want, err := os.ReadFile(file)
		require.NoError(t, err)
		require.Equal(t, string(want), out.String())
	}
}
