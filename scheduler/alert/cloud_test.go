package alert_test

import (
	"encoding/json"
	"mime"
	"net/url"
	"testing"
	"time"
	"unicode"

	"frostgate/scheduler/alert"

	"github.com/stretchr/testify/require"
)

// requireCloudEvent holds a body to the rules of CloudEvents 1.0 (spec.md and
// formats/json-format.md of version 1.0.2): the names and types of attributes, those
// that have to be there, and what each may be.
func requireCloudEvent(t *testing.T, body []byte) map[string]any {
	t.Helper()
	var members map[string]any
	require.NoError(t, json.Unmarshal(body, &members))
	attributes := map[string]string{}
	for name, value := range members {
		if name == "data" || name == "data_base64" {
			continue
		}
		require.Regexp(t, "^[a-z0-9]{1,20}$", name, "naming convention")
		text, ok := value.(string)
		require.True(t, ok, "%s is no string: all attributes that are defined are", name)
		require.NotEmpty(t, text, "%s: an optional attribute that has no value is left out, another is not empty", name)
		for _, r := range text {
			require.False(t, unicode.IsControl(r) || r&0xfffe == 0xfffe || r >= 0xfdd0 && r <= 0xfdef, "type system: %q in %s", r, name)
		}
		attributes[name] = text
	}
	for _, needed := range []string{"id", "source", "specversion", "type"} {
		require.Contains(t, attributes, needed, "required attributes")
	}
	require.Equal(t, "1.0", attributes["specversion"])
	_, err := url.Parse(attributes["source"])
	require.NoError(t, err, "a URI-reference (RFC 3986, 4.1)")
	if at, ok := attributes["time"]; ok {
		_, err := time.Parse(time.RFC3339, at)
		require.NoError(t, err)
	}
	if schema, ok := attributes["dataschema"]; ok {
		address, err := url.Parse(schema)
		require.NoError(t, err)
		require.True(t, address.IsAbs(), "a URI (RFC 3986, 4.3)")
		require.Empty(t, address.Fragment, "RFC 3986, 4.3")
	}
	kind, _, err := mime.ParseMediaType(attributes["datacontenttype"])
	require.NoError(t, err, "RFC 2046")
	require.Regexp(t, `(/|\+)json$`, kind, "data that is JSON stands in the event as it is (JSON format, 3.1)")
	require.Contains(t, members, "data")
	require.NotContains(t, members, "data_base64", "one of the two")
	return members
}

func TestCloudEvents(t *testing.T) {
	t.Parallel()
	of := shapes("Bay 3 \u0007", "The base will be frozen")
	for shape, e := range of {
		e.Links.Schema = "https://frostgate.example/event-schema.json"
		contentType, body := write(t, e, alert.FormCloud)
		require.Equal(t, "application/cloudevents+json", contentType, "JSON format, 3")
		m := requireCloudEvent(t, []byte(body))
		require.LessOrEqual(t, len(body), 64*1024, "size limits: what all have to forward")
		require.Equal(t, e.ID.String(), m["id"], "%s", shape)
		require.Equal(t, e.Type, m["type"])
		require.Equal(t, e.Links.Schema, m["dataschema"])
		_, data := write(t, e, alert.FormStandard)
		inner, err := json.Marshal(m["data"])
		require.NoError(t, err)
		require.JSONEq(t, data, string(inner))
		e.Links.Schema = ""
		_, body = write(t, e, alert.FormCloud)
		require.NotContains(t, requireCloudEvent(t, []byte(body)), "dataschema", "of a program whose address is not known")
	}
	subject := func(shape string) any {
		_, body := write(t, of[shape], alert.FormCloud)
		return requireCloudEvent(t, []byte(body))["subject"]
	}
	require.Equal(t, of["alert"].Alert.ID.String(), subject("alert"))
	require.Equal(t, of["call"].Pour.ID.String(), subject("call"), "of no alert")
	for _, shape := range []string{"group", "group with links", "digest", "endpoint"} {
		require.Nil(t, subject(shape), shape)
	}
}
