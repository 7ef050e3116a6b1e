package api

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// A vector is a bad request with the exact answer that it must get.
type vector struct {
	name   string
	call   call
	status int
	code   string
	wrong  []string // violations; nil when the problem needs none
}

// run sends each vector and checks that nothing was written.
func (b *bundle) run(t *testing.T, vectors []vector) {
	t.Helper()
	before := b.rows()
	at := ""
	defer func() {
		if t.Failed() {
			t.Log("last vector: " + at)
		}
	}()
	for _, v := range vectors {
		at = v.name
		b.do(v.call).wrong(v.status, v.code, v.wrong...)
	}
	require.Equal(t, before, b.rows(), "something was written")
	require.Empty(t, b.log.errors())
}

// rows counts the rows of each table.
func (b *bundle) rows() map[string]int {
	counts := map[string]int{}
	for _, table := range []string{
		"firm", "sites", "plants", "crews", "mixes", "pours", "observations", "assessments", "endpoints",
		"endpoint_secrets", "tokens", "answers", "audit", "alerts", "alert_transitions",
	} {
		var n int
		require.NoError(b.t, b.db.Pool().QueryRow(b.t.Context(), "select count(*) from "+table).Scan(&n))
		counts[table] = n
	}
	return counts
}

const someID = "01900000-0000-7000-8000-00000000abcd"

// Bodies that are not JSON, or not the JSON of a record: RFC 8259, RFC 7493 (I-JSON).
func TestBodiesThatAreNoRecords(t *testing.T) {
	t.Parallel()
	b := setup(t)
	post := func(body string) call { return call{method: "POST", path: "/v1/sites", body: body} }
	as := func(media string) call {
		return call{method: "POST", path: "/v1/sites", body: `{}`, header: map[string]string{"Content-Type": media}}
	}
	site := `{"name":"A","latitude":42,"longitude":-88,"timezone":"America/Chicago"`
	b.run(t, []vector{
		{"empty", post(""), 400, "malformed", nil},
		{"blank", post("  \n"), 400, "malformed", nil},
		{"null", post("null"), 422, "invalid", []string{"# type"}},
		{"array", post("[]"), 422, "invalid", []string{"# type"}},
		{"number", post("1"), 422, "invalid", []string{"# type"}},
		{"string", post(`"x"`), 422, "invalid", []string{"# type"}},
		{"cut off", post(site), 400, "malformed", nil},
		{"trailing value", post(site + `} {}`), 400, "trailing_data", nil},
		{"trailing bracket", post(site + `}}`), 400, "malformed", nil},
		{"trailing text", post(site + `} hello`), 400, "malformed", nil},
		{"byte order mark", post("\xef\xbb\xbf" + site + `}`), 400, "malformed", nil},
		{"utf 16", post("\xff\xfe{\x00}\x00"), 400, "malformed", nil},
		{"utf 16 without mark", post("{\x00}\x00"), 400, "malformed", nil},
		{"invalid utf 8", post(`{"name":"` + "\xff\xfe" + `"}`), 400, "malformed", []string{"#/name malformed"}},
		{"overlong utf 8", post(`{"name":"` + "\xc0\xaf" + `"}`), 400, "malformed", []string{"#/name malformed"}},
		{"lone high surrogate", post(`{"name":"\ud83d"}`), 400, "malformed", []string{"#/name malformed"}},
		{"lone low surrogate", post(`{"name":"\ude00"}`), 400, "malformed", []string{"#/name malformed"}},
		{"surrogates swapped", post(`{"name":"\ude00\ud83d"}`), 400, "malformed", []string{"#/name malformed"}},
		{"repeated field", post(site + `,"name":"B"}`), 400, "repeated_field", []string{"#/name repeated_field"}},
		{"repeated field, escaped", post(site + `,"n\u0061me":"B"}`), 400, "repeated_field", []string{"#/name repeated_field"}},
		{"repeated field, nested", post(site + `,"local_rules":[{"name":"x","name":"y"}]}`), 400, "repeated_field", []string{"#/local_rules/0/name repeated_field"}},
		{"NaN", post(`{"latitude":NaN}`), 400, "malformed", []string{"#/latitude malformed"}},
		{"Infinity", post(`{"latitude":Infinity}`), 400, "malformed", []string{"#/latitude malformed"}},
		{"hexadecimal", post(`{"latitude":0x2A}`), 400, "malformed", nil},
		{"leading zero", post(`{"latitude":042}`), 400, "malformed", nil},
		{"plus sign", post(`{"latitude":+42}`), 400, "malformed", []string{"#/latitude malformed"}},
		{"single quotes", post(`{'name':'A'}`), 400, "malformed", nil},
		{"comment", post(`{"name":"A" /* x */}`), 400, "malformed", nil},
		{"trailing comma", post(`{"name":"A",}`), 400, "malformed", nil},
		{"1e400", post(`{"latitude":1e400}`), 422, "invalid", []string{"#/latitude out_of_range"}},
		{"-1e400", post(`{"latitude":-1e400}`), 422, "invalid", []string{"#/latitude out_of_range"}},
		{"33 deep", post(strings.Repeat("[", 33) + strings.Repeat("]", 33)), 400, "too_deep", nil},
		{"30,000 deep", post(strings.Repeat(`{"a":`, 10_000)), 400, "too_deep", nil},
		{"unknown field", post(site + `,"colour":"red"}`), 422, "invalid", []string{"#/colour unknown"}},
		{"unknown field, dotted", post(site + `,"a.b":1}`), 422, "invalid", []string{"#/a.b unknown"}},
		{"unknown field, nested", post(site + `,"local_rules":[{"name":"x","kind":"y","value":1,"q":2}]}`), 422, "invalid", []string{"#/local_rules/0/q unknown"}},
		{"known field, other case", post(strings.Replace(site, "name", "Name", 1) + `}`), 422, "invalid", []string{"#/Name unknown", "#/name required"}},
		{"field of the server", post(site + `,"id":"` + someID + `"}`), 422, "invalid", []string{"#/id unknown"}},
		{"version of the server", post(site + `,"version":7}`), 422, "invalid", []string{"#/version unknown"}},
		{"prototype", post(site + `,"__proto__":{}}`), 422, "invalid", []string{"#/__proto__ unknown"}},
		{"NUL", post(`{"name":"a\u0000b"}`), 422, "invalid", []string{"#/name control_character"}},
		{"escape character", post(`{"name":"a\u001b[2Jb"}`), 422, "invalid", []string{"#/name control_character"}},
		{"C1 control", post(`{"name":"a\u0085b"}`), 422, "invalid", []string{"#/name control_character"}},
		{"64 KiB and one", post(`{"name":"` + strings.Repeat("x", bodyBytes-10) + `"}`), 413, "too_large", nil},
		{"10 MB", post(strings.Repeat(" ", 10<<20)), 413, "too_large", nil},
		{"no content type", as(""), 415, "unsupported_media_type", nil},
		{"text", as("text/plain"), 415, "unsupported_media_type", nil},
		{"form", as("application/x-www-form-urlencoded"), 415, "unsupported_media_type", nil},
		{"multipart", as("multipart/form-data; boundary=x"), 415, "unsupported_media_type", nil},
		{"xml", as("application/xml"), 415, "unsupported_media_type", nil},
		{"json suffix", as("application/vnd.x+json"), 415, "unsupported_media_type", nil},
		{"merge patch to a create", as(mediaPatch), 415, "unsupported_media_type", nil},
		{"csv to a single record", as(mediaCSV), 415, "unsupported_media_type", nil},
		{"latin 1", as("application/json; charset=iso-8859-1"), 415, "unsupported_media_type", nil},
		{"utf 16 charset", as("application/json; charset=utf-16"), 415, "unsupported_media_type", nil},
		{"media type with a newline", as("application/json;\tx="), 415, "unsupported_media_type", nil},
		{"gzip", call{method: "POST", path: "/v1/sites", body: "\x1f\x8b", header: map[string]string{"Content-Encoding": "gzip"}}, 415, "unsupported_media_type", nil},
		{"deflate", call{method: "POST", path: "/v1/sites", body: "x", header: map[string]string{"Content-Encoding": "deflate"}}, 415, "unsupported_media_type", nil},
	})
}

// Every field of every form: missing, null, of the wrong type, and one step past its ends.
func TestEveryFieldPastItsEnds(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s := b.stock()
	forms := map[string]object{
		"/v1/sites":     {"name": "A", "latitude": 42, "longitude": -88, "timezone": "America/Chicago"},
		"/v1/plants":    {"name": "A", "latitude": 42, "longitude": -88},
		"/v1/crews":     {"name": "A", "day_starts": "07:00", "day_ends": "17:00"},
		"/v1/mixes":     demoMix("A"),
		"/v1/pours":     s.pour("A", firstStart),
		"/v1/tokens":    {"name": "A", "role": "viewer"},
		"/v1/endpoints": {"name": "A", "url": "https://hooks.example.com/x"},
	}
	count := 0
	for path, form := range forms {
		var vectors []vector
		op := b.api.operation("POST", path)
		registry := b.api.huma.OpenAPI().Components.Schemas
		schema := registry.SchemaFromRef(op.RequestBody.Content[mediaJSON].Schema.Ref)
		for name, property := range schema.Properties {
			add := func(what string, value any, code string) {
				at := "#/" + name
				vectors = append(vectors, vector{path + " " + name + " " + what, call{method: "POST", path: path, body: form.with(object{name: value})}, 422, "invalid", []string{at + " " + code}})
			}
			if slices.Contains(schema.Required, name) {
				vectors = append(vectors, vector{path + " without " + name, call{method: "POST", path: path, body: form.without(name)}, 422, "invalid", []string{"#/" + name + " required"}})
				add("null", nil, "type")
			}
			switch property.Type {
			case "string":
				add("as number", 5, "type")
				add("as list", []int{}, "type")
				if len(property.Enum) > 0 {
					add("of no choice", "rubbish", "choice")
					add("empty", "", "choice")
				}
				if property.MaxLength != nil && property.Format == "" {
					add("too long", strings.Repeat("é", *property.MaxLength+1), "length")
				}
				if property.MinLength != nil {
					add("too short", "", "length")
				}
				if property.Format == "uuid" {
					add("no id", "17", "format")
					add("id with rubbish", someID+"x", "format")
				}
				if property.Format == "date-time" {
					for _, text := range badTimes {
						add(text, text, "format")
					}
				}
			case "number", "integer":
				add("as text", "5", "type")
				add("as truth", true, "type")
				if property.Minimum != nil {
					add("below", *property.Minimum-1, "out_of_range")
				}
				if property.Maximum != nil {
					add("above", *property.Maximum+1, "out_of_range")
				}
				if property.Type == "integer" {
					add("as fraction", *property.Minimum+0.5, "type")
				}
			case "boolean":
				add("as text", "true", "type")
				add("as number", 1, "type")
			case "array":
				add("as object", object{}, "type")
				add("as text", "x", "type")
			default:
				add("as text", "x", "type")
				add("as list", []int{}, "type")
			}
		}
		count += len(vectors)
		b.run(t, vectors)
	}
	require.Greater(t, count, 300)
}

// RFC 3339, 5.6: what is no date-time with an offset.
var badTimes = []string{
	"", "tomorrow", "2026-01-15", "2026-01-15T07:00", "2026-01-15T07:00:00", "2026-01-15 07:00:00Z", "2026-01-15T24:00:00Z", "2026-01-15T23:59:60Z",
	"2026-02-30T07:00:00Z", "2026-13-01T07:00:00Z", "10000-01-01T00:00:00Z", "2026-01-15T07:00:00EST", "2026-01-15T07:00:00 America/Chicago",
	"2026-01-15T07:00:00-06:00[Europe/Berlin]", "2026-01-15T07:00:00-25:00", "1768482000", "2026-W03-4T07:00:00Z", "2026-1-15T7:00:00Z",
}

// Values that each pass the schema and that only sense refuses.
func TestValuesThatMakeNoSense(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s := b.stock()
	pour := func(changes object) call {
		return call{method: "POST", path: "/v1/pours", body: s.pour("A", firstStart).with(changes)}
	}
	site := func(changes object) call {
		return call{method: "POST", path: "/v1/sites", body: object{"name": "A", "latitude": 42, "longitude": -88, "timezone": "America/Chicago"}.with(changes)}
	}
	crew := func(changes object) call {
		return call{method: "POST", path: "/v1/crews", body: object{"name": "A", "day_starts": "07:00", "day_ends": "17:00"}.with(changes)}
	}
	mix := func(changes object) call {
		return call{method: "POST", path: "/v1/mixes", body: demoMix("A").with(changes)}
	}
	plant := func(changes object) call {
		return call{method: "POST", path: "/v1/plants", body: object{"name": "A"}.with(changes)}
	}
	vectors := []vector{
		{"year 0", pour(object{"starts_at": "0000-01-01T00:00:00Z"}), 422, "invalid", nil},
		{"year 1999", pour(object{"starts_at": "1999-12-31T00:00:00Z"}), 422, "invalid", []string{"#/starts_at out_of_range"}},
		{"year 2100", pour(object{"starts_at": "2100-01-01T00:00:00Z"}), 422, "invalid", nil},
		{"crew busy before the start", pour(object{"occupied_until": "2026-01-15T12:00:00Z"}), 422, "invalid", []string{"#/occupied_until out_of_range"}},
		{"crew busy from the start to the start", pour(object{"occupied_until": "2026-01-15T13:00:00Z"}), 422, "invalid", []string{"#/occupied_until out_of_range"}},
		{"crew busy for ten years", pour(object{"occupied_until": "2036-01-15T12:00:00Z"}), 422, "invalid", []string{"#/occupied_until invalid"}},
		{"cancel after the start", pour(object{"cancel_by": "2026-01-15T14:00:00Z"}), 422, "invalid", []string{"#/cancel_by out_of_range"}},
		{"no such site", pour(object{"site_id": someID}), 422, "invalid", []string{"#/site_id invalid"}},
		{"no such crew", pour(object{"crew_id": someID}), 422, "invalid", []string{"#/crew_id invalid"}},
		{"no such plant", pour(object{"plant_id": someID}), 422, "invalid", []string{"#/plant_id invalid"}},
		{"no such mix", pour(object{"mix_id": someID}), 422, "invalid", []string{"#/mix_id invalid"}},
		{"a plant for a site", pour(object{"site_id": s.plant}), 422, "invalid", []string{"#/site_id invalid"}},
		{"base of marble", pour(object{"base": object{"material": "marble"}}), 422, "invalid", []string{"#/base/material invalid"}},
		{"base a mile deep", pour(object{"base": object{"depth_mm": 1.6e6}}), 422, "invalid", []string{"#/base/depth_mm invalid"}},
		{"base of unknown colour", pour(object{"base": object{"colour": "red"}}), 422, "invalid", []string{"#/base/colour unknown"}},
		{"base hotter than steam", pour(object{"base": object{"temps_c": []object{{"depth_mm": 0, "temp_c": 500}}}}), 422, "invalid", nil},
		{"blanket off before on", pour(object{"protection": []object{{"r_m2k_w": 0.7, "on_at": "2026-01-16T00:00:00Z", "off_at": "2026-01-15T00:00:00Z"}}}), 422, "invalid", []string{"#/protection/0/off_at invalid"}},
		{"blanket of negative R", pour(object{"protection": []object{{"r_m2k_w": -1, "on_at": "2026-01-16T00:00:00Z"}}}), 422, "invalid", []string{"#/protection/0/r_m2k_w invalid"}},
		{"blanket without R", pour(object{"protection": []object{{"on_at": "2026-01-16T00:00:00Z"}}}), 422, "invalid", []string{"#/protection/0/r_m2k_w required"}},
		{"21 blankets", pour(object{"protection": slices.Repeat([]object{{"r_m2k_w": 0.7, "on_at": "2026-01-16T00:00:00Z"}}, 21)}), 422, "invalid", []string{"#/protection length"}},
		{"ground cover of snow", pour(object{"ground_cover": []object{{"kind": "snow", "on_at": "2026-01-14T00:00:00Z"}}}), 422, "invalid", []string{"#/ground_cover/0/kind invalid"}},
		{"latitude and longitude swapped", site(object{"latitude": -88, "longitude": 42}), 422, "invalid", []string{"#/latitude out_of_range"}},
		{"north pole", site(object{"latitude": 90}), 422, "invalid", []string{"#/latitude out_of_range"}},
		{"beyond the date line", site(object{"longitude": 180.0001}), 422, "invalid", []string{"#/longitude out_of_range"}},
		{"local rule of no kind", site(object{"local_rules": []object{{"name": "City 5.1", "kind": "rubbish", "value": 5}}}), 422, "invalid", []string{"#/local_rules/0/kind invalid"}},
		{"day ends before it starts", crew(object{"day_starts": "17:00", "day_ends": "07:00"}), 422, "invalid", []string{"#/day_ends out_of_range"}},
		{"day ends when it starts", crew(object{"day_ends": "07:00"}), 422, "invalid", []string{"#/day_ends out_of_range"}},
		{"eighth day", crew(object{"days": []int{8}}), 422, "invalid", []string{"#/days/0 out_of_range"}},
		{"day 0", crew(object{"days": []int{1, 0}}), 422, "invalid", []string{"#/days/1 out_of_range"}},
		{"Monday twice", crew(object{"days": []int{1, 1}}), 422, "invalid", []string{"#/days/1 repeated"}},
		{"admixture of no kind", mix(object{"admixtures": []object{{"kind": "magic", "dose_pct": 1}}}), 422, "invalid", []string{"#/admixtures/0/kind invalid"}},
		{"dose of 90 %", mix(object{"admixtures": []object{{"kind": "calcium_chloride", "dose_pct": 90}}}), 422, "invalid", []string{"#/admixtures/0/dose_pct invalid"}},
		{"latitude alone", plant(object{"latitude": 42}), 422, "invalid", nil},
	}
	for _, text := range []string{"7:00", "07:60", "25:00", "24:01", "07:00:00", "0700", "seven", "-1:00"} {
		vectors = append(vectors, vector{"day starts at " + text, crew(object{"day_starts": text}), 422, "invalid", []string{"#/day_starts format"}})
	}
	for _, name := range []string{"EST", "CST6CDT", "Local", "Mars/Olympus", "america/chicago ", "../etc/passwd", "America/Chicago\u200b", "-06:00", "Z"} {
		vectors = append(vectors, vector{"zone " + name, site(object{"timezone": name}), 422, "invalid", []string{"#/timezone invalid"}})
	}
	b.run(t, vectors)
}

// Paths, queries and headers.
func TestAddressesAndHeadersThatAreWrong(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s := b.stock()
	pour := "/v1/pours/" + b.do(call{method: "POST", path: "/v1/pours", body: s.pour("A", firstStart)}).is(201).str("id")
	get := func(path string) call { return call{method: "GET", path: path} }
	del := func(match string) call {
		return call{method: "DELETE", path: pour, header: map[string]string{"If-Match": match}}
	}
	put := func(match string) call {
		return call{method: "PUT", path: pour, body: s.pour("B", firstStart), header: map[string]string{"If-Match": match}}
	}
	patch := func(match string) call {
		return call{method: "PATCH", path: pour, body: object{"name": "B"}, header: map[string]string{"If-Match": match}}
	}
	vectors := []vector{
		{"no such route", get("/v1/nothing"), 404, "not_found", nil},
		{"trailing slash", get("/v1/pours/"), 404, "not_found", nil},
		{"other version", get("/v2/pours"), 404, "not_found", nil},
		{"climbing path", get("/v1/../../etc/passwd"), 404, "not_found", nil},
		{"NUL in the path", get("/v1/pours/%00"), 422, "invalid", []string{"id format"}},
		{"method that is not there", call{method: "DELETE", path: "/v1/pours"}, 405, "method_not_allowed", nil},
		{"invented method", call{method: "BREW", path: "/v1/pours"}, 405, "method_not_allowed", nil},
		{"no id", get("/v1/pours/17"), 422, "invalid", []string{"id format"}},
		{"no such pour", get("/v1/pours/" + someID), 404, "not_found", nil},
		{"id of a site", get("/v1/pours/" + s.site), 404, "not_found", nil},
		{"no such assessment", get(pour + "/assessment"), 404, "not_found", nil},
		{"unknown parameter", get("/v1/pours?colour=red"), 422, "invalid", []string{"colour unknown"}},
		{"limit 0", get("/v1/pours?limit=0"), 422, "invalid", []string{"limit out_of_range"}},
		{"limit 201", get("/v1/pours?limit=201"), 422, "invalid", []string{"limit out_of_range"}},
		{"limit of text", get("/v1/pours?limit=many"), 422, "invalid", []string{"limit type"}},
		{"limit past 64 bits", get("/v1/pours?limit=99999999999999999999"), 422, "invalid", []string{"limit type"}},
		{"cursor of rubbish", get("/v1/pours?after=rubbish"), 422, "invalid", []string{"after format"}},
		{"cursor too long", get("/v1/pours?after=" + strings.Repeat("A", 101)), 422, "invalid", []string{"after length"}},
		{"both cursors", get("/v1/pours?after=x&before=y"), 422, "invalid", []string{"before conflict"}},
		{"day that is none", get("/v1/pours?day_from=2026-02-30"), 422, "invalid", []string{"day_from format"}},
		{"day with time", get("/v1/pours?day_from=2026-01-15T00:00:00Z"), 422, "invalid", []string{"day_from format"}},
		{"time without offset", get("/v1/pours?starts_from=2026-01-15T00:00:00"), 422, "invalid", []string{"starts_from format"}},
		{"verdict that is none", get("/v1/pours?verdict=maybe"), 422, "invalid", []string{"verdict choice"}},
		{"state that is none", get("/v1/pours?state=planned,lost"), 422, "invalid", []string{"state choice"}},
		{"crew that is no id", get("/v1/pours?crew_id=1,2"), 422, "invalid", []string{"crew_id format", "crew_id format"}},
		{"101 crews", get("/v1/pours?crew_id=" + strings.TrimSuffix(strings.Repeat(someID+",", 101), ",")), 422, "invalid", []string{"crew_id length"}},
		{"units that are none", get("/v1/pours.csv?units=imperial"), 422, "invalid", []string{"units choice"}},
		{"truth that is none", get("/v1/sites?archived=perhaps"), 422, "invalid", []string{"archived type"}},
		{"audit before entry 0", get("/v1/audit?before_id=0"), 422, "invalid", []string{"before_id out_of_range"}},

		{"delete without If-Match", del(""), 428, "precondition_required", nil},
		{"put without If-Match", put(""), 428, "precondition_required", nil},
		{"patch without If-Match", patch(""), 428, "precondition_required", nil},
		{"delete of another version", del(`"7"`), 412, "stale", nil},
		{"put of another version", put(`"7"`), 412, "stale", nil},
		{"patch of another version", patch(`"7"`), 412, "stale", nil},
		{"weak tag", del(`W/"1"`), 412, "stale", nil},
		{"tag without quotes", del(`1`), 400, "malformed", []string{"If-Match format"}},
		{"tag half quoted", del(`"1`), 400, "malformed", []string{"If-Match format"}},
		{"tags without comma", del(`"1" "2"`), 400, "malformed", []string{"If-Match format"}},
		{"tag too long", del(`"` + strings.Repeat("1", 500) + `"`), 422, "invalid", []string{"If-Match length"}},
		{"patch as json", call{method: "PATCH", path: pour, body: object{"name": "B"}, header: map[string]string{"If-Match": "*", "Content-Type": mediaJSON}}, 415, "unsupported_media_type", nil},
		{"patch that is a list", call{method: "PATCH", path: pour, body: "[]", header: map[string]string{"If-Match": "*"}}, 422, "invalid", []string{"# type"}},
		{"patch of an unknown field", call{method: "PATCH", path: pour, body: object{"colour": "red"}, header: map[string]string{"If-Match": "*"}}, 422, "invalid", []string{"#/colour unknown"}},
		{"patch that removes an unknown field", call{method: "PATCH", path: pour, body: `{"colour":null}`, header: map[string]string{"If-Match": "*"}}, 422, "invalid", []string{"#/colour unknown"}},
		{"patch that removes what is needed", call{method: "PATCH", path: pour, body: `{"element":null}`, header: map[string]string{"If-Match": "*"}}, 422, "invalid", []string{"#/element required"}},
		{"patch out of range", call{method: "PATCH", path: pour, body: object{"thickness_mm": 5}, header: map[string]string{"If-Match": "*"}}, 422, "invalid", []string{"#/thickness_mm out_of_range"}},
		{"patch of an unknown nested field", call{method: "PATCH", path: pour, body: object{"base": object{"colour": "red"}}, header: map[string]string{"If-Match": "*"}}, 422, "invalid", []string{"#/base/colour unknown"}},
		{"patch of the state", call{method: "PATCH", path: pour, body: object{"state": "released"}, header: map[string]string{"If-Match": "*"}}, 422, "invalid", []string{"#/state unknown"}},
	}
	for name, key := range map[string]string{
		"10 KB": strings.Repeat("k", 10_000), "256": strings.Repeat("k", 256), "with a space": "a b", "empty string": `""`, "not ASCII": "schlüssel", "control": "a\x7fb",
	} {
		vectors = append(vectors, vector{"idempotency key " + name, call{
			method: "POST", path: "/v1/pours", body: s.pour("B", firstStart.Add(48*time.Hour)), header: map[string]string{"Idempotency-Key": key},
		}, 422, "invalid", []string{"Idempotency-Key format"}})
	}
	b.run(t, vectors)
}

// Text of any script and with any sting is kept as text, to the letter.
func TestHostileTextIsKeptAsText(t *testing.T) {
	t.Parallel()
	b := setup(t)
	for i, text := range []string{
		"\u202egnirts", "zero\u200bwidth\u200djoiner", "e" + strings.Repeat("\u0301", 150), "👩‍👩‍👧‍👦 crew", "line\nend", "tab\there", "<script>alert(1)</script>",
		"<!channel>", "@everyone", "[x](javascript:alert(1))", "=HYPERLINK(\"http://192.0.2.1\")", "{{.Secret}}", "${jndi:ldap://x}", "'; drop table pours; --",
		"%00%0d%0a", `\u0000`, "ﷺ", "Ω≈ç√∫", "\ufeffmark", "𝕳", "NULL", "true", "\\", `"`, "..%2f..", "ＡＢＣ", "line\u2028separator",
	} {
		made := b.do(call{method: "POST", path: "/v1/plants", body: object{"name": text}})
		require.Equal(t, text, made.is(201).str("name"))
		got := b.do(call{method: "GET", path: "/v1/plants/" + made.is(201).str("id")})
		require.Equal(t, text, got.is(200).str("name"), i)
	}
}

// What a server, not a handler, is asked: nothing that is sent makes a 5xx, and no answer repeats what was sent.
func TestProblemsNeverRepeatTheValue(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s := b.stock()
	const canary = "canary7261"
	for name := range s.pour("A", firstStart) {
		a := b.do(call{method: "POST", path: "/v1/pours", body: s.pour("A", firstStart).with(object{name: []string{canary}})})
		require.Equal(t, 422, a.status)
		require.NotContains(t, a.body, canary, name)
	}
	for _, path := range []string{"/v1/pours?limit=", "/v1/pours?day_from=", "/v1/pours?verdict=", "/v1/pours?after=", "/v1/pours?crew_id="} {
		a := b.do(call{method: "GET", path: path + canary})
		require.Equal(t, 422, a.status)
		require.NotContains(t, a.body, canary, path)
	}
	for _, header := range []string{"If-Match", "Content-Type", "Idempotency-Key", "Authorization"} {
		a := b.do(call{method: "PUT", path: "/v1/sites/" + s.site, body: object{}, header: map[string]string{header: canary + "ü"}})
		require.GreaterOrEqual(t, a.status, 400)
		require.Less(t, a.status, 500)
		require.NotContains(t, a.body, canary, header)
	}
	require.NotContains(t, b.log.String(), canary)
}

func TestConditionalReads(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s := b.stock()
	path := "/v1/sites/" + s.site
	for header, status := range map[string]int{`"1"`: 304, `W/"1"`: 304, `"0", "1"`: 304, `*`: 304, `"2"`: 200, `rubbish`: 200} {
		a := b.do(call{method: "GET", path: path, header: map[string]string{"If-None-Match": header}})
		require.Equal(t, status, a.status, header)
		require.Equal(t, `"1"`, a.header.Get("ETag"))
		if status == http.StatusNotModified {
			require.Empty(t, a.body)
		}
	}
	head := b.do(call{method: "HEAD", path: path})
	require.Equal(t, 200, head.status)
	require.Equal(t, `"1"`, head.header.Get("ETag"))
}

func TestAnEditRaisesTheVersionAndAStaleOneIsRefused(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s := b.stock()
	for name, path := range map[string]string{"site": "/v1/sites/" + s.site, "plant": "/v1/plants/" + s.plant, "crew": "/v1/crews/" + s.crew, "mix": "/v1/mixes/" + s.mix} {
		for version := 1; version <= 3; version++ {
			patch := call{method: "PATCH", path: path, body: object{"name": fmt.Sprintf("edited %s %d", name, version)}, header: map[string]string{"If-Match": etag(int64(version))}}
			a := b.do(patch)
			require.Equal(t, float64(version+1), a.is(200)["version"])
			require.Equal(t, etag(int64(version+1)), a.header.Get("ETag"))
			b.do(patch).wrong(412, "stale")
		}
		got := b.do(call{method: "GET", path: path}).is(200)
		require.Equal(t, "edited "+name+" 3", got["name"])
		// What is read can be put back, less what the server owns, and changes nothing but the version.
		form := got.without("id", "version", "created_at", "updated_at", "archived_at")
		put := b.do(call{method: "PUT", path: path, body: form, header: map[string]string{"If-Match": `"4"`}}).is(200)
		require.Equal(t, form, put.without("id", "version", "created_at", "updated_at", "archived_at"))
	}
}

func TestDeleteOrArchive(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s := b.stock()
	b.do(call{method: "POST", path: "/v1/pours", body: s.pour("A", firstStart)}).is(201)
	b.do(call{method: "DELETE", path: "/v1/sites/" + s.site, header: map[string]string{"If-Match": "*"}}).wrong(409, "conflict")
	archived := b.do(call{method: "PATCH", path: "/v1/sites/" + s.site, body: object{"archived": true}, header: map[string]string{"If-Match": `"1"`}}).is(200)
	require.NotNil(t, archived["archived_at"])
	require.Empty(t, b.do(call{method: "GET", path: "/v1/sites"}).is(200).items())
	require.Len(t, b.do(call{method: "GET", path: "/v1/sites?archived=true"}).is(200).items(), 1)
	// The name is free again.
	b.do(call{method: "POST", path: "/v1/sites", body: object{"name": "north YARD", "latitude": 42, "longitude": -88, "timezone": "America/Chicago"}}).is(201)
	b.do(call{method: "PATCH", path: "/v1/sites/" + s.site, body: object{"archived": false}, header: map[string]string{"If-Match": "*"}}).
		wrong(409, "conflict", "#/name conflict")
	b.do(call{method: "DELETE", path: "/v1/plants/" + s.otherPlant, header: map[string]string{"If-Match": "*"}}).is(204)
	b.do(call{method: "GET", path: "/v1/plants/" + s.otherPlant}).wrong(404, "not_found")
	b.do(call{method: "POST", path: "/v1/crews", body: object{"name": "crew 1", "day_starts": "07:00", "day_ends": "17:00"}}).
		wrong(409, "conflict", "#/name conflict")
}

func TestOneCrewIsNotInTwoPlaces(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s := b.stock()
	first := b.do(call{method: "POST", path: "/v1/pours", body: s.pour("A", firstStart)}).is(201).str("id")
	b.do(call{method: "POST", path: "/v1/pours", body: s.pour("B", firstStart.Add(2*time.Hour))}).wrong(409, "conflict", "#/crew_id conflict")
	b.do(call{method: "POST", path: "/v1/pours", body: s.pour("B", firstStart.Add(2*time.Hour)).with(object{"crew_id": s.otherCrew})}).is(201)
	b.do(call{method: "POST", path: "/v1/pours/" + first + "/cancel", body: object{}}).is(200)
	b.do(call{method: "POST", path: "/v1/pours", body: s.pour("C", firstStart)}).is(201)
	b.do(call{method: "POST", path: "/v1/pours/" + first + "/reopen", body: object{}}).wrong(409, "conflict", "#/crew_id conflict")
}
