package api

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"
)

// The example test cases of RFC 7396, appendix A.
func TestMergePatchCases(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ original, patch, result string }{
		{`{"a":"b"}`, `{"a":"c"}`, `{"a":"c"}`},
		{`{"a":"b"}`, `{"b":"c"}`, `{"a":"b","b":"c"}`},
		{`{"a":"b"}`, `{"a":null}`, `{}`},
		{`{"a":"b","b":"c"}`, `{"a":null}`, `{"b":"c"}`},
		{`{"a":["b"]}`, `{"a":"c"}`, `{"a":"c"}`},
		{`{"a":"c"}`, `{"a":["b"]}`, `{"a":["b"]}`},
		{`{"a":{"b":"c"}}`, `{"a":{"b":"d","c":null}}`, `{"a":{"b":"d"}}`},
		{`{"a":[{"b":"c"}]}`, `{"a":[1]}`, `{"a":[1]}`},
		{`["a","b"]`, `["c","d"]`, `["c","d"]`},
		{`{"a":"b"}`, `["c"]`, `["c"]`},
		{`{"a":"foo"}`, `null`, `null`},
		{`{"a":"foo"}`, `"bar"`, `"bar"`},
		{`{"e":null}`, `{"a":1}`, `{"e":null,"a":1}`},
		{`[1,2]`, `{"a":"b","c":null}`, `{"a":"b"}`},
		{`{}`, `{"a":{"bb":{"ccc":null}}}`, `{"a":{"bb":{}}}`},
	} {
		var original, patch any
		require.NoError(t, json.Unmarshal([]byte(c.original), &original))
		require.NoError(t, json.Unmarshal([]byte(c.patch), &patch))
		got, err := json.Marshal(merged(original, patch))
		require.NoError(t, err)
		require.JSONEq(t, c.result, string(got), "%s + %s", c.original, c.patch)
	}
}

func TestAPatchTouchesWhatItNames(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s := b.stock()
	made := b.do(call{method: "POST", path: "/v1/pours", body: s.furnished("Core wall", firstStart)}).is(201)
	path := "/v1/pours/" + made.str("id")
	patch := func(body string) object {
		return b.do(call{method: "PATCH", path: path, body: body, header: map[string]string{"If-Match": "*"}}).is(200)
	}
	for field, body := range map[string]string{
		"note": `{"note":"other"}`, "base": `{"base":{"moisture_pct":3}}`, "waste_pct": `{"waste_pct":null}`, "protection": `{"protection":[]}`,
		"exposure": `{"exposure":null}`, "placed_temp_c": `{"placed_temp_c":16}`,
	} {
		before := b.do(call{method: "GET", path: path}).is(200)
		after := patch(body)
		require.Equal(t, before.without(field, "version", "updated_at"), after.without(field, "version", "updated_at"), field)
		require.NotEqual(t, before[field], after[field], field)
	}
	// A part of an object that the patch leaves out stays.
	base := object(patch(`{}`)["base"].(map[string]any))
	require.Equal(t, 3.0, base["moisture_pct"])
	require.Equal(t, "sand", base["material"])
}

// Moved along: what hangs on the start keeps its distance from it, unless the patch says otherwise.
func TestAMoveTakesAlongWhatHangsOnTheStart(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s := b.stock()
	made := b.do(call{method: "POST", path: "/v1/pours", body: s.furnished("Core wall", firstStart)}).is(201)
	path := "/v1/pours/" + made.str("id")
	moved := b.do(call{method: "PATCH", path: path, body: `{"starts_at":"2026-01-17T08:00:00-06:00"}`, header: map[string]string{"If-Match": "*"}}).is(200)
	require.Equal(t, "2026-01-17T14:00:00Z", moved["starts_at"])
	require.Equal(t, "2026-01-17T23:00:00Z", moved["occupied_until"])
	require.Equal(t, "2026-01-17T01:00:00Z", moved["cancel_by"])
	blanket := moved["protection"].([]any)[0].(map[string]any)
	require.Equal(t, "2026-01-17T20:00:00Z", blanket["on_at"])
	require.Equal(t, "2026-01-20T22:00:00Z", blanket["off_at"])
	cover := moved["ground_cover"].([]any)[0].(map[string]any)
	require.Equal(t, "2026-01-15T14:00:00Z", cover["on_at"])
	require.Equal(t, "2026-01-17T13:00:00Z", cover["off_at"])

	held := b.do(call{
		method: "PATCH", path: path, header: map[string]string{"If-Match": "*"},
		body: `{"starts_at":"2026-01-17T07:00:00-06:00","occupied_until":"2026-01-17T23:30:00Z","cancel_by":null}`,
	}).is(200)
	require.Equal(t, "2026-01-17T23:30:00Z", held["occupied_until"])
	require.NotContains(t, held, "cancel_by")
	require.Equal(t, "2026-01-17T19:00:00Z", held["protection"].([]any)[0].(map[string]any)["on_at"])
}
