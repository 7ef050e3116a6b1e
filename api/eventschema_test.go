package api_test

import (
	"bytes"
	"encoding/json"
	"reflect"
	"strings"
	"testing"
	"time"

	"frostgate/api"
	"frostgate/rules"
	"frostgate/scheduler/alert"

	"github.com/google/uuid"
	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/require"
)

// An independent implementation of JSON Schema 2020-12 reads the published schema and checks each kind of event by it.
func TestEventsFollowTheirPublishedSchema(t *testing.T) {
	t.Parallel()
	text, err := api.EventSchema()
	require.NoError(t, err)
	document, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	require.NoError(t, err)
	compiler := jsonschema.NewCompiler()
	compiler.AssertFormat()
	require.NoError(t, compiler.AddResource("event-schema.json", document))
	schema, err := compiler.Compile("event-schema.json")
	require.NoError(t, err)

	check := func(body []byte) error {
		value, err := jsonschema.UnmarshalJSON(bytes.NewReader(body))
		require.NoError(t, err)
		return schema.Validate(value)
	}
	sample := alert.Sample()
	moment := alert.EventMoment{At: time.Date(2027, 1, 15, 14, 0, 0, 0, time.UTC), Local: "Fri 8:00 a.m."}
	changed := alert.Sample()
	changed.Type, changed.Since = alert.EventChanged, "Thu 2:00 p.m."
	changed.Before = &alert.EventBefore{Said: []string{"The probability was 55 %"}, Probability: new(0.55), Starts: &moment.At}
	ofSource := &alert.Event{Type: alert.EventRaised, ID: sample.ID, At: sample.At, Alert: sample.Alert, Source: &alert.EventSource{Name: "weather"}}
	call := &alert.Event{
		Type: alert.CallBase, ID: sample.ID, At: sample.At, Pour: sample.Pour,
		Call: &alert.EventCall{Due: moment, Until: moment, Severity: alert.Warning, Said: []string{"Check the base"}},
	}
	digest := &alert.Event{Type: alert.EventDigestType, ID: sample.ID, At: sample.At, Digest: alert.NewDigest(moment.At, rules.UnitsUS, []alert.EventDigestPour{{EventPour: *sample.Pour, Verdict: rules.Move}})}
	nothing := &alert.Event{Type: alert.EventDigestType, ID: sample.ID, At: sample.At, Digest: alert.NewDigest(moment.At, rules.UnitsUS, nil)}
	grouped := alert.Grouped(uuid.Must(uuid.NewV7()), sample.At, []*alert.Event{sample, changed}, []alert.EventCover{{NoticeID: sample.ID, AlertID: sample.Alert.ID, Transition: 1}}, "https://frostgate.example/alerts")
	for name, e := range map[string]*alert.Event{
		"raised": sample, "changed": changed, "source": ofSource, "call": call, "digest": digest, "nothing": nothing, "grouped": grouped,
	} {
		e.Compose()
		body, err := e.Bytes()
		require.NoError(t, err)
		require.NoError(t, check(body), "%s: %s", name, body)
		var members map[string]any
		require.NoError(t, json.Unmarshal(body, &members))
		members["new_member"] = true
		more, err := json.Marshal(members)
		require.NoError(t, err)
		require.NoError(t, check(more), "members may be added")
		for _, needed := range []string{"type", "schema", "id", "at", "text"} {
			kept := members[needed]
			delete(members, needed)
			less, err := json.Marshal(members)
			require.NoError(t, err)
			require.Error(t, check(less), "%s without %s", name, needed)
			members[needed] = kept
		}
		members["at"] = "yesterday"
		wrong, err := json.Marshal(members)
		require.NoError(t, err)
		require.Error(t, check(wrong), "no time")
	}
}

// A template of the firm's own can name every field there is, as the document tells.
func TestTemplateFieldsAreDocumented(t *testing.T) {
	t.Parallel()
	input, _ := reflect.TypeFor[api.EndpointForm]().FieldByName("Template")
	_, listed, found := strings.Cut(input.Tag.Get("doc"), "Fields: ")
	require.True(t, found)
	listed, _, _ = strings.Cut(listed, ".")
	var fields []string
	for f := range reflect.TypeFor[alert.Fields]().Fields() {
		fields = append(fields, f.Name)
		require.NoError(t, alert.CheckTemplate("x{{."+f.Name+"}}"))
	}
	require.ElementsMatch(t, fields, strings.Split(listed, ", "))
}
