package api

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"frostgate/rules"

	"frostgate/db"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
)

// coldCase is a slab on a cold day, three days of weather before it and four after.
func coldCase() object {
	var hours []object
	from := firstStart.Add(-72 * time.Hour)
	for h := range 168 {
		hours = append(hours, object{
			"at": from.Add(time.Duration(h) * time.Hour).Format(time.RFC3339), "air_temp_c": -6.0, "dew_point_c": -10.0, "wind_ms": 3.0,
			"cloud": 0.5, "precip_mm": 0.0, "precip_type": "none", "snow_depth_m": 0.0,
		})
	}
	return object{
		"site": object{"latitude": 42.0, "longitude": -88.0, "elevation_m": 220, "timezone": "America/Chicago"},
		"pour": object{
			"element": "slab_on_ground", "thickness_mm": 125, "area_m2": 70, "starts_at": firstStart.Format(time.RFC3339), "placed_temp_c": 20.0,
			"base": object{"material": "gravel", "temps_c": []object{{"depth_mm": 0, "temp_c": -3.0}}},
			"mix":  demoMix("").without("name"),
		},
		"weather": hours,
	}
}

// ACI 306R-88 and ACI 301: no concrete on frozen ground, so a base measured at -3 C means move.
func TestTheStatelessForm(t *testing.T) {
	t.Parallel()
	b := setup(t)
	got := b.do(call{method: "POST", path: "/v1/assess?members=8&windows=false", body: coldCase()}).is(200)
	var a rules.Assessment
	text, err := json.Marshal(got)
	require.NoError(t, err)
	require.NoError(t, json.Unmarshal(text, &a))
	require.Equal(t, rules.Move, a.Verdict, a.Headline)
	require.NotEmpty(t, a.Cautions)
	require.Empty(t, b.do(call{method: "GET", path: "/v1/pours"}).is(200).items())
}

func TestStatelessCasesThatAreRefused(t *testing.T) {
	t.Parallel()
	b := setup(t)
	post := func(change func(object)) call {
		c := coldCase()
		change(c)
		return call{method: "POST", path: "/v1/assess", body: c}
	}
	pour := func(o object) object { return o["pour"].(object) }
	b.run(t, []vector{
		{"empty object", call{method: "POST", path: "/v1/assess", body: "{}"}, 422, "invalid", nil},
		{"list", call{method: "POST", path: "/v1/assess", body: "[]"}, 422, "invalid", nil},
		{"unknown field", post(func(o object) { o["colour"] = "red" }), 422, "invalid", []string{"#/colour invalid"}},
		{"unknown nested field", post(func(o object) { pour(o)["colour"] = "red" }), 422, "invalid", []string{"#/pour/colour invalid"}},
		{"zone", post(func(o object) { o["site"].(object)["timezone"] = "Mars/Olympus" }), 422, "invalid", []string{"#/site/timezone invalid"}},
		{"thickness", post(func(o object) { pour(o)["thickness_mm"] = 5 }), 422, "invalid", []string{"#/pour/thickness_mm invalid"}},
		{"no weather", post(func(o object) { delete(o, "weather") }), 422, "invalid", nil},
		{"hour twice", post(func(o object) { w := o["weather"].([]object); w[5] = w[4] }), 422, "invalid", nil},
		{"kelvin", post(func(o object) { o["weather"].([]object)[5]["air_temp_c"] = 273.15 }), 422, "invalid", []string{"#/weather/5/air_temp_c invalid"}},
		{"sentinel", post(func(o object) { o["weather"].([]object)[5]["air_temp_c"] = -9999 }), 422, "invalid", []string{"#/weather/5/air_temp_c invalid"}},
		{"members", call{method: "POST", path: "/v1/assess?members=52", body: coldCase()}, 422, "invalid", []string{"members out_of_range"}},
	})
}

func TestFirmLimitsAndAudit(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s := b.stock()
	pour := b.do(call{method: "POST", path: "/v1/pours", body: s.pour("A", firstStart)}).is(201).str("id")
	b.taken()
	patch := func(body object) answer {
		return b.do(call{method: "PATCH", path: "/v1/firm", body: body, header: map[string]string{"If-Match": "*"}})
	}
	patch(object{"limits": []object{{"limit": "ground.warn_c", "value": 2}}, "units": "si", "quiet_starts": "20:00", "quiet_ends": "05:30"}).is(200)
	require.Equal(t, pour, b.taken()[0].String(), "every live pour is assessed anew")
	patch(object{"limits": []object{{"limit": "no.such", "value": 2}}}).wrong(422, "invalid", "#/limits/0/limit invalid")
	loosened := object{"limit": "ground.frozen_c", "value": -0.9}
	require.Equal(t, 422, patch(object{"limits": []object{loosened}}).status, "past the published floor only as an override")
	patch(object{"limits": []object{loosened.with(object{"override": true, "reason": "probe tests of the winter before"})}}).is(200)
	patch(object{"quiet_starts": "20:00", "quiet_ends": nil}).wrong(422, "invalid")

	for _, row := range b.do(call{method: "GET", path: "/v1/limits"}).is(200).items() {
		if row["name"] == "ground.frozen_c" {
			require.Equal(t, -0.9, row["used"])
			require.Equal(t, -0.5, row["value"])
			require.Equal(t, true, row["override"])
		}
	}
	log := b.do(call{method: "GET", path: "/v1/audit?record=firm&limit=1"})
	entry := log.is(200).items()[0]
	require.Equal(t, "update", entry["action"])
	require.Equal(t, "dispatcher", entry["actor"])
	require.NotContains(t, entry["before"], "units", "only what differs is kept")
	next := b.do(call{method: "GET", path: log.rels()["next"]}).is(200).items()
	require.Equal(t, "us", next[0]["before"].(map[string]any)["units"])
}

func TestObservationsTakeThePlaceOfPredictions(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s := b.stock()
	pour := "/v1/pours/" + b.do(call{method: "POST", path: "/v1/pours", body: s.pour("A", firstStart)}).is(201).str("id")
	post := func(body object) answer { return b.do(call{method: "POST", path: pour + "/observations", body: body}) }
	b.taken()
	made := post(object{"kind": "base_frozen", "at": "2026-01-15T12:00:00Z", "value": 1, "note": "probe stopped at 40 mm"}).is(201)
	require.Len(t, b.taken(), 1)
	require.Equal(t, "dispatcher", made["who"])
	path := "/v1/observations/" + made.str("id")
	b.do(call{method: "PATCH", path: path, body: object{"value": 0}, header: map[string]string{"If-Match": `"1"`}}).is(200)
	require.Len(t, b.taken(), 1)
	post(object{"kind": "base_temp", "at": time.Now().Add(time.Hour).Format(time.RFC3339), "value": 1}).wrong(422, "invalid", "#/at out_of_range")
	post(object{"kind": "base_temp", "at": "2026-01-15T12:00:00Z", "value": 99}).wrong(422, "invalid", "#/value invalid")
	post(object{"kind": "base_frozen", "at": "2026-01-15T12:00:00Z", "value": 7}).wrong(422, "invalid", "#/value invalid")
	require.Len(t, b.do(call{method: "GET", path: pour + "/observations?kind=base_frozen"}).is(200).items(), 1)
	require.Empty(t, b.do(call{method: "GET", path: pour + "/observations?kind=slump"}).is(200).items())
	b.do(call{method: "DELETE", path: path, header: map[string]string{"If-Match": `"2"`}}).is(204)
	require.Len(t, b.taken(), 1)
}

func TestWhatHangsOnAnAssessedPour(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	pour := "/v1/pours/" + w.ids["/v1/pours/"]
	latest := w.do(call{method: "GET", path: pour + "/assessment"})
	require.Equal(t, "Move it.", latest.is(200)["assessment"].(map[string]any)["headline"])
	require.Equal(t, 304, w.do(call{method: "GET", path: pour + "/assessment", header: map[string]string{"If-None-Match": latest.header.Get("ETag")}}).status)
	require.Len(t, w.do(call{method: "GET", path: pour + "/assessments"}).is(200).items(), 1)

	read := w.do(call{method: "GET", path: pour})
	require.Equal(t, "move", read.is(200)["latest"].(map[string]any)["verdict"])
	tag := read.header.Get("ETag")
	require.Regexp(t, `^"1\.[0-9a-z]+"$`, tag, "the version and when the news came")
	known := map[string]string{"If-None-Match": tag}
	require.Equal(t, 304, w.do(call{method: "GET", path: pour, header: known}).status)
	require.NoError(t, w.db.Tx(t.Context(), db.Actor{Name: "test"}, func(tx *db.Tx) error {
		return tx.TouchAssessed(t.Context(), time.Now().Add(time.Minute), uuid.MustParse(w.ids["/v1/pours/"]))
	}))
	require.Equal(t, 200, w.do(call{method: "GET", path: pour, header: known}).status, "news")
	note := call{method: "PATCH", path: pour, body: object{"note": "Gate code at the office."}, header: map[string]string{"If-Match": "W/" + tag}}
	w.do(note).wrong(412, "stale")
	note.header["If-Match"] = tag
	require.Equal(t, "move", w.do(note).is(200)["latest"].(map[string]any)["verdict"], "no edit was overwritten")
	w.do(note).wrong(412, "stale")
	require.Equal(t, "place", w.do(call{method: "GET", path: pour + "/windows"}).is(200).items()[0]["verdict"])
	series := w.do(call{method: "GET", path: "/v1/assessments/" + w.ids["/v1/assessments/"] + "/forecasts"}).is(200).items()[0]
	require.Len(t, series["hours"], 2)
	require.Equal(t, "test", series["source"])
	require.Len(t, w.do(call{method: "GET", path: "/v1/sites/" + w.site + "/forecasts/" + w.ids["{forecast_id}"] + "?from=2026-01-15T14:00:00Z"}).is(200)["hours"], 1)

	payload := w.do(call{method: "GET", path: "/v1/sites/" + w.site + "/forecasts/" + w.ids["{forecast_id}"] + "/payload"})
	require.Equal(t, 200, payload.status)
	require.Equal(t, fmt.Sprintf("%x", sha256.Sum256([]byte(payload.body))), series["payload_sha256"], "the very bytes")
	off := w.do(call{method: "GET", path: "/v1/sites/" + w.site + "/forecast-errors"}).is(200).items()[0]
	require.Equal(t, object{"source": "test", "variable": "air_temp_c", "lead_h": 24.0, "hours": 4.0, "bias": 0.5, "rms": 2.0}, object(off))

	alert := "/v1/alerts/" + w.ids["/v1/alerts/"]
	require.Len(t, w.do(call{method: "GET", path: "/v1/alerts?condition=raised,clearing&severity=major"}).is(200).items(), 1)
	acknowledged := w.do(call{method: "POST", path: alert + "/acknowledge", body: object{"note": "calling the plant"}}).is(200)
	require.Equal(t, "acknowledged", acknowledged["operator_state"])
	require.Equal(t, "dispatcher", acknowledged["acknowledged_by"])
	back := w.do(call{method: "POST", path: alert + "/unacknowledge", body: object{"note": "not me"}}).is(200)
	require.Equal(t, "none", back["operator_state"])
	require.Empty(t, back["acknowledged_by"])
	w.do(call{method: "POST", path: alert + "/unacknowledge"}).is(409)
	w.do(call{method: "POST", path: alert + "/acknowledge"}).is(200)
	history := w.do(call{method: "GET", path: alert + "/history"}).is(200).items()
	require.Len(t, history, 4)
	require.Equal(t, 2.0, history[1]["number"])
	require.Equal(t, "alert.unacknowledged", history[2]["event"])
	require.Equal(t, "calling the plant", history[1]["note"])

	sent := w.do(call{method: "GET", path: "/v1/deliveries?state=pending&pour_id=" + w.ids["/v1/pours/"]}).is(200).items()
	require.Len(t, sent, 1)
	detail := w.do(call{method: "GET", path: "/v1/deliveries/" + sent[0].str("id")}).is(200)
	require.JSONEq(t, `{"type":"alert.raised"}`, detail["body"].(string))
}
