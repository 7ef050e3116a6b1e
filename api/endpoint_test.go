package api

import (
	"testing"

	"frostgate/scheduler/alert"

	"github.com/stretchr/testify/require"
)

// Every form that the alert package writes can be chosen, and shown beforehand.
func TestEndpointsOfEveryForm(t *testing.T) {
	t.Parallel()
	b := setup(t)
	for _, kind := range alert.Forms() {
		made := b.do(call{method: "POST", path: "/v1/endpoints", body: object{"name": kind, "kind": kind, "url": "https://hooks.example.com/a"}}).is(201)
		require.Equal(t, kind, made["kind"])
		shown := b.do(call{method: "POST", path: "/v1/endpoint-preview", body: object{"kind": kind}}).is(200)
		require.Contains(t, shown.str("body"), "Loading dock slab")
		require.NotEmpty(t, shown.str("content_type"))
	}
	b.do(call{method: "POST", path: "/v1/endpoints", body: object{"name": "X", "kind": "fax", "url": "https://hooks.example.com/a"}}).wrong(422, "invalid", "#/kind choice")
}

func TestATemplateIsCheckedWhenItIsStored(t *testing.T) {
	t.Parallel()
	b := setup(t)
	const template = "{{.Severity}}: {{.Pour}}{{.Source}} {{.Start}}"
	shown := b.do(call{method: "POST", path: "/v1/endpoint-preview", body: object{"kind": "text", "template": template}}).is(200)
	require.Equal(t, "critical: Loading dock slab Fri Jan 15, 13:00", shown["body"])
	form := object{"name": "Own", "kind": "text", "url": "https://hooks.example.com/a", "template": template}
	made := b.do(call{method: "POST", path: "/v1/endpoints", body: form}).is(201)
	require.Equal(t, template, made["template"])
	path := "/v1/endpoints/" + made.str("id")
	any := map[string]string{"If-Match": "*"}
	for _, bad := range []string{"{{.Secret}}", "{{", "{{range 1000000000}}{{end}}", "  "} {
		b.do(call{method: "PATCH", path: path, body: object{"template": bad}, header: any}).wrong(422, "invalid", "#/template invalid")
		b.do(call{method: "POST", path: "/v1/endpoint-preview", body: object{"kind": "text", "template": bad}}).wrong(422, "invalid", "#/template invalid")
	}
	b.do(call{method: "PATCH", path: path, body: object{"kind": "standard"}, header: any}).wrong(422, "invalid", "#/template invalid")
	kept := b.do(call{method: "GET", path: path}).is(200)
	require.Equal(t, template, kept["template"], "a refused edit changes nothing")
	b.do(call{method: "PATCH", path: path, body: object{"kind": "standard", "template": nil}, header: any}).is(200)
}

func TestADigestIsCheckedWhenItIsStored(t *testing.T) {
	t.Parallel()
	b := setup(t)
	digest := object{"morning": "05:30", "afternoon": "14:00", "timezone": "America/Chicago"}
	form := object{"name": "Crew chat", "url": "https://hooks.example.com/a", "digest": digest}
	made := b.do(call{method: "POST", path: "/v1/endpoints", body: form}).is(201)
	require.Equal(t, map[string]any(digest), made["digest"])
	path := "/v1/endpoints/" + made.str("id")
	whatever := map[string]string{"If-Match": "*"}
	for field, bad := range map[string]object{
		"#/digest/morning format":    {"morning": "5:30"},
		"#/digest/afternoon format":  {"afternoon": "24:00"},
		"#/digest/timezone choice":   {"timezone": "America/Springfield"},
		"#/digest/timezone required": {"timezone": nil},
	} {
		b.do(call{method: "PATCH", path: path, body: object{"digest": bad}, header: whatever}).wrong(422, "invalid", field)
	}
	kept := b.do(call{method: "GET", path: path}).is(200)
	require.Equal(t, map[string]any(digest), kept["digest"], "a refused edit changes nothing")
	gone := b.do(call{method: "PATCH", path: path, body: object{"digest": nil}, header: whatever}).is(200)
	require.NotContains(t, gone, "digest")
}
