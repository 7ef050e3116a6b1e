package board_test

import (
	"html"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"
	"unicode"
	"unicode/utf8"

	"frostgate/api/access"
	"frostgate/db"
	"frostgate/rules"

	ics "github.com/arran4/golang-ical"
	"github.com/stretchr/testify/require"
)

// property is one content line of RFC 5545, section 3.1.
type property struct{ params, value string }

// parse reads a calendar by the letter of RFC 5545: lines end in CRLF and have at most 75 octets (3.1), a line that
// begins with a space goes on the one before, BEGIN and END nest, and texts are escaped (3.3.11).
func parse(t *testing.T, text string) (calendar map[string]property, events []map[string]property) {
	t.Helper()
	require.True(t, strings.HasSuffix(text, "\r\n"))
	require.NotContains(t, strings.ReplaceAll(text, "\r\n", ""), "\n")
	require.NotContains(t, strings.ReplaceAll(text, "\r\n", ""), "\r")
	var lines []string
	for line := range strings.SplitSeq(strings.TrimSuffix(text, "\r\n"), "\r\n") {
		require.LessOrEqual(t, len(line), 75, line)
		require.True(t, utf8.ValidString(line), "folded within a character: %q", line)
		if rest, folded := strings.CutPrefix(line, " "); folded {
			lines[len(lines)-1] += rest
			continue
		}
		lines = append(lines, line)
	}
	require.Equal(t, "BEGIN:VCALENDAR", lines[0])
	require.Equal(t, "END:VCALENDAR", lines[len(lines)-1])
	calendar = map[string]property{}
	into := calendar
	for _, line := range lines[1 : len(lines)-1] {
		name, value, ok := strings.Cut(line, ":")
		require.True(t, ok, line)
		name, params, _ := strings.Cut(name, ";")
		require.Regexp(t, `^[A-Z0-9-]+$`, name)
		switch line {
		case "BEGIN:VEVENT":
			into = map[string]property{}
		case "END:VEVENT":
			events, into = append(events, into), calendar
		default:
			require.NotContains(t, into, name, "%s stands twice", name)
			into[name] = property{params, unescaped(value)}
		}
	}
	return calendar, events
}

func unescaped(value string) string {
	return strings.NewReplacer(`\\`, `\`, `\;`, ";", `\,`, ",", `\n`, "\n", `\N`, "\n").Replace(value)
}

// utc reads form 2 of RFC 5545, section 3.3.5.
func utc(t *testing.T, p property) time.Time {
	t.Helper()
	require.Empty(t, p.params)
	at, err := time.Parse("20060102T150405Z", p.value)
	require.NoError(t, err)
	return at
}

var feedAddress = regexp.MustCompile(`/calendar/(?:crew|plant)/[^"]+\.ics`)

func TestCalendarsAreICalendar(t *testing.T) {
	t.Parallel()
	w := newWorld(t, rules.UnitsUS).stock()
	long := w.pours["new"]
	w.tx(func(tx *db.Tx) (err error) {
		long.Name = strings.Repeat("Estrich, Größe; ä\\b ", 9) + "\nEND:VCALENDAR"
		long, err = tx.UpdatePour(t.Context(), everything, long)
		return err
	})
	addresses := feedAddress.FindAllString(html.UnescapeString(w.as(access.Viewer).get("/calendar").body), -1)
	require.Len(t, addresses, 4)
	nobody := browser{w: w}
	plant := addresses[3]
	got := nobody.get(plant)
	require.Equal(t, 200, got.status)
	require.Equal(t, "text/calendar; charset=utf-8", got.header.Get("Content-Type"))
	calendar, events := parse(t, got.body)
	require.Equal(t, "2.0", calendar["VERSION"].value)
	require.NotEmpty(t, calendar["PRODID"].value)
	require.Equal(t, "PUBLISH", calendar["METHOD"].value)
	require.Len(t, events, 4)
	for _, e := range events {
		// RFC 5545 3.6.1: UID and DTSTAMP are required, and DTSTART where there is no METHOD but publishing needs it too (RFC 5546 3.2.1).
		for _, name := range []string{"UID", "DTSTAMP", "DTSTART", "DTEND", "SUMMARY", "SEQUENCE", "STATUS"} {
			require.Contains(t, e, name)
		}
		require.True(t, utc(t, e["DTEND"]).After(utc(t, e["DTSTART"])))
		require.False(t, utc(t, e["DTSTAMP"]).IsZero())
	}
	first := events[0]
	require.Equal(t, w.pours["protect"].StartsAt.UTC(), utc(t, first["DTSTART"]))
	require.Equal(t, "Protect: Bay 3 slab", first["SUMMARY"].value)
	require.Equal(t, "CONFIRMED", first["STATUS"].value)
	stored, err := w.db.Pour(t.Context(), everything, w.pours["protect"].ID)
	require.NoError(t, err)
	require.True(t, strings.HasPrefix(first["DESCRIPTION"].value, stored.WorstReason), first["DESCRIPTION"].value)
	require.Equal(t, "TENTATIVE", events[1]["STATUS"].value)
	require.Equal(t, "Unscored: "+strings.ReplaceAll(long.Name, "\n", " "), events[3]["SUMMARY"].value)
	require.Equal(t, "2", events[3]["SEQUENCE"].value)

	same := nobody.do("GET", plant, nil, map[string]string{"If-None-Match": got.header.Get("ETag")})
	require.Equal(t, 304, same.status)
}

func TestCancelledPoursAreCancelledInCalendarsUnderALaterSequence(t *testing.T) {
	t.Parallel()
	w := newWorld(t, rules.UnitsUS).stock()
	b := w.as(access.Dispatcher)
	addresses := feedAddress.FindAllString(html.UnescapeString(b.get("/calendar").body), -1)
	require.Equal(t, 303, b.post("/pours/"+w.pours["protect"].ID.String()+"/step/cancel", url.Values{"version": {"1"}}).status)
	_, events := parse(t, browser{w: w}.get(addresses[0]).body)
	require.Len(t, events, 2, "of the one crew")
	require.Equal(t, w.pours["protect"].ID.String()+"@frostgate", events[0]["UID"].value)
	require.Equal(t, "CANCELLED", events[0]["STATUS"].value)
	require.Equal(t, "2", events[0]["SEQUENCE"].value)
}

func TestACalendarsAddressEndsWithItsToken(t *testing.T) {
	t.Parallel()
	w := newWorld(t, rules.UnitsUS).stock()
	b := w.as(access.Viewer)
	address := feedAddress.FindString(html.UnescapeString(b.get("/calendar").body))
	nobody := browser{w: w}
	require.Equal(t, 200, nobody.get(address).status)
	require.NotContains(t, address, b.secret)

	other := strings.Replace(address, w.crews[0].ID.String(), w.crews[1].ID.String(), 1)
	for _, wrong := range []string{other, strings.TrimSuffix(address, ".ics"), address[:len(address)-5] + "0.ics", strings.Replace(address, "crew", "plant", 1), "/calendar/crew/x/y.ics"} {
		if wrong != address {
			require.Equal(t, 404, nobody.get(wrong).status, wrong)
		}
	}
	w.tx(func(tx *db.Tx) error {
		tokens, err := tx.Tokens(t.Context(), db.Page{})
		if err != nil {
			return err
		}
		_, err = tx.RevokeToken(t.Context(), tokens.Items[0].ID, tokens.Items[0].Version)
		return err
	})
	require.Equal(t, 404, nobody.get(address).status)
}

// odd are names that would break a calendar whose writer does not keep to RFC 5545; each is at most 200 characters long.
var odd = map[string]string{
	"line ends":    "Bay 1\r\nEND:VEVENT\r\nBEGIN:VEVENT\r\nSUMMARY:Forged\rx\ny",
	"marks":        `a,b;c:d\e\\f\n g\,h "i" ^n ^^ %0A`,
	"ends in mark": `backslash\`,
	"long":         strings.Repeat("Bodenplatte", 18),
	"two octets":   strings.Repeat("äöüß", 49),
	"three octets": "a" + strings.Repeat("床板", 99),
	"four octets":  "ab" + strings.Repeat("🏗", 190),
	"joined":       strings.Repeat("👷🏽\u200d♀️", 28),
	"right":        "\u202eאתר בנייה\u2067 ١٢٣ \u202b(3)",
	"controls":     "\x01\x08\t\x0b\x0c\x1b[31m\x1f\x7f\u0085\u009f\u2028\u2029end",
	"folded":       strings.Repeat(" ", 150) + "\tx",
	"markup":       `<b>&amp;</b><!--]]>{{.}}`,
}

// as an event shows a name: on one line, and with its direction closed (Unicode UAX #9, 3.1.2).
func asShown(name string) string {
	shown := strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || r == '\u2028' || r == '\u2029' {
			return ' '
		}
		return r
	}, name)
	if name == odd["right"] {
		shown += "\u202c\u2069\u202c" // PDF of the embedding, PDI of the isolate, PDF of the override
	}
	return shown
}

func TestHostileNamesDoNotBreakCalendars(t *testing.T) {
	t.Parallel()
	w := newWorld(t, rules.UnitsSI).stock()
	b := w.as(access.Viewer)
	addresses := feedAddress.FindAllString(html.UnescapeString(b.get("/calendar").body), -1)
	for title, name := range odd {
		w.tx(func(tx *db.Tx) error {
			for _, statement := range []string{
				"update pours set name = $1, worst_reason = $1", "update sites set name = $1", "update crews set name = left($1, 190) || left(md5(id::text), 4)",
				"update plants set name = $1", "update mixes set name = $1",
			} {
				if _, err := tx.PGX().Exec(t.Context(), statement, name); err != nil {
					return err
				}
			}
			return nil
		})
		for _, address := range addresses {
			got := browser{w: w}.get(address)
			require.Equal(t, 200, got.status, title)
			for line := range strings.SplitSeq(got.body, "\r\n") {
				require.False(t, strings.ContainsFunc(line, func(r rune) bool { return r < ' ' && r != '\t' || r == 0x7f }), "a control character: %q", line) // RFC 5545, 3.1
			}
			_, events := parse(t, got.body)
			calendar, err := ics.ParseCalendar(strings.NewReader(got.body))
			require.NoError(t, err, title)
			require.Len(t, calendar.Events(), len(events), title)
			for i, e := range events {
				_, shown, _ := strings.Cut(e["SUMMARY"].value, ": ")
				require.Equal(t, asShown(name), shown, title)
				require.Equal(t, asShown(name), e["LOCATION"].value, title)
				require.NotEqual(t, "Forged", e["SUMMARY"].value)
				for _, property := range []ics.ComponentProperty{ics.ComponentPropertySummary, ics.ComponentPropertyLocation, ics.ComponentPropertyDescription, ics.ComponentPropertyUrl} {
					require.Equal(t, e[string(property)].value, calendar.Events()[i].GetProperty(property).Value, "%s: both readers find the same", title)
				}
			}
		}
	}
}
